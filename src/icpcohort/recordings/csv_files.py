"""CSV: separator, decimal mark, compression and missing values, and the rows in batches.

Lines that begin with # may stand before the heading. The heading decides the separator (comma,
semicolon or tab): the one that gives the time column a cell of its own. A row right below it
that has a known unit, and besides only words without a digit, belongs to it. The numbers decide
the decimal mark, one for the whole file: a point unless the first numbers that have a mark have
a comma, so that a quoted "12,5" between commas is 12.5 where all numbers are written so.
Refused are points and commas mixed, marks of thousands, and numbers that may have such marks:
where every mark stands before three digits ("1,234") although the file is separated by commas,
or although numbers without a mark stand in the same column.
Gzip is known by its first bytes; what it unpacks to is limited, and never kept as a whole.
"""

import csv
import itertools
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from icpcohort.recordings import units
from icpcohort.recordings.chunks import RecordingError
from icpcohort.recordings.names import split_bracket
from icpcohort.recordings.time_columns import TimeColumn, seconds_in

BLOCK_BYTES = 250_000
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
GZIP_BYTES = b"\x1f\x8b"
QUOTE = b'"'
BOM = b"\xef\xbb\xbf"  # that some programs write before UTF-8 text
MAX_RATIO, FREE_BYTES = 200, 100_000_000  # of gzip; tables of numbers come to 3 to 20

MISSING = (
    *("", "-", "--", "---", ".", "?", "NA", "N/A", "#N/A", "n/a", "NaN", "nan"),
    *("NULL", "Null", "null", "None", "none", "missing"),
)
_NULLS = [a + text + b for text in MISSING for a, b in itertools.product(("", " "), repeat=2)]

_THOUSANDS = r"^\s*[+-]?\d+(?:[.,]\d+){2,}\s*$"
_PERHAPS_THOUSANDS = r"^\s*[+-]?[1-9]\d{0,2}[.,]\d{3}\s*$"
_NUMBER = r"^\s*[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?\s*$"
_BAD_CELL = re.compile(r"In CSV column #(\d+): Row #(\d+): CSV conversion error")
_BAD_LINE = re.compile(r"CSV parse error: Row #(\d+): Expected (\d+) columns, got (\d+)")


class Heading(NamedTuple):
    """The heading of a file: its cells, what separates them, and the lines around it.

    `below` has the cells of a row of units, else none; `n_above` and `n_below` count the lines
    that are passed over before the heading and after it.
    """

    names: list[str]
    separator: str
    compression: str | None
    below: list[str]
    n_above: int = 0
    n_below: int = 0

    def unit(self, name: str) -> str | None:
        """Return what the row of units says of a column."""
        cell = self.below[self.names.index(name)] if self.below else ""
        return None if cell in MISSING else cell


class Numbers(NamedTuple):
    """How a file writes its numbers, and whether its times are numbers."""

    decimal_mark: str
    numeric_times: bool


def read_heading(path: Path, *, has_times: Callable[[Sequence[str]], bool]) -> Heading:
    """Return the cells of the heading under the separator that sets the time column apart.

    Parameters
    ----------
    has_times : function
        Tells whether there is a column of times among these cells.

    Raises
    ------
    RecordingError
        `empty`, `wrong_encoding`, or `unreadable` without a line of text.
    """
    with path.open("rb") as file:
        compression = "gzip" if file.read(2) == GZIP_BYTES else None
    with pa.input_stream(str(path), compression=compression) as stream:
        first = stream.read(BLOCK_BYTES)
    if not first.strip():
        raise RecordingError("empty", f"{path.name}: no text in it; restore it")
    lines = re.split(rb"\r\n|\r|\n", first)
    filled = (i for i, line in enumerate(lines) if line)
    place = next((i for i in filled if not lines[i].removeprefix(BOM).startswith(b"#")), None)
    if place is None:
        raise RecordingError("empty", f"{path.name}: only lines of comments; restore it")
    if len(lines[place]) == len(first) == BLOCK_BYTES:
        raise RecordingError(
            "unreadable", f"{path.name}: no line ends in {BLOCK_BYTES} bytes; this is no table"
        )
    text = _decoded(lines[place], path.name)
    splits = {mark: _cells(text, mark) for mark in SEPARATORS}
    best = max(SEPARATORS, key=lambda mark: (has_times(splits[mark]), len(splits[mark])))
    names = splits[best]
    under = next((i for i in range(place + 1, len(lines) - 1) if lines[i]), None)
    cells = [] if under is None else _cells(lines[under].decode("utf-8", "replace"), best)
    below = [_without_bracket(cell) for cell in cells]
    n_below = under - place if under is not None and _are_units(below, names) else 0
    has_comments = any(lines[:place])
    return Heading(
        names,
        best,
        compression,
        below if n_below else [],
        place if has_comments else 0,
        n_below,
    )


def _decoded(line: bytes, where: str) -> str:
    try:
        text = line.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise RecordingError(
            "wrong_encoding", f"{where}: its heading is no UTF-8 text; save it as UTF-8"
        )
    return text


def _without_bracket(cell: str) -> str:
    name, inside = split_bracket(cell, is_unit=_is_unit)
    return inside if inside and not name else cell.strip()


def _is_unit(text: str) -> bool:
    return units.is_known(text) or seconds_in(text) is not None


def _are_units(cells: Sequence[str], names: Sequence[str]) -> bool:
    """Tell whether a row has a known unit, and besides only words without a digit."""
    known = [_is_unit(cell) for cell in cells]
    return (
        len(cells) == len(names)
        and any(known)
        and all(
            is_unit or not any(letter.isdigit() for letter in cell)
            for is_unit, cell in zip(known, cells, strict=True)
        )
    )


def _cells(text: str, separator: str) -> list[str]:
    try:
        return next(csv.reader([text], delimiter=separator))
    except csv.Error:
        return [text]


def refuse_bomb(path: Path, heading: Heading) -> None:
    """Refuse a small gzip file that unpacks to very much, before any of it is read as a table.

    The limit is 200 times its size and 100 MB; gzip itself ends at 1,032 times.

    Raises
    ------
    RecordingError
        `unpacks_to_much`.

    Source: DEFLATE, RFC 1951, for what gzip can reach; our own limit.
    """
    if heading.compression is None:
        return
    limit = FREE_BYTES + MAX_RATIO * path.stat().st_size
    with pa.input_stream(str(path), compression=heading.compression) as stream:
        n_bytes = 0
        while block := stream.read(BLOCK_BYTES):
            n_bytes += len(block)
            if n_bytes > limit:
                raise RecordingError(
                    "unpacks_to_much",
                    f"{path.name}: unpacks to more than {MAX_RATIO} times its size, as no "
                    "table of readings does; restore it, or store it unpacked",
                )


def refuse_line_breaks(path: Path, heading: Heading) -> None:
    """Refuse a cell that holds the end of a line, as an open quotation mark makes it.

    Rows that such a cell swallows would be lost without a word. Only files with quotation marks
    are read for it.

    Raises
    ------
    RecordingError
        `unreadable` with the row.
    """
    with pa.input_stream(str(path), compression=heading.compression) as stream:
        while (block := stream.read(BLOCK_BYTES)) and QUOTE not in block:
            pass
    if not block:
        return
    n_before = 0
    for batch in _open(path, heading, dict.fromkeys(heading.names, pa.binary())):
        broken = [pc.match_substring_regex(column, r"[\r\n]") for column in batch.columns]
        rows = [i for i in (pc.index(each, True).as_py() for each in broken) if i >= 0]
        if rows:
            raise RecordingError(
                "unreadable",
                f"{path.name}, row {n_before + min(rows) + 1}: a line ends inside a cell; "
                "close its quotation marks, or take the line break out of it",
            )
        n_before += batch.num_rows


def read_numbers(
    path: Path, heading: Heading, *, time: TimeColumn, columns: Sequence[str]
) -> Numbers:
    """Return the decimal mark of the first block of numbers with one, and the kind of times.

    Between commas the first 250 kB decide; a comma that comes later is then no number.

    Raises
    ------
    RecordingError
        `mixed_decimals` where points and commas stand in one block.
    """
    # a date beside a time of day is no number, though 01.03.2024 looks like thousands
    numeric_times = False if len(time.names) > 1 else None
    written = [*(() if numeric_times is False else time.names), *columns]
    for batch in _open(path, heading, dict.fromkeys(written, pa.string())):
        cells = {name: pl.Series(values=batch.column(name)).drop_nulls() for name in written}
        if numeric_times is None and len(cells[time.names[0]]):
            numeric_times = bool(cells[time.names[0]].head(1).str.contains(_NUMBER)[0])
        mark = _decimal_mark(list(cells.values()), separator=heading.separator, where=path.name)
        if mark is not None:
            return Numbers(mark, numeric_times is not False)
        if heading.separator == "," and numeric_times is not None:
            break
    return Numbers(".", numeric_times is not False)


def _decimal_mark(columns: Sequence[pl.Series], *, separator: str, where: str) -> str | None:
    """Return the mark that the numbers in some cells have, or None."""
    written = [cells.filter(cells.str.contains(_NUMBER)) for cells in columns]
    is_marked = [numbers.str.contains("[.,]") for numbers in written]
    marked = pl.concat(
        [numbers.filter(has) for numbers, has in zip(written, is_marked, strict=True)]
    )
    commas = marked.str.contains(",")
    unclear = marked.str.contains(_PERHAPS_THOUSANDS).all() and (
        (separator == "," and commas.any())
        or any(has.any() and not has.all() for has in is_marked)
    )
    mixed = commas.any() and not commas.all()
    if mixed or unclear or any(cells.str.contains(_THOUSANDS).any() for cells in columns):
        raise RecordingError(
            "mixed_decimals",
            f"{where}: numbers with points and with commas, or with marks that may be those of "
            "thousands; export it with one decimal mark and without marks of thousands",
        )
    if marked.is_empty():
        return None
    return "," if commas.any() else "."


def batches(
    path: Path,
    heading: Heading,
    numbers: Numbers,
    *,
    time: TimeColumn,
    columns: Sequence[str],
    as_text: Sequence[str] = (),
) -> Iterator[pa.RecordBatch]:
    """Yield the rows: times as numbers or as text, values as numbers, null where missing.

    Columns that are named to be text are read so.

    Raises
    ------
    RecordingError
        `unreadable` or `bad_times` with the row (1 is below the heading) and the column.
    """
    of_times = pa.float64() if numbers.numeric_times else pa.string()
    types = dict.fromkeys(time.names, of_times) | dict.fromkeys(columns, pa.float64())
    types |= dict.fromkeys(as_text, pa.string())
    yield from _open(path, heading, types, decimal_mark=numbers.decimal_mark, times=time.names)


def texts(path: Path, heading: Heading, *, columns: Sequence[str]) -> Iterator[pa.RecordBatch]:
    """Yield the rows of some columns as text, null where missing.

    Raises
    ------
    RecordingError
        `unreadable` or `wrong_encoding`.
    """
    yield from _open(path, heading, dict.fromkeys(columns, pa.string()))


def _open(
    path: Path,
    heading: Heading,
    types: dict[str, pa.DataType],
    *,
    decimal_mark: str = ".",
    times: Sequence[str] = (),
) -> Iterator[pa.RecordBatch]:
    convert = pyarrow.csv.ConvertOptions(
        include_columns=list(types),
        column_types=types,
        null_values=_NULLS,
        strings_can_be_null=True,
        decimal_point=decimal_mark,
    )
    try:
        with (
            pa.input_stream(str(path), compression=heading.compression) as stream,
            pyarrow.csv.open_csv(
                stream,
                read_options=pyarrow.csv.ReadOptions(
                    use_threads=False,
                    block_size=BLOCK_BYTES,
                    skip_rows=heading.n_above,
                    skip_rows_after_names=heading.n_below,
                ),
                parse_options=pyarrow.csv.ParseOptions(delimiter=heading.separator),
                convert_options=convert,
            ) as rows,
        ):
            yield from rows
    except pa.ArrowInvalid as error:
        raise _in_words(
            path, heading, str(error), times=times, decimal_mark=decimal_mark
        ) from error


def _in_words(
    path: Path, heading: Heading, message: str, *, times: Sequence[str], decimal_mark: str
) -> RecordingError:
    """Return the parser's complaint without the cell, which may be a name or a date."""
    if "UTF8" in message:
        return RecordingError(
            "wrong_encoding", f"{path.name}: text that is no UTF-8; save it as UTF-8"
        )
    n_before = 1 + heading.n_above + heading.n_below
    if match := _BAD_CELL.search(message):
        name = heading.names[int(match[1])]
        mark = "points" if decimal_mark == "." else "commas"
        return RecordingError(
            "bad_times" if name in times else "unreadable",
            f"{path.name}, row {int(match[2]) - n_before}, column {name!r}: neither a number "
            f"nor missing; this file has decimal {mark}: write it so, without marks of "
            "thousands, or leave the cell empty",
        )
    if match := _BAD_LINE.search(message):
        return RecordingError(
            "unreadable",
            f"{path.name}, row {int(match[1]) - n_before}: {match[3]} cells under a heading of "
            f"{match[2]}, separated by {SEPARATORS[heading.separator]}; complete the row, or, "
            "if its numbers have decimal commas, separate by semicolons",
        )
    if "straddling" in message:
        return RecordingError(
            "unreadable",
            f"{path.name}: a row of more than {BLOCK_BYTES} bytes; look for an open quotation "
            "mark, or restore the file",
        )
    return RecordingError(
        "unreadable", f"{path.name}: its rows cannot be read as CSV; restore or export it again"
    )
