"""Encodings: how the bytes of a CSV table become text."""

import pytest

from icpcohort.study import encodings

TEXT = "patient_id,centre,note\nP1,Zürich,größer als 5 µmol/l\nP2,Orléans,37 °C\n"


def _refused(content, encoding=""):
    with pytest.raises(encodings.EncodingError) as caught:
        encodings.decoded(content, encoding=encoding)
    return str(caught.value)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("stated", ["", "cp1252"])
def test_utf_8_and_marked_utf_16_are_known_by_themselves(encoding, stated):
    assert encodings.decoded(TEXT.encode(encoding), encoding=stated) == TEXT


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_utf_16_of_either_order_is_known_by_its_mark(encoding):
    content = ("\ufeff" + TEXT).encode(encoding)
    assert encodings.decoded(content, encoding="") == TEXT


@pytest.mark.parametrize("encoding", ["cp1252", "cp850", "mac-roman"])
def test_the_encoding_that_fits_is_named_with_the_line_to_write(encoding):
    content = TEXT.encode(encoding)
    words = _refused(content)
    assert f"not UTF-8; {encoding} fits, with " in words
    assert f"write in config.yaml under study the line `encoding: {encoding}`" in words
    assert encodings.decoded(content, encoding=encoding) == TEXT
    signs = words.partition("with ")[2].partition(" in it")[0].split()
    assert set(signs) == {sign for sign in TEXT if not sign.isascii()}


def test_no_more_of_a_table_is_shown_than_its_letters():
    assert "Zürich" not in _refused(TEXT.encode("cp1252"))


def test_bytes_that_are_no_text_are_not_given_an_encoding():
    words = _refused(bytes(range(128, 256)))
    assert words == "not UTF-8; save the table again as CSV in UTF-8"


def test_a_stated_encoding_that_does_not_fit_is_refused():
    words = _refused("Š\u0081".encode("cp850", "replace") + b"\x81", "cp1252")
    assert words.startswith("neither UTF-8 nor cp1252; ")


def test_broken_utf_16_is_refused_in_words():
    words = _refused("\ufeffab".encode("utf-16-le")[:-1], "cp1252")
    assert words == "not UTF-8; save the table again as CSV in UTF-8"
