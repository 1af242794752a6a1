"""What can be seen of a policy's lines by themselves, such as two that contradict word by word.

Whether two lines of one rank contradict at some device is proved when the policy is compiled.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from seatwright.findings.finding import SourcePath
from seatwright.findings.problem import Problem
from seatwright.findings.words import shown
from seatwright.site.build import line_text, match_of, peripheral_of
from seatwright.site.declare import BROKEN, broken
from seatwright.site.lines import EVERYTHING, class_code
from seatwright.site.types import Peripheral, Verdict
from seatwright.usb.classes import BY_NAME

Values = Mapping[str, Any]


def line_problems(values: Values) -> Iterator[Problem]:
    """What is wrong with the lines of policies, and of their sockets."""
    # What a peripheral sends is no matter of lines, and its keys may not go together.
    peripherals = {
        name: peripheral_of(name, {**read, "stream": None, "descriptors": None})
        for name, read in values["peripherals"].items()
        if not broken(read)
    }
    for path, lines in groups_of_lines(values["policies"]):
        yield from contradictions_among(lines, path, peripherals)
        yield from releases_of_vendors(lines, path)


def groups_of_lines(policies: Any) -> Iterator[tuple[SourcePath, Values]]:
    """The lines of each policy, and of each of its sockets, that could be read."""
    for name, policy in policies.items():
        if policy is BROKEN:
            continue
        path: SourcePath = ("policies", name)
        yield path, policy
        if policy["sockets"] is BROKEN:
            continue
        for label, inner in policy["sockets"].items():
            if inner is not BROKEN:
                yield (*path, "sockets", label), inner


def contradictions_among(
    values: Values, path: SourcePath, peripherals: Mapping[str, Peripheral]
) -> Iterator[Problem]:
    """The contradictions in one group of lines."""
    first: dict[tuple[object, ...], tuple[Verdict, SourcePath]] = {}
    for verdict, index, written in readable_lines(values, peripherals):
        match = match_of(written, peripherals)
        about = (match.vendor, match.product, match.bcd_device, match.usb_classes)
        place = (*path, verdict.value, index)
        other, other_place = first.setdefault(about, (verdict, place))
        if other is not verdict:
            message = (
                f"{shown(line_text(written))} stands below {verdict} here, and below {other} in "
                "another line of the same rank."
            )
            also = ((other_place, "the other line"),)
            hint = "Take one of the two out; order does not decide between them."
            yield Problem("contradiction", place, message, hint, also)


def releases_of_vendors(values: Values, path: SourcePath) -> Iterator[Problem]:
    """A release number says something of one product, nothing of all products of a vendor."""
    for verdict, index, written in readable_lines(values, {}):
        if isinstance(written, str) or written["bcdDevice"] is None or not written["id"]:
            continue
        if written["id"][1] is None:
            hint = "Name the product, or leave bcdDevice out."
            message = "bcdDevice says nothing of all products of a vendor."
            place = (*path, verdict.value, index, "bcdDevice")
            yield Problem("wrong-keys", place, message, hint, at_key=True)


def readable_lines(
    values: Values, peripherals: Mapping[str, Peripheral]
) -> Iterator[tuple[Verdict, int, Any]]:
    """The lines that could be read and whose peripheral, if they name one, is described."""
    for verdict in Verdict:
        lines = values[verdict]
        for index, written in enumerate(() if lines is BROKEN else lines):
            if not broken(written) and is_known(written, peripherals):
                yield verdict, index, written


def is_known(written: Any, peripherals: Mapping[str, Peripheral]) -> bool:
    """Whether a line speaks of something there is."""
    if not isinstance(written, str) or written in BY_NAME or written == EVERYTHING:
        return True
    return ":" in written or class_code(written) is not None or written in peripherals
