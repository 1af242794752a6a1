"""YAML laid out for people: one rule a line, each with a note on where it comes from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from seatwright.render.quote import Quoted, yaml, yaml_comment


class Lines(tuple[object, ...]):
    """A list that is written one member a line; other lists are written in brackets."""

    __slots__ = ()


class Pairs(dict[str, object]):
    """A dictionary that is written one pair a line; others are written in braces."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Noted:
    """A value with a note that follows it as a comment."""

    value: object
    note: str


def variable(name: str, value: object) -> Quoted:
    """``name: value`` and what belongs to it, without the last line's end."""
    return Quoted("\n".join(_pair(name, value, "")))


def _pair(name: str, value: object, indent: str) -> Iterator[str]:
    key = f"{indent}{yaml(name)}:"
    if _is_block(value):
        yield key
        yield from _block(value, f"{indent}  ")
    else:
        yield f"{key} {_inline(value)}"


def _block(value: object, indent: str) -> Iterator[str]:
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _pair(name, inner, indent)
    elif isinstance(value, Lines):
        for member in value:
            yield from _member(member, indent)


def _member(member: object, indent: str) -> Iterator[str]:
    """One entry of a list: its first line starts with the dash."""
    if _is_block(member):
        first, *rest = _block(member, f"{indent}  ")
        yield f"{indent}- {first.lstrip()}"
        yield from rest
    else:
        yield f"{indent}- {_inline(member)}"


def _is_block(value: object) -> bool:
    if isinstance(value, Lines | Pairs):
        return bool(value)
    return isinstance(value, dict) and any(_is_block(inner) for inner in value.values())


def _inline(value: object) -> str:
    if not isinstance(value, Noted):
        return yaml(value)
    note = yaml_comment(value.note)
    return f"{yaml(value.value)}  # {note}" if note else yaml(value.value)
