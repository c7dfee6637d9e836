"""Parquet: units in the metadata of columns, and the rows in batches.

Memory follows the size of pages, not of row groups nor of the file: pages are decoded one by
one. Most writers make pages of about 1 MB; pages of more than 64 MB are refused.

Source: PageHeader of the Apache Parquet format (parquet.thrift), in Thrift's compact protocol.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa
import pyarrow.parquet as pq

from icpcohort.recordings.chunks import RecordingError

BATCH_ROWS = 65_536
BUFFER_BYTES = 250_000
MAX_ROWS = 10**9  # 240 h at 1 kHz
MAX_PAGE_BYTES = 64_000_000


def read_schema(path: Path) -> pa.Schema:
    """Return the columns, after a look at the counts of rows.

    Raises
    ------
    RecordingError
        `bad_header` for a count that no recording has.
    """
    with pq.ParquetFile(path) as file:
        n_rows, schema = file.metadata.num_rows, file.schema_arrow
    if not 0 <= n_rows <= MAX_ROWS:
        raise RecordingError(
            "bad_header", f"{path.name}: {n_rows} rows, more than {MAX_ROWS}; split the file"
        )
    return schema


def unit_of(field: pa.Field) -> str | None:
    """Return the unit in a column's metadata."""
    return (field.metadata or {}).get(b"unit", b"").decode() or None


def batches(path: Path, *, columns: Sequence[str]) -> Iterator[pa.RecordBatch]:
    """Yield the rows.

    Raises
    ------
    RecordingError
        `large_pages` where a column of a row group begins with a page of more than 64 MB.
    """
    # buffered, else every row group read stays in memory
    with pq.ParquetFile(path, pre_buffer=False, buffer_size=BUFFER_BYTES) as file:
        _refuse_large_pages(path, file.metadata, columns)
        yield from file.iter_batches(BATCH_ROWS, columns=list(columns), use_threads=False)


def _refuse_large_pages(path: Path, about: pq.FileMetaData, columns: Sequence[str]) -> None:
    groups = (about.row_group(i) for i in range(about.num_row_groups))
    with path.open("rb") as file:
        for group in groups:
            for chunk in (group.column(j) for j in range(group.num_columns)):
                if chunk.path_in_schema not in columns:
                    continue
                if max(_page_sizes(file, chunk)) > MAX_PAGE_BYTES:
                    raise RecordingError(
                        "large_pages",
                        f"{path.name}, {chunk.path_in_schema}: a page of more than "
                        f"{MAX_PAGE_BYTES // 10**6} MB; write the file again with pages of 1 "
                        "MB or row groups of at most 1,000,000 rows",
                    )


def _page_sizes(file: BinaryIO, chunk: pq.ColumnChunkMetaData) -> Iterator[int]:
    """Yield the sizes of the first pages of a column in a row group."""
    for place in (chunk.dictionary_page_offset, chunk.data_page_offset):
        file.seek(max(0, place or 0))
        yield _page_bytes(file.read(32))


def _page_bytes(header: bytes) -> int:
    """Return the larger of a page's two sizes from the first three fields of its header."""
    numbers: list[int] = []
    i = 0
    while len(numbers) < 3 and header[i : i + 1] == b"\x15":  # the next field, of 32 bits
        number, shift, i = 0, 0, i + 1
        while i < len(header):
            number |= (header[i] & 0x7F) << shift
            shift, i = shift + 7, i + 1
            if header[i - 1] < 0x80:
                break
        numbers.append((number >> 1) ^ -(number & 1))  # zigzag
    return max(numbers[1:], default=0)
