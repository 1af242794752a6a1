"""usb/filter.py: what is read, what is refused and how, and the decision's every reason.

That the decision is usbredir's is tested in tests/oracle.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import (
    ANY,
    Check,
    FilterError,
    Reason,
    Rule,
    decide,
    decide_strict,
    format_rules,
    parse_rules,
)

STORAGE = Interface(0x08, 0x06, 0x50)
PLAIN_HID = Interface(0x03, 0, 0)
BOOT_KEYBOARD = Interface(0x03, 1, 1)
STORAGE_ONLY = (Rule(0x08, allow=True), Rule())

NUMBERS = st.one_of(st.just(ANY), st.integers(0, 0xFFFF))
RULES = st.builds(
    Rule, st.one_of(st.just(ANY), st.integers(0, 0xFF)), NUMBERS, NUMBERS, NUMBERS, st.booleans()
)


def stick(*interfaces: Interface, device_class: int = 0, configured: bool = True) -> Device:
    return Device(
        0x1209, 0x0003, 0x0110, device_class, interfaces=interfaces, configured=configured
    )


def test_reads_decimal_hexadecimal_and_any() -> None:
    assert parse_rules("0x08,4617,0X0003,-1,1|-1,-1,-1,-1,0") == (
        Rule(0x08, 0x1209, 0x0003, ANY, True),
        Rule(ANY, ANY, ANY, ANY, False),
    )


def test_reads_with_the_separators_of_qemu() -> None:
    rules = parse_rules("8:-1:-1:-1:1|-1:-1:-1:-1:0", ":")
    assert rules == STORAGE_ONLY
    assert format_rules(rules, ":") == "0x08:-1:-1:-1:1|-1:-1:-1:-1:0"


@given(st.lists(RULES, min_size=1, max_size=20))
def test_round_trip(rules: list[Rule]) -> None:
    assert parse_rules(format_rules(rules)) == tuple(rules)
    assert parse_rules(format_rules(rules, ":", ";"), ":", ";") == tuple(rules)


@given(st.text(alphabet="0189xXaf-+,| \t", max_size=30))
def test_any_text_is_read_or_refused_inside_the_text(text: str) -> None:
    try:
        rules = parse_rules(text)
    except FilterError as error:
        assert 0 <= error.offset <= len(text)
        assert error.message and error.hint
    else:
        assert parse_rules(format_rules(rules)) == rules


@pytest.mark.parametrize(
    ("text", "offset", "rule", "words"),
    [
        ("", 0, 0, "empty"),
        ("|8,1,1,1,1", 0, 0, "begins with"),
        ("8,1,1,1,1|", 9, 1, "ends with"),
        ("8,1,1,1,1||8,1,1,1,1", 10, 1, "doubles"),
        ("8,,1,1,1,1", 2, 0, "doubled"),
        ("8,1,1,1,1,", 10, 0, "stands at an end"),
        ("8,1,1,1", 0, 0, "this one has 4"),
        ("8,1,1,1,1|8,1,1,1,1,1", 10, 1, "this one has 6"),
        ("8,010,1,1,1", 2, 0, "octal to usbredir"),
        ("8,08,1,1,1", 2, 0, "not octal"),
        ("8,+1,1,1,1", 2, 0, "plus sign"),
        ("8, 1,1,1,1", 2, 0, "blank before"),
        ("8,1 ,1,1,1", 2, 0, "blank after"),
        ("8,1,1,1,1\n", 8, 0, "blank after"),
        ("8,-2,1,1,1", 2, 0, "only -1"),
        ("8,-0x1,1,1,1", 2, 0, "only -1"),
        ("8,0x,1,1,1", 2, 0, "not a number"),
        ("8,\u0661,1,1,1", 2, 0, "not a number"),
        ("8,1\0,1,1,1", 2, 0, "not a number"),
        ("256,1,1,1,1", 0, 0, "above 255"),
        ("8,0x10000,1,1,1", 2, 0, "above 65535"),
        ("4294967304,1,1,1,1", 0, 0, "cut it to 32 bits and read 8"),
        ("9" * 5000 + ",1,1,1,1", 0, 0, "cut it to 32 bits and read -1"),
        ("0x" + "f" * 5000 + ",1,1,1,1", 0, 0, "cut it to 32 bits and read -1"),
        ("8,1,1,1,2", 8, 0, "neither 0 nor 1"),
        ("8,1,1,1,-1", 8, 0, "neither 0 nor 1"),
    ],
)
def test_refuses_with_a_place(text: str, offset: int, rule: int, words: str) -> None:
    with pytest.raises(FilterError) as caught:
        parse_rules(text)
    assert words in caught.value.message
    assert (caught.value.offset, caught.value.rule) == (offset, rule)
    assert caught.value.hint
    assert str(caught.value).isprintable() and len(str(caught.value)) < 250


@pytest.mark.parametrize("pair", [(",", ","), ("", "|"), ("1", "|"), (",,", "|"), (" ", "|")])
def test_unfit_separators_are_the_callers_mistake(pair: tuple[str, str]) -> None:
    with pytest.raises(ValueError, match="separators"):
        parse_rules("8,1,1,1,1", *pair)


def test_an_empty_list_is_not_written() -> None:
    with pytest.raises(FilterError, match="without rules"):
        format_rules(())


@pytest.mark.parametrize("fields", [{"usb_class": 256}, {"vendor": 65536}, {"version": -2}])
def test_a_rule_out_of_range_does_not_exist(fields: dict[str, int]) -> None:
    with pytest.raises(ValueError, match="out of range"):
        Rule(**fields)  # type: ignore[arg-type]


def test_allowed_with_what_was_checked() -> None:
    decision = decide(STORAGE_ONLY, stick(STORAGE, STORAGE))
    assert decision.allowed and decision.reason is Reason.ALLOWED and decision.rule == 0
    assert decision.checks == (Check(0, 0x08, 0, True), Check(1, 0x08, 0, True))


def test_the_first_failure_decides_and_ends_the_checks() -> None:
    decision = decide(STORAGE_ONLY, stick(STORAGE, BOOT_KEYBOARD, STORAGE))
    assert (decision.allowed, decision.reason, decision.rule) == (False, Reason.DENIED_BY_RULE, 1)
    assert decision.checks[-1] == Check(1, 0x03, 1, False)


def test_the_device_class_comes_first_unless_it_says_nothing() -> None:
    assert decide(STORAGE_ONLY, stick(STORAGE, device_class=0x02)).checks == (
        Check(None, 0x02, 1, False),
    )
    assert decide(STORAGE_ONLY, stick(STORAGE, device_class=0xEF)).allowed


def test_no_rule_is_a_refusal_of_its_own() -> None:
    decision = decide((Rule(0x0E),), stick(STORAGE))
    assert (decision.allowed, decision.reason, decision.rule) == (False, Reason.NO_RULE, None)
    by_default = decide((Rule(0x0E),), stick(STORAGE), default_allow=True)
    assert (by_default.allowed, by_default.reason) == (True, Reason.ALLOWED_BY_DEFAULT)


def test_version_is_compared_exactly() -> None:
    assert decide((Rule(version=0x0110, allow=True),), stick(STORAGE)).allowed
    assert not decide((Rule(version=0x0101, allow=True),), stick(STORAGE)).allowed


def test_first_loophole_storage_with_a_plain_hid_interface() -> None:
    trojan = stick(STORAGE, PLAIN_HID)
    plain = decide(STORAGE_ONLY, trojan)
    assert plain.allowed and plain.skipped == (1,)
    assert not decide(STORAGE_ONLY, trojan, strict=True).allowed
    assert decide_strict(STORAGE_ONLY, trojan).reason is Reason.DENIED_BY_RULE


def test_plain_hid_is_checked_when_it_is_all_there_is() -> None:
    for interfaces in ([PLAIN_HID], [PLAIN_HID, PLAIN_HID]):
        decision = decide(STORAGE_ONLY, stick(*interfaces))
        assert not decision.allowed and decision.skipped == ()


def test_an_interface_of_unknown_subclass_is_never_skipped() -> None:
    for unknown in (Interface(0x03), Interface(0x03, 0, None), Interface(0x03, None, 0)):
        assert not decide(STORAGE_ONLY, stick(STORAGE, unknown)).allowed


def test_second_loophole_nothing_to_check() -> None:
    bare = stick(configured=False)
    assert decide((Rule(),), bare).reason is Reason.NOTHING_CHECKED
    assert decide((Rule(),), bare).allowed
    assert decide_strict((Rule(allow=True),), bare).reason is Reason.NOT_CONFIGURED
    assert decide_strict((Rule(allow=True),), stick()).reason is Reason.NO_INTERFACES
