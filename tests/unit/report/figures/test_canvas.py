"""The files of a figure: of a journal's width and sharpness, and the same each time."""

import html
import re
import struct

import pytest

from icpcohort.report.figures import canvas

WIDTH_MM = {"single": 85, "double": 175}


def picture(column, words="Pressure (mmHg)"):
    with canvas.style("trial"):
        figure = canvas.sheet(column, height_in=1.0)
        axis = figure.subplots()
        axis.plot([0, 1, 2], [3, 1, 2], color=canvas.ACCENT)
        axis.set_xlabel(words)
    return canvas.Picture(
        "trial", "A <title>", "Three points: 3, 1, 2.", "Cap.", figure, column
    )


def chunks(png):
    """Return the chunks of a PNG by kind (PNG specification, W3C, section 5.3)."""
    at, data_of = 8, {}
    while at < len(png):
        (size,) = struct.unpack(">I", png[at : at + 4])
        data_of.setdefault(png[at + 4 : at + 8], []).append(png[at + 8 : at + 8 + size])
        at += 12 + size
    return data_of


@pytest.mark.parametrize("column", WIDTH_MM)
def test_a_png_has_600_dpi_and_the_width_of_its_column(tmp_path, column):
    canvas.save(picture(column), tmp_path)
    data_of = chunks((tmp_path / "trial.png").read_bytes())
    across, down, unit = struct.unpack(">IIB", data_of[b"pHYs"][0])
    assert unit == 1  # pixels a metre
    assert across == down
    assert across * 0.0254 == pytest.approx(600, abs=0.01)
    width, _ = struct.unpack(">II", data_of[b"IHDR"][0][:8])
    assert width / across * 1000 == pytest.approx(WIDTH_MM[column], abs=0.1)


@pytest.mark.parametrize("column", WIDTH_MM)
def test_a_pdf_and_an_svg_have_the_width_of_their_column(tmp_path, column):
    canvas.save(picture(column), tmp_path)
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ", (tmp_path / "trial.pdf").read_bytes())
    assert float(box[1]) / 72 * 25.4 == pytest.approx(WIDTH_MM[column], abs=0.1)
    size = re.search(r'width="([\d.]+)mm"', (tmp_path / "trial.svg").read_text())
    assert float(size[1]) == WIDTH_MM[column]


def test_the_same_picture_gives_the_same_bytes_without_a_date(tmp_path):
    places = [tmp_path / "first", tmp_path / "second"]
    for place in places:
        place.mkdir()
        canvas.save(picture("single"), place)
    for kind in ("svg", "pdf", "png"):
        first, second = ((place / f"trial.{kind}").read_bytes() for place in places)
        assert first == second, kind
        assert not re.search(rb"Date|20\d\d-\d\d", first), kind


def test_every_file_carries_the_description(tmp_path):
    canvas.save(picture("single"), tmp_path)
    assert "<desc" in (tmp_path / "trial.svg").read_text()
    assert b"(Three points: 3, 1, 2.)" in (tmp_path / "trial.pdf").read_bytes()
    texts = chunks((tmp_path / "trial.png").read_bytes())[b"tEXt"]
    assert b"Description\0Three points: 3, 1, 2." in texts


def test_letters_of_a_pdf_stay_letters(tmp_path):
    canvas.save(picture("single"), tmp_path)
    assert b"/FontFile2" in (tmp_path / "trial.pdf").read_bytes()


HOSTILE = ("<script>&\"'", "$x^2$ \\n {} %s", "😀 מהלך مرحبا", "x" * 200)


@pytest.mark.parametrize("words", HOSTILE)
def test_no_words_break_a_picture(tmp_path, words, recwarn):
    made = picture("single", words)
    assert words in html.unescape(canvas.inline(made))
    assert [p.stat().st_size > 500 for p in canvas.save(made, tmp_path)] == [True] * 3
    assert not list(recwarn)
