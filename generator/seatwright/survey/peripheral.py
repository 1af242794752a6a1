"""A plugged device as a peripheral of a site: its entry, put into the person's own file.

New lines are put in and no other line is touched, so comments, order and every blank stay as they
are; the round-trip YAML library tells where they go, and that all else reads as before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from io import StringIO
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap
from ruamel.yaml.error import YAMLError

from seatwright.render.quote import yaml_string
from seatwright.usb.classes import HID, PER_INTERFACE, class_name
from seatwright.usb.device import Device, Interface

SECTION = "peripherals"
STEP = "  "
"""Indentation where a file has none to go by."""


class CannotInsert(Exception):
    """The file cannot be added to: why."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What is written: keys and values, each value as YAML."""

    name: str
    values: Mapping[str, str]

    def lines(self, indent: str, step: str) -> list[str]:
        """In block style, below ``peripherals:``."""
        pairs = [f"{indent}{step}{key}: {value}\n" for key, value in self.values.items()]
        return [f"{indent}{self.name}:\n", *pairs]


def entry_of(name: str, device: Device, title: str, speed: str, descriptors: str) -> Entry:
    """The entry of a device; ``title``, ``speed`` and ``descriptors`` are left out where empty."""
    classes = ", ".join(interface_text(one) for one in device.interfaces)
    values = {
        "title": yaml_string(title) if title else "",
        "id": f'"{device.vendor:04x}:{device.product:04x}"',
        "class": "" if device.device_class == PER_INTERFACE else class_name(device.device_class),
        "interfaces": f"[{classes}]" if classes else "",
        "speed": speed,
        "descriptors": yaml_string(descriptors) if descriptors else "",
    }
    return Entry(name, {key: str(value) for key, value in values.items() if value})


def interface_text(one: Interface) -> str:
    """The class, and for HID subclass and protocol, too: they tell a keyboard from a pedal."""
    if one.usb_class == HID:
        return f"{class_name(one.usb_class)}/{one.subclass or 0}/{one.protocol or 0}"
    return class_name(one.usb_class)


def inserted(text: str, entry: Entry) -> str:
    """The file with the entry in it, last of its peripherals. Raises CannotInsert."""
    before = _loaded(text)
    section = before.get(SECTION)
    if section is None:
        after = _appended(text, entry) if SECTION not in before else _below_key(text, before, entry)
    elif not isinstance(section, CommentedMap):
        raise CannotInsert("what stands below peripherals is no list of names with their keys")
    elif entry.name in section:
        line = section.lc.key(entry.name)[0] + 1
        raise CannotInsert(f"there is a peripheral {entry.name} already, in line {line}")
    elif not section or section.fa.flow_style():
        after = _in_braces(text, entry)
    else:
        after = _last(text, before, section, entry)
    _check(before, _loaded(after), entry)
    return after


def _loaded(text: str) -> CommentedMap:
    try:
        found = YAML(typ="rt").load(text)
    except YAMLError as error:
        raise CannotInsert(f"the YAML library cannot read it: {error}") from None
    if not isinstance(found, CommentedMap):
        raise CannotInsert("it is no description of a site")
    return found


def _appended(text: str, entry: Entry) -> str:
    end = "" if text.endswith("\n") or not text else "\n"
    return f"{text}{end}\n{SECTION}:\n{''.join(entry.lines(STEP, STEP))}"


def _below_key(text: str, whole: CommentedMap, entry: Entry) -> str:
    """Right below a ``peripherals:`` that has nothing yet."""
    lines = _lines(text)
    at = whole.lc.key(SECTION)[0] + 1
    return "".join([*lines[:at], *entry.lines(STEP, STEP), *lines[at:]])


def _last(text: str, whole: CommentedMap, section: CommentedMap, entry: Entry) -> str:
    """After the last line of the section, before comments and blank lines that follow it."""
    lines = _lines(text)
    first = section.lc.key(next(iter(section)))
    indent = " " * int(first[1])
    below = [whole.lc.key(key)[0] for key in whole if whole.lc.key(key)[0] > first[0]]
    end = min(below, default=len(lines))
    while end > first[0] + 1 and _is_between(lines[end - 1], indent):
        end -= 1
    step = _step(section) or STEP
    return "".join([*lines[:end], *entry.lines(indent, step), *lines[end:]])


def _lines(text: str) -> list[str]:
    """The lines with their ends; the last one gets one."""
    lines = text.split("\n")
    last = lines.pop()
    return [*(f"{line}\n" for line in lines), *([f"{last}\n"] if last else [])]


def _is_between(line: str, indent: str) -> bool:
    """Blank, a document's end, or a comment further left than the entries are."""
    bare = line.strip()
    comment = bare.startswith("#") and not line.startswith(indent)
    return not bare or bare in ("...", "---") or comment


def _step(section: CommentedMap) -> str:
    """How far the keys of an entry are indented below its name; "" where no entry tells."""
    for name, value in section.items():
        if isinstance(value, CommentedMap) and value and not value.fa.flow_style():
            key = value.lc.key(next(iter(value)))
            return " " * max(1, int(key[1]) - int(section.lc.key(name)[1]))
    return ""


def _in_braces(text: str, entry: Entry) -> str:
    """A section in braces is written anew by the library; it keeps the comments."""
    yaml = YAML(typ="rt")
    yaml.preserve_quotes = True
    yaml.width = 10**6
    whole = yaml.load(text)
    whole[SECTION][entry.name] = yaml.load("{" + ", ".join(_pairs(entry)) + "}")
    stream = StringIO()
    yaml.dump(whole, stream)
    return stream.getvalue()


def _pairs(entry: Entry) -> list[str]:
    return [f"{key}: {value}" for key, value in entry.values.items()]


def _check(before: CommentedMap, after: CommentedMap, entry: Entry) -> None:
    """All that was there reads as before, in its order, and the entry has come."""
    added = (after.get(SECTION) or {}).get(entry.name)
    if added is None:
        raise CannotInsert("the new lines would not be read as a peripheral")
    rest = _plain(after)
    del rest[SECTION][entry.name]
    whole = _plain(before)
    if not whole.get(SECTION):
        whole.pop(SECTION, None)
        rest.pop(SECTION)
    if _ordered(rest) != _ordered(whole):
        raise CannotInsert("other lines would read otherwise with it")


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, list) else value


def _ordered(value: Any) -> Any:
    """The same with the order of keys in it."""
    if isinstance(value, dict):
        return [(key, _ordered(one)) for key, one in value.items()]
    return [_ordered(one) for one in value] if isinstance(value, list) else value
