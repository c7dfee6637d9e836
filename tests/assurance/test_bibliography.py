"""Promise: whatever cites a publication names one of the bibliography, by its key.

A citation is found by its form: "Firth 1993", "Harrell, Lee and Mark 1996", "Murray et al.
2005", "Hyndman and Fan (1996)". Standards (RFC) have numbers that look like years, and are left
out.
"""

import ast
import difflib
import io
import re
import tokenize
from pathlib import Path

import pytest
import yaml

from icpcohort.contracts import bibliography, bibliography_page
from icpcohort.contracts.bibliography import READ, SOURCES

REPOSITORY = Path(__file__).parents[2]
LIBRARY = REPOSITORY / "src/icpcohort"
COMMAND = "python -m icpcohort.contracts.bibliography_page > docs/bibliography.md"
AUTHOR = r"(?:(?:van|von) )?(?!RFC\b)[A-Z][\w'’-]*[A-Za-z]"
CITATION = re.compile(
    rf"\b({AUTHOR})(?:(?:, {AUTHOR})*,? (?:and|&) (?:{AUTHOR}|others)|,? et al\.?)?,? "
    r"\(?((?:1[89]|20)\d\d[a-z]?)(?![\w-])"
)
CODE = [path for path in LIBRARY.rglob("*.py") if path.name != "bibliography.py"]
CHECKS = sorted(REPOSITORY.glob("tests/reference/*.py"))


def keys_in(text):
    """Return the keys that the citations in a text would have, if each had one."""
    return {f"{author} {year}" for author, year in CITATION.findall(" ".join(text.split()))}


def words_of(code):
    """Return every text and run of comments of a module, as people read them."""
    texts = [
        " ".join(str(getattr(part, "value", "_")) for part in node.values)
        if isinstance(node, ast.JoinedStr)
        else str(node.value)
        for node in ast.walk(ast.parse(code))
        if isinstance(node, ast.JoinedStr)
        or (isinstance(node, ast.Constant) and isinstance(node.value, str))
    ]
    tokens = tokenize.generate_tokens(io.StringIO(code).readline)
    comments = [one.string.lstrip("# ") for one in tokens if one.type == tokenize.COMMENT]
    return [*texts, " ".join(comments)]


def without_source(path):
    """Return the citations of a Python file that have no key."""
    words = words_of(path.read_text(encoding="utf-8"))
    return set().union(*map(keys_in, words)) - set(SOURCES)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Source: Firth 1993, Biometrika 80:27; Newton's method.", "Firth 1993"),
        ("as in Harrell, Lee and Mark 1996", "Harrell 1996"),
        ("Lind & Mehlum 2010", "Lind 2010"),
        ("bands (Murray et al. 2005)", "Murray 2005"),
        ("Zong et al 2003", "Zong 2003"),
        ("type 7 of Hyndman and Fan (1996)", "Hyndman 1996"),
        ("Hundepool and others 2012", "Hundepool 2012"),
        ("van Buuren 2018, section 4.5", "van Buuren 2018"),
        ("one window: Aries 2012a", "Aries 2012a"),
        ("Albert\n    1984", "Albert 1984"),
    ],
)
def test_a_citation_is_seen_in_each_of_its_forms(text, key):
    assert keys_in(text) == {key}


@pytest.mark.parametrize(
    "text", ["RFC 1951", "ISO 8601-1:2019", "at most 2048", "Draft 2020-12", "in 2024"]
)
def test_what_only_looks_like_a_citation_is_left_alone(text):
    assert keys_in(text) == set()


def test_a_citation_is_seen_in_a_docstring_a_setting_a_comment_and_a_text_with_values():
    code = '"""Of Nobody 1901."""\nx = Setting("a", "Any\\n One 1902")  # Late 1903\n'
    assert set().union(*map(keys_in, words_of(code + 'y = f"{x} by Other 1904"\n'))) == {
        *("Nobody 1901", "One 1902", "Late 1903", "Other 1904")
    }


@pytest.mark.parametrize("path", CODE, ids=lambda path: path.relative_to(LIBRARY).as_posix())
def test_every_citation_of_the_code_has_a_source(path):
    assert without_source(path) == set()


@pytest.mark.parametrize("path", CHECKS, ids=lambda path: path.name)
def test_every_citation_of_a_check_value_has_a_source(path):
    assert without_source(path) == set()


def sources_of(values):
    """Yield what stands under every `source` of a settings file, however deep."""
    for name, value in values.items() if isinstance(values, dict) else enumerate(values):
        if name == "source":
            yield value
        elif isinstance(value, dict | list):
            yield from sources_of(value)


@pytest.mark.parametrize("name", ["presets.yaml", "specifications.yaml"])
def test_every_source_of_the_published_settings_has_a_key(name):
    values = yaml.safe_load((REPOSITORY / "config" / name).read_text(encoding="utf-8"))
    cited = set().union(*map(keys_in, sources_of(values)))
    assert cited
    assert cited <= set(SOURCES)


@pytest.mark.parametrize("key", SOURCES)
def test_a_key_is_the_first_author_and_the_year_of_its_citation(key):
    author, year = key.rsplit(" ", 1)
    citation = SOURCES[key].citation
    assert citation.startswith(author)
    assert year in re.split(r"[ ,]", citation)


def test_a_key_stands_once():
    read, from_memory = bibliography._READ, bibliography._FROM_MEMORY
    assert not set(read) & set(from_memory)
    assert len(SOURCES) == len(read) + len(from_memory)
    text = (LIBRARY / "contracts/bibliography.py").read_text(encoding="utf-8")
    assert [key for key in SOURCES if text.count(f'    "{key}":') != 1] == []


def test_a_letter_is_only_where_two_keys_would_be_the_same():
    years = [re.sub(r"[a-z]$", "", key) for key in SOURCES]
    with_letter = {year for year, key in zip(years, SOURCES, strict=True) if year != key}
    assert with_letter == {year for year in years if years.count(year) > 1}


def test_what_was_not_read_says_so():
    marked = [key for key, source in SOURCES.items() if "[from memory]" in source.in_full()]
    assert marked == [key for key, source in SOURCES.items() if source.status != READ]


def test_sources_are_listed_once_in_the_order_of_the_alphabet():
    texts = ["(Zou 2004; van Buuren 2018)", "Firth\n1993 and Zou 2004", "Aries 2012"]
    listed = [source.key for source in bibliography.cited_in(texts)]
    assert listed == ["Firth 1993", "van Buuren 2018", "Zou 2004"]


def test_every_source_is_cited_somewhere():
    page = bibliography_page.as_markdown(bibliography_page.files_of(REPOSITORY))
    rows = [line for line in page.splitlines() if line.startswith("| ")][1:]
    assert len(rows) == len(SOURCES)
    assert [row for row in rows if row.endswith("|  |")] == []


def test_the_page_is_current():
    difference = "\n".join(
        difflib.unified_diff(
            (REPOSITORY / "docs/bibliography.md").read_text(encoding="utf-8").splitlines(),
            bibliography_page.as_markdown(bibliography_page.files_of(REPOSITORY)).splitlines(),
            "docs/bibliography.md",
            "as the bibliography and the code say now",
            lineterm="",
        )
    )
    assert not difference, (
        f"docs/bibliography.md is out of date; repair it with: {COMMAND}\n{difference}"
    )
