"""Pictures: what one is, how a page shows it, and the files that a journal takes.

In a page text stays text (searchable, in the page's own typeface). Lines and letters take the
colour of the page's text, so that one picture serves light and dark; the accent is the custom
property `--accent` of the page, or the blue of the palette of Okabe 2008 where a page sets
none. The same picture gives the same bytes.
"""

import io
import math
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html import escape
from pathlib import Path
from typing import Any, NamedTuple

import matplotlib
import numpy as np
import polars as pl
from matplotlib.figure import Figure
from matplotlib.path import Path as Outline
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from numpy.typing import NDArray

from icpcohort.contracts import atomic_write
from icpcohort.report.figures.names import FILE_KINDS
from icpcohort.report.tables.numbers import format_median

# none of them is a colour of the maps, which a page must not change
INK, MUTED, ACCENT = "#010203", "#747474", "#0072b2"
PAGE_COLOURS = {
    INK: "currentColor",
    MUTED: f"var(--muted, {MUTED})",
    ACCENT: f"var(--accent, {ACCENT})",
}
COLUMNS_MM = {"single": 85.0, "double": 175.0}  # widths that journals commonly print
DPI = 600  # of the PNG: what journals commonly ask of line art
LETTER_PT, SMALL_PT = 8.0, 7.0  # the letters of every figure
BOX = re.compile(r"M (\S+) (\S+) \nL \1 (\S+) \nL (\S+) \3 \nL \4 \2 \nz\n?")
STYLE: Any = {
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": LETTER_PT,
    "axes.unicode_minus": True,
    "font.family": "sans-serif",
    "font.size": LETTER_PT,
    "pdf.fonttype": 42,
    "svg.fonttype": "none",
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": INK,
    "xtick.labelsize": SMALL_PT,
    "xtick.major.size": 2.5,
    "xtick.major.width": 0.6,
    "ytick.color": INK,
    "ytick.labelsize": SMALL_PT,
    "ytick.major.size": 2.5,
    "ytick.major.width": 0.6,
}


class Picture(NamedTuple):
    """A figure with everything that a page, a document or a file needs of it.

    Attributes
    ----------
    name : str
        What its files are called; every id of its SVG begins with it.
    title : str
    description : str
        What it shows, in words made from its numbers, for who cannot see it.
    caption : str
        What stands below it: what is drawn, in which patients.
    figure : Figure
    column : {"single", "double"}
        The width for which it is drawn.
    is_empty : bool
        Whether there was nothing to draw, which it says in words.
    patient_level : bool
        Whether a dot or a line is a patient: not for sharing.
    """

    name: str
    title: str
    description: str
    caption: str
    figure: Figure
    column: str
    is_empty: bool = False
    patient_level: bool = False


def sheet(column: str, *, height_in: float) -> Figure:
    """Return an empty figure of the width of a column."""
    return Figure(figsize=(COLUMNS_MM[column] / 25.4, height_in))


@contextmanager
def style(name: str) -> Iterator[None]:
    """Use the style of the report, whatever the user has set, and ids that follow `name`.

    A sign that the typeface lacks is drawn as an empty box, and no warning is given of it.
    """
    with matplotlib.rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        matplotlib.rcParams["svg.hashsalt"] = name
        yield


def inline(picture: Picture) -> str:
    """Return a picture as an SVG element with title and description for a screen reader.

    All ids begin with its name, so that several may share one page; its column is its class.
    """
    text = _element(picture, transparent=True)
    for colour, replacement in PAGE_COLOURS.items():
        text = re.sub(rf"(fill|stroke): {colour}", rf"\1: {replacement}", text)
    return text.replace("<svg ", f'<svg class="{picture.column}" ', 1)


def as_file(picture: Picture) -> str:
    """Return a picture as the text of an SVG file that stands alone.

    It has a size, white paper and its own colours, for no page gives it any.
    """
    text = _element(picture, transparent=False)
    width_mm, height_mm = (25.4 * side for side in picture.figure.get_size_inches())
    size = f'width="{width_mm:.5g}mm" height="{height_mm:.5g}mm" viewBox='
    return text.replace("viewBox=", size, 1) + "\n"


def save(picture: Picture, folder: Path) -> list[Path]:
    """Write a picture as SVG, PDF and PNG of 600 dpi, each of its column's width.

    The description goes into every file. The same picture gives the same bytes: no file has
    a date.
    """
    paths = [folder / f"{picture.name}.{ending}" for ending in FILE_KINDS]
    drawn, document, image = paths
    atomic_write.write(drawn, as_file(picture))
    about = {"Title": picture.title, "Creator": None, "Producer": None, "CreationDate": None}
    words = {"Title": picture.title, "Description": picture.description, "Software": None}
    with style(picture.name):
        save_as = picture.figure.savefig
        with atomic_write.writing(document) as part:
            save_as(part, format="pdf", metadata=about | {"Subject": picture.description})
        with atomic_write.writing(image) as part:
            save_as(part, format="png", dpi=DPI, metadata=words)
    return paths


def _short(path: str) -> str:
    """Return a path with two decimals (1/100 pt), boxes as such, and lines without their L."""
    path = re.sub(r"(\.\d\d)\d+", r"\1", path.strip())
    path = BOX.sub(r"M\1 \2V\3H\4V\2z", path)
    return path if re.search("[CQ]", path) else re.sub(r" *\n(L )?", " ", path)


def _element(picture: Picture, *, transparent: bool) -> str:
    name, buffer = picture.name, io.StringIO()
    with style(name):
        picture.figure.savefig(
            buffer, format="svg", transparent=transparent, metadata={"Date": None}
        )
    text = buffer.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    text = re.sub(r"(font: [\d.a-z ]*px|font-family:) [^;\"]*", r"\1 sans-serif", text)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'(href="#|url\(#)', rf"\g<1>{name}-", text)
    text = re.sub(r'(?<=\bd=")[^"]*', lambda path: _short(path[0]), text)
    text = re.sub(r'(<g id="[^"]*QuadMesh_\d+")', r'\1 shape-rendering="crispEdges"', text)
    head, body = text.split(">", 1)
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', head)
    box = "0 0 1 1" if size is None else f"0 0 {size[1]} {size[2]}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="{box}" role="img" aria-labelledby="{name}-title {name}-desc">\n'
        f'<title id="{name}-title">{escape(picture.title)}</title>\n'
        f'<desc id="{name}-desc">{escape(picture.description)}</desc>{body}'
    )


def nothing(*, name: str, title: str, words: str) -> Picture:
    """Return a picture that says in words that there is nothing to draw."""
    with style(name):
        figure = sheet("double", height_in=0.4)
        figure.text(0.01, 0.4, words, color=INK)
    return Picture(name, title, words, words, figure, "double", is_empty=True)


def shortened(words: str, *, letters: int) -> str:
    """Return words cut to a number of letters; a cut text ends in an ellipsis."""
    return words if len(words) <= letters else f"{words[: letters - 1].rstrip()}…"


def boxes(sides: NDArray[np.floating]) -> Outline:
    """Return many rectangles as one shape; `sides` is (n, 4): left, right, bottom, top."""
    corners = np.stack([sides[:, [0, 0, 1, 1, 0]], sides[:, [2, 3, 3, 2, 2]]], axis=-1)
    codes = [Outline.MOVETO, *3 * [Outline.LINETO], Outline.CLOSEPOLY] * len(sides)
    return Outline(corners.reshape(-1, 2), codes)


def _jitter(n: int, *, half_width: float) -> NDArray[np.floating]:
    """Return `n` offsets that look scattered and are the same each time (golden ratio)."""
    golden = (math.sqrt(5) - 1) / 2
    return (np.arange(n) * golden % 1 - 0.5) * 2 * half_width


class Strip(NamedTuple):
    """One row of dots: its label, one value per patient, the n beside it, its colour."""

    label: str
    values: pl.Series
    beside: str
    colour: str = ACCENT


STRIP_LETTERS = 24
STRIP_WORDS = (
    "A dot is a patient; the bar spans the quartiles, the tick is the median; median (IQR) and "
    "n beside it."
)


def draw_strips(axis: Any, strips: Sequence[Strip], *, decimals: int, words: str) -> None:
    """Draw one row per strip: every patient a dot, quartiles a bar, the median a tick.

    Parameters
    ----------
    words : {"two_lines", "one_line", "above"}
        Where median, quartiles and n stand: beside the row in two lines or one, or above it
        with the label, where there is no room beside it.
    """
    letters = {"transform": axis.get_yaxis_transform(), "va": "center", "fontsize": SMALL_PT}
    for y, strip in enumerate(strips):
        known = strip.values.drop_nulls().sort()
        _draw_strip(axis, known.to_numpy(), y=y, colour=strip.colour)
        spread = format_median(known, decimals=decimals)
        if words == "two_lines":
            axis.text(1.03, y - 0.19, spread, **letters)
            axis.text(1.03, y + 0.19, strip.beside, **letters)
        elif words == "one_line":
            axis.text(1.03, y, f"{spread}, {strip.beside}", **letters)
        else:
            label = shortened(strip.label, letters=STRIP_LETTERS)
            axis.text(0, y - 0.46, f"{label}: {spread}, {strip.beside}", **letters)
    labels = ["" if words == "above" else strip.label for strip in strips]
    axis.set_yticks(range(len(strips)), labels)
    axis.set_ylim(len(strips) - 0.45, -0.65 if words == "above" else -0.55)
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)


def _draw_strip(axis: Any, x: NDArray[np.floating], *, y: float, colour: str) -> None:
    scattered = y + _jitter(x.size, half_width=0.22)
    axis.scatter(x, scattered, s=7, color=MUTED, alpha=0.55, lw=0, clip_on=False)
    if x.size:
        low, median, high = np.quantile(x, [0.25, 0.5, 0.75])
        shape = {"color": colour, "clip_on": False}
        axis.plot([low, high], [y, y], lw=2.6, solid_capstyle="butt", **shape)
        axis.plot([median, median], [y - 0.3, y + 0.3], lw=1.8, **shape)


def square_root_axis(axis: Any, *, highest: float) -> None:
    """Give the axis a square-root scale from zero to `highest`, with ticks well apart."""
    axis.set_xscale("function", functions=(lambda x: np.sqrt(np.clip(x, 0, None)), np.square))
    top = max(highest, 0.1) * 1.05
    shown = [0.0]
    for tick in (m * 10.0**e for e in range(-1, 4) for m in (1, 2, 5)):
        if tick <= top and math.sqrt(tick) - math.sqrt(shown[-1]) > 0.11 * math.sqrt(top):
            shown.append(tick)
    axis.set_xlim(0, top)
    axis.xaxis.set_major_locator(FixedLocator(shown))
    axis.xaxis.set_minor_locator(NullLocator())
    axis.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))


def ratio_ticks(reach: float) -> list[float]:
    """Return ticks well apart on a logarithmic axis from 1 / `reach` to `reach`."""
    above = [1.0]
    for tick in (1.25, 1.5, 2, 3, 5, 10, 20, 50):
        if tick <= reach and math.log(tick / above[-1]) > 0.22 * math.log(reach):
            above.append(tick)
    return [*(1 / tick for tick in above[1:]), *above]
