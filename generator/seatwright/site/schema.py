"""JSON Schema 2020-12 of the files a person writes, made from the vocabulary alone.

A schema sees what an editor's YAML reader made of the text; so it can say less than the reading
does: that names exist, that hubs are listed, that ``1.1`` was no bcdDevice.
"""

from __future__ import annotations

import json
from typing import Any

from seatwright.site.declare import Record, Schema
from seatwright.site.vocabulary import PART, RECORDS, SITE

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def site_schema() -> Schema:
    """The schema of a site's file."""
    return schema_of(SITE, "A site of thin clients")


def part_schema() -> Schema:
    """The schema of a further file of a site."""
    return schema_of(PART, "A part of a site of thin clients")


def schema_of(record: Record, title: str) -> Schema:
    """The schema of a record, the records in it once each below ``$defs``."""
    whole = {name: inner.json_schema() for name, inner in RECORDS.items() if name}
    schema = with_references(record.json_schema(), whole)
    used = names_referred_to(schema, whole)
    definitions = {name: with_references(whole[name], whole, name) for name in whole}
    return {
        "$schema": DIALECT,
        "title": title,
        **schema,
        "$defs": {name: definitions[name] for name in definitions if name in used},
    }


def with_references(schema: Any, whole: dict[str, Schema], inside: str = "") -> Any:
    """The schema with every record in it replaced by a reference (not the one it is itself)."""
    if isinstance(schema, list):
        return [with_references(inner, whole) for inner in schema]
    if not isinstance(schema, dict):
        return schema
    content = {key: inner for key, inner in schema.items() if key != "description"}
    for name, other in whole.items():
        if name != inside and content == other:
            sentence = {key: schema[key] for key in ("description",) if key in schema}
            return {**sentence, "$ref": f"#/$defs/{name}"}
    return {key: with_references(inner, whole) for key, inner in schema.items()}


def names_referred_to(schema: Any, whole: dict[str, Schema]) -> set[str]:
    """The records that a schema needs, those that they need included."""
    text = json.dumps(schema)
    used = {name for name in whole if f'"#/$defs/{name}"' in text}
    inner = [names_referred_to(with_references(whole[name], whole, name), whole) for name in used]
    return used.union(*inner)


def schema_text(schema: Schema) -> str:
    """A schema as it is written to a file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
