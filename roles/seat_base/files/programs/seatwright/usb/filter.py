"""usbredir's filter: rules, their text, and the two decisions.

Source: the observed behaviour of libusbredirparser 0.13 (``usbredirfilter_string_to_rules``,
``usbredirfilter_check``), which tests/oracle compares with this module.  Reading is narrower
than the library: spellings that it takes for something else than they look like are refused.
This file is copied to the seat as it is: standard library only.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from seatwright.usb.device import Device, Interface

ANY = -1
"""Matches every value of a field."""

FIELDS = ("class", "vendor", "product", "version", "allow")
"""The fields of a rule in the order of its text."""

_HIGHEST = {"class": 0xFF, "vendor": 0xFFFF, "product": 0xFFFF, "version": 0xFFFF}
_PLAIN_NUMBER = re.compile(r"-1|0[xX][0-9a-fA-F]+|0|[1-9][0-9]*")
_C_BLANKS = " \t\n\v\f\r"
_LONG_MAX = 2**63 - 1
_DIGITS_THAT_FIT = 19  # more decimal digits than this are above 2**63 - 1
_SHOWN = 40


class FilterError(ValueError):
    """A rule string that is not taken.

    ``offset`` counts characters from 0 in the whole string, ``rule`` counts rules from 0;
    ``message`` is one sentence, ``hint`` says what to write instead.
    """

    def __init__(self, message: str, *, offset: int, rule: int = 0, hint: str = "") -> None:
        super().__init__(f"rule {rule + 1}, character {offset + 1}: {message}")
        self.message = message
        self.offset = offset
        self.rule = rule
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule, first match wins: class -1..255, the other fields -1..65535; -1 is any.

    ValueError for a field out of its range (the library answers -EINVAL to such a list).
    """

    usb_class: int = ANY
    vendor: int = ANY
    product: int = ANY
    version: int = ANY
    allow: bool = False

    def __post_init__(self) -> None:
        if not (
            ANY <= self.usb_class <= 0xFF
            and ANY <= self.vendor <= 0xFFFF
            and ANY <= self.product <= 0xFFFF
            and ANY <= self.version <= 0xFFFF
        ):
            raise ValueError(
                f"a rule's field is out of range (class -1..255, others -1..65535): {self!r}"
            )


class Reason(StrEnum):
    """Why a decision is what it is."""

    ALLOWED = "allowed"
    """Every check met a rule that allows."""
    ALLOWED_BY_DEFAULT = "allowed-by-default"
    """At least one check met no rule, and the default was to allow."""
    NOTHING_CHECKED = "nothing-checked"
    """No class of the device was there to check, so nothing could deny it."""
    DENIED_BY_RULE = "denied-by-rule"
    """A rule denied (the library: -EPERM)."""
    NO_RULE = "no-rule"
    """No rule matched (the library: -ENOENT)."""
    NOT_CONFIGURED = "not-configured"
    """Strict only: no configuration is active."""
    NO_INTERFACES = "no-interfaces"
    """Strict only: the active configuration has no interfaces."""


@dataclass(frozen=True, slots=True)
class Check:
    """One question put to the rules.

    ``interface`` is a position in the device's interfaces, None for the device class;
    ``rule`` is the index of the first rule that matched, None where none did.
    """

    interface: int | None
    usb_class: int
    rule: int | None
    allowed: bool


@dataclass(frozen=True, slots=True)
class Decision:
    """What the rules say of a device, and how they came to it.

    ``rule`` is the rule of the check that decided: the one that failed, else the last.
    ``skipped`` are the interfaces that were not looked at because they are 3/0/0 HID.
    """

    allowed: bool
    reason: Reason
    rule: int | None
    checks: tuple[Check, ...]
    skipped: tuple[int, ...] = ()


def decide(
    rules: Sequence[Rule], device: Device, *, default_allow: bool = False, strict: bool = False
) -> Decision:
    """What ``usbredirfilter_check`` decides, with reasons.

    ``default_allow`` is its flag 1, ``strict`` its flag 2 (3/0/0 HID interfaces are checked in
    devices with several interfaces too).  An interface whose subclass and protocol are not
    known is never skipped.
    """
    skipped = () if strict else _skipped(device.interfaces)
    checks: list[Check] = []
    for position, usb_class in _questions(device, skipped):
        check = _check(rules, device, position, usb_class, default_allow)
        checks.append(check)
        if not check.allowed:
            reason = Reason.NO_RULE if check.rule is None else Reason.DENIED_BY_RULE
            return Decision(False, reason, check.rule, tuple(checks), skipped)
    if not checks:
        return Decision(True, Reason.NOTHING_CHECKED, None, (), skipped)
    by_default = any(check.rule is None for check in checks)
    reason = Reason.ALLOWED_BY_DEFAULT if by_default else Reason.ALLOWED
    return Decision(True, reason, checks[-1].rule, tuple(checks), skipped)


def decide_strict(rules: Sequence[Rule], device: Device) -> Decision:
    """What our session decides: nothing skipped, default deny, and never a device that has no
    active configuration or no interface (usbredir lets such devices pass unseen).
    """
    if not device.configured:
        return Decision(False, Reason.NOT_CONFIGURED, None, ())
    if not device.interfaces:
        return Decision(False, Reason.NO_INTERFACES, None, ())
    return decide(rules, device, strict=True)


def checked_classes(device: Device, *, strict: bool = False) -> frozenset[int]:
    """The classes that have to pass: a device is let through if each of them is."""
    skipped = () if strict else _skipped(device.interfaces)
    return frozenset(usb_class for _, usb_class in _questions(device, skipped))


def _skipped(interfaces: Sequence[Interface]) -> tuple[int, ...]:
    """Positions of the 3/0/0 interfaces, unless they are all there is."""
    plain_hid = tuple(
        position
        for position, interface in enumerate(interfaces)
        if interface.usb_class == 0x03 and interface.subclass == 0 and interface.protocol == 0
    )
    return () if len(plain_hid) == len(interfaces) else plain_hid


def _questions(device: Device, skipped: Sequence[int]) -> list[tuple[int | None, int]]:
    """The classes that are checked, in the library's order.

    Device class 0x00 refers to the interfaces, 0xEF is for composite devices: both say nothing.
    """
    questions: list[tuple[int | None, int]] = []
    if device.device_class not in (0x00, 0xEF):
        questions.append((None, device.device_class))
    for position, interface in enumerate(device.interfaces):
        if position not in skipped:
            questions.append((position, interface.usb_class))
    return questions


def _check(
    rules: Sequence[Rule], device: Device, position: int | None, usb_class: int, default: bool
) -> Check:
    """The first rule that matches decides."""
    for index, rule in enumerate(rules):
        if (
            (rule.usb_class == usb_class or rule.usb_class == ANY)
            and (rule.vendor == ANY or rule.vendor == device.vendor)
            and (rule.product == ANY or rule.product == device.product)
            and (rule.version == ANY or rule.version == device.bcd_device)
        ):
            return Check(position, usb_class, index, rule.allow)
    return Check(position, usb_class, None, default)


def format_rules(
    rules: Sequence[Rule], field_separator: str = ",", rule_separator: str = "|"
) -> str:
    """The text of a list, spelt as the library spells it (``0x08,0x1209,-1,-1,1``).

    FilterError for an empty list: an empty string reads as "no filter" in some places and as
    "nothing passes" in others, so it is never written.
    """
    _check_separators(field_separator, rule_separator)
    if not rules:
        raise FilterError("a list without rules has no text", offset=0, hint=_HINT_EMPTY)
    return rule_separator.join(_format_rule(rule, field_separator) for rule in rules)


def _format_rule(rule: Rule, separator: str) -> str:
    numbers = [
        "-1" if value == ANY else f"0x{value:0{width}x}"
        for value, width in (
            (rule.usb_class, 2),
            (rule.vendor, 4),
            (rule.product, 4),
            (rule.version, 4),
        )
    ]
    return separator.join([*numbers, "1" if rule.allow else "0"])


_HINT_EMPTY = "to deny everything, write -1,-1,-1,-1,0"


def parse_rules(
    text: str, field_separator: str = ",", rule_separator: str = "|"
) -> tuple[Rule, ...]:
    """The rules of a filter string, for instance ``0x08,-1,-1,-1,1|-1,-1,-1,-1,0``.

    Numbers are decimal or hexadecimal (``0x``); ``-1`` is any; ``allow`` is 0 or 1.
    FilterError for everything that libusbredirparser refuses, and for what it takes in a way
    that does not show: octal, signs, blanks, numbers cut to 32 bits, doubled separators, an
    empty string.
    """
    _check_separators(field_separator, rule_separator)
    if not text:
        raise FilterError("the string is empty, so it holds no rule", offset=0, hint=_HINT_EMPTY)
    rules = []
    offset = 0
    for number, part in enumerate(text.split(rule_separator)):
        if not part:
            raise _empty_rule(text, offset, number, rule_separator)
        rules.append(_parse_rule(part, offset, number, field_separator))
        offset += len(part) + 1
    return tuple(rules)


def _check_separators(field_separator: str, rule_separator: str) -> None:
    """Separators are the caller's choice, not input: ValueError for unfit ones."""
    fit = re.compile(r"[^0-9a-zA-Z+\-\s\0]")
    both = (field_separator, rule_separator)
    if field_separator == rule_separator or not all(fit.fullmatch(one) for one in both):
        raise ValueError(f"two different single characters are needed as separators, not {both!r}")


def _empty_rule(text: str, offset: int, number: int, separator: str) -> FilterError:
    where = "begins with" if offset == 0 else "ends with" if offset == len(text) else "doubles"
    return FilterError(
        f"the string {where} the separator {separator!r}, so a rule is empty",
        offset=max(offset - 1, 0) if offset == len(text) else offset,
        rule=number,
        hint=f"remove it: one {separator!r} between two rules, none around them",
    )


def _parse_rule(part: str, offset: int, number: int, separator: str) -> Rule:
    fields = part.split(separator)
    starts = [offset]
    for field in fields:
        starts.append(starts[-1] + len(field) + 1)
    for field, start in zip(fields, starts, strict=False):
        if not field:
            raise FilterError(
                f"a field is empty: the separator {separator!r} is doubled or stands at an end",
                offset=start,
                rule=number,
                hint="write -1 for any value",
            )
    if len(fields) != len(FIELDS):
        raise FilterError(
            f"a rule has five fields ({', '.join(FIELDS)}), this one has {len(fields)}",
            offset=offset,
            rule=number,
            hint=f"separate fields by {separator!r}",
        )
    values = [
        _parse_field(name, field, start, number)
        for name, field, start in zip(FIELDS, fields, starts, strict=False)
    ]
    usb_class, vendor, product, version, allow = values
    return Rule(usb_class, vendor, product, version, allow == 1)


def _parse_field(name: str, text: str, offset: int, number: int) -> int:
    if not _PLAIN_NUMBER.fullmatch(text):
        message, hint = _odd_spelling(text)
        raise FilterError(f"{name}: {message}", offset=offset, rule=number, hint=hint)
    value = _number(text)
    if name == "allow":
        if value not in (0, 1):
            raise FilterError(
                f"allow: {_shown(text)} is neither 0 nor 1 (usbredir takes what is not 0 for 1)",
                offset=offset,
                rule=number,
                hint="write 1 to let the device through, 0 to keep it",
            )
        return value
    if value > _HIGHEST[name]:
        raise _too_large(name, text, value, offset, number)
    return value


def _number(text: str) -> int:
    """The value, or the nearest one that C's long holds (as strtol does)."""
    if text[:2] in ("0x", "0X"):
        return min(int(text, 16), _LONG_MAX)
    return _LONG_MAX if len(text) > _DIGITS_THAT_FIT else min(int(text), _LONG_MAX)


def _too_large(name: str, text: str, value: int, offset: int, number: int) -> FilterError:
    highest = _HIGHEST[name]
    cut = (value + 2**31) % 2**32 - 2**31
    taken = ANY <= cut <= highest
    note = f"; usbredir would cut it to 32 bits and read {cut}" if taken else ""
    return FilterError(
        f"{name}: {_shown(text)} is above {highest} ({highest:#x}){note}",
        offset=offset,
        rule=number,
        hint=f"{name} is -1 (any) or 0 to {highest}",
    )


def _odd_spelling(text: str) -> tuple[str, str]:
    """What is wrong with a field that is no plain number, and what to write instead."""
    shown = _shown(text)
    if text[0] in _C_BLANKS:
        return f"there is a blank before the number in {shown}", "remove the blank"
    if text[-1] in _C_BLANKS:
        return f"there is a blank after the number in {shown}", "remove the blank"
    if re.fullmatch(r"0[0-7]+", text):
        read = f", which reads {int(text, 8)}" if len(text) < _DIGITS_THAT_FIT else ""
        return f"{shown} is octal to usbredir{read}", "write the number without the leading 0"
    if re.fullmatch(r"0[0-9]+", text):
        return f"{shown} begins with 0 but is not octal", "leave the leading 0 out, or write 0x"
    if text[0] == "+":
        return f"{shown} has a plus sign", "leave the sign out"
    if re.fullmatch(r"-(0[xX][0-9a-fA-F]+|[0-9]+)", text):
        return f"{shown} is negative, which only -1 may be", "write -1 for any value"
    return f"{shown} is not a number", "write a decimal number, 0x and hexadecimal digits, or -1"


def _shown(text: str) -> str:
    """Foreign text for a message: printable, not too long."""
    return ascii(text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "...")
