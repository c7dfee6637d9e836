"""Content as text: what the report says in one JSON file, from which documents are made."""

import json
from dataclasses import asdict
from typing import Any

from icpcohort.report.sections.blocks import (
    Block,
    Bullets,
    Caution,
    Content,
    GridBlock,
    Item,
    Link,
    Paragraph,
    PictureBlock,
    Section,
)
from icpcohort.report.tables.grid import Grid

KINDS: dict[str, type[Block]] = {
    one.kind: one for one in (Paragraph, Bullets, Caution, GridBlock, PictureBlock)
}


def as_json(content: Content) -> str:
    """Return all that the report says as JSON; `from_json` gives the same content back."""
    plain = asdict(content) | {"sections": [_section(one) for one in content.sections]}
    return json.dumps(plain, ensure_ascii=False, indent=1) + "\n"


def _section(section: Section) -> dict[str, Any]:
    blocks = [{"kind": block.kind, **asdict(block)} for block in section.blocks]
    parts = [_section(part) for part in section.parts]
    return {"id": section.id, "heading": section.heading, "blocks": blocks, "parts": parts}


def from_json(text: str) -> Content:
    """Return the content that `as_json` wrote."""
    read = json.loads(text)
    return Content(**read | {"sections": tuple(map(_read_section, read["sections"]))})


def _read_section(read: dict[str, Any]) -> Section:
    blocks = tuple(map(_read_block, read["blocks"]))
    return Section(
        read["id"], read["heading"], blocks, tuple(map(_read_section, read["parts"]))
    )


def _read_block(read: dict[str, Any]) -> Block:
    values = {name: value for name, value in read.items() if name != "kind"}
    if "grid" in values:
        values["grid"] = Grid(*values["grid"])
        values["ways"] = tuple(map(_links, values["ways"]))
    if "links" in values:
        values["links"] = _links(values["links"])
    if "items" in values:
        values["items"] = tuple(
            Item(**item | {"links": _links(item["links"])}) for item in values["items"]
        )
    return KINDS[read["kind"]](**values)


def _links(read: list[dict[str, str]]) -> tuple[Link, ...]:
    return tuple(Link(**link) for link in read)
