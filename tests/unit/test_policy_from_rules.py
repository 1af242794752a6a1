"""policy/from_rules.py: lines that decide as filter strings do, and where they cannot.

The proof inside is checked from outside: points are decided by the strings with ``usb.filter`` and
by the lines with ``policy.table``, and the printed lines are read back as a part of a site.
"""

from __future__ import annotations

import json
from itertools import combinations
from pathlib import Path
from random import Random

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from seatwright.commands.main import main
from seatwright.plan import PlannedLine, PlannedModel, PlannedPolicy
from seatwright.policy.algebra import Point
from seatwright.policy.from_rules import FromRules, deciding_rule, from_rules
from seatwright.policy.from_rules_words import policy_text, sentences
from seatwright.policy.table import GuardedTable, make_tables
from seatwright.site.read import read_site
from seatwright.site.types import Verdict
from seatwright.usb.classes import HUB
from seatwright.usb.filter import ANY, Rule, format_rules, parse_rules

BARE = PlannedModel(
    name="bare", title="", arch="amd64", link=1, network="internal", onboard=(), sockets=(),
    origin="bare",
)  # fmt: skip


def texts(found: FromRules) -> dict[str, list[str]]:
    said: dict[str, list[str]] = {}
    for line in found.lines:
        said.setdefault(line.verdict, []).append(line.text)
    return said


CASES = {
    "a class and nothing else": (
        "0x08,-1,-1,-1,1|-1,-1,-1,-1,0", {"redirect": ["mass-storage"]},
    ),
    "all but input devices": (
        "0x03,-1,-1,-1,0|-1,-1,-1,-1,1", {"redirect": ["everything"], "keep": ["hid"]},
    ),
    "ids before classes": (
        "-1,0x1209,0x0003,0x0110,0|-1,0x1209,0x0003,-1,1|-1,0x1209,-1,-1,0|0x58,-1,-1,-1,1",
        {
            "redirect": ["0x58", "1209:0003"],
            "keep": ["1209:*", '{id: "1209:0003", bcdDevice: "1.10"}'],
        },
    ),
    "an id's class before a class": (
        "0x06,0x1209,0x0004,-1,0|0x06,-1,-1,-1,1",
        {"redirect": ["image"], "keep": ["1209:0004"]},
    ),
    "rules that are never reached say nothing": (
        "-1,-1,-1,-1,0|0x08,-1,-1,-1,1|-1,0x1209,0x0003,-1,1", {},
    ),
    "a class before an id that decides alike": (
        "0x08,-1,-1,-1,1|-1,0x1209,0x0003,-1,1", {"redirect": ["mass-storage", "1209:0003"]},
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_lines_of_strings(case: str) -> None:
    redirect, expected = CASES[case]
    found = from_rules(parse_rules(redirect), None)
    assert texts(found) == expected
    assert found.differences == () and found.limits == ()


def test_two_strings_make_redirect_and_offer() -> None:
    found = from_rules(
        parse_rules("0x08,-1,-1,-1,1|0x07,-1,-1,-1,1"),
        parse_rules("0x08,-1,-1,-1,1|0x06,-1,-1,-1,1|-1,-1,-1,-1,0"),
    )
    assert texts(found) == {"redirect": ["mass-storage"], "offer": ["image"]}
    assert found.differences == ()
    assert len(found.refused) == 1 and 0x07 in found.refused[0].classes


def test_only_a_permitted_string_makes_offers() -> None:
    found = from_rules(None, parse_rules("0x08,-1,-1,-1,1"))
    assert texts(found) == {"offer": ["mass-storage"]}
    assert found.differences == ()


def test_a_class_rule_before_an_id_rule_is_named_with_its_place() -> None:
    rules = parse_rules("0x08,-1,-1,-1,0|-1,0x1209,0x0003,-1,1")
    found = from_rules(rules, None)
    assert found.lines == ()
    assert [limit.key for limit in found.limits] == [(0x1209, 0x0003, ANY)]
    assert [(one.gained, one.rule) for one in found.differences] == [(False, 1)]
    said = sentences(found, {"redirect": rules})
    assert said[0].startswith(
        "1209:0003: mass-storage is kept (rule 1), every other class is redirected (rule 2)."
    )
    assert "lists the classes" in said[0]
    assert "1209:0003" in said[1] and "the lines keep them" in said[1]


def test_what_a_line_cannot_say_never_lets_more_through_at_an_id() -> None:
    """Everything goes, but of one vendor only images do: then the whole vendor is kept."""
    found = from_rules(parse_rules("0x06,0x1209,-1,-1,1|-1,0x1209,-1,-1,0|-1,-1,-1,-1,1"), None)
    assert texts(found) == {"redirect": ["everything"], "keep": ["1209:*"]}
    assert [one.gained for one in found.differences] == [False]


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("-1,-1,0x0003,-1,0", "No policy line names a product without its vendor."),
        ("-1,-1,-1,0x0110,0", "No policy line names a bcdDevice without an id."),
        ("-1,0x1209,-1,0x0110,0", "No policy line names a bcdDevice without an id."),
    ],
)
def test_fields_that_no_line_can_name_alone(rule: str, words: str) -> None:
    rules = parse_rules(f"{rule}|0x08,-1,-1,-1,1")
    found = from_rules(rules, None)
    assert [(one.gained, one.rule) for one in found.differences] == [(True, 0)]
    assert sentences(found, {"redirect": rules})[-1].endswith(words)


def test_hubs_are_never_let_through_and_that_is_said() -> None:
    assert from_rules(parse_rules("-1,-1,-1,-1,1"), None).hubs
    assert not from_rules(parse_rules("9,-1,-1,-1,0|-1,-1,-1,-1,1"), None).hubs


VALUES = st.sampled_from((ANY, ANY, 1, 2))
RULES = st.lists(
    st.builds(Rule, st.sampled_from((ANY, 3, 8, HUB, 0x58)), VALUES, VALUES, VALUES, st.booleans()),
    max_size=7,
)
OPTIONAL_RULES = st.one_of(st.none(), RULES)
POINTS = [
    Point(usb_class, vendor, product, version)
    for usb_class in (3, 7, 8, HUB, 0x58)
    for vendor in (1, 2, 3)
    for product in (1, 2, 3)
    for version in (1, 2, 3)
]


@given(OPTIONAL_RULES, RULES)
def test_the_proof_is_right_at_every_kind_of_point(
    redirect: list[Rule] | None, permitted: list[Rule]
) -> None:
    """Differences are said exactly where lines and strings decide otherwise."""
    found = from_rules(redirect, permitted)
    table = table_of(found)
    for point in POINTS:
        wanted = wanted_verdict(redirect or (), permitted, point)
        ours = table.at(point.usb_class, point.vendor, point.product, point.version).verdict
        said = {one.string for one in found.differences if point in one.region}
        assert ("permitted" in said) == ((ours == Verdict.KEEP) != (wanted == Verdict.KEEP))
        by_itself = (ours == Verdict.REDIRECT) != (wanted == Verdict.REDIRECT)
        assert ("redirect" in said) == by_itself


def table_of(found: FromRules) -> GuardedTable:
    policy = PlannedPolicy(name="lines", title="", lines=found.lines, origin="lines")
    assert not any(contradict(one, two) for one, two in combinations(found.lines, 2))
    return make_tables(policy, BARE, frozenset()).room


def contradict(one: PlannedLine, two: PlannedLine) -> bool:
    """Whether two lines of one rank say different things of one class."""
    ids = [(line.vendor, line.product, line.bcd_device) for line in (one, two)]
    a_class_and_everything = one.vendor is None and bool(one.usb_classes) != bool(two.usb_classes)
    if one.verdict == two.verdict or ids[0] != ids[1] or a_class_and_everything:
        return False
    shared = set(one.usb_classes) & set(two.usb_classes)
    return bool(shared) or not one.usb_classes or not two.usb_classes


def wanted_verdict(
    redirect: list[Rule] | tuple[()], permitted: list[Rule], point: Point
) -> Verdict:
    def passes(rules: list[Rule] | tuple[()]) -> bool:
        index = deciding_rule(rules, point)
        return index is not None and rules[index].allow

    if point.usb_class == HUB or not passes(permitted):
        return Verdict.KEEP
    return Verdict.REDIRECT if passes(redirect) else Verdict.OFFER


def is_sayable(rule: Rule) -> bool:
    return (rule.vendor != ANY and (rule.product != ANY or rule.version == ANY)) or (
        rule.product == rule.version == ANY
    )


@given(RULES, RULES)
def test_without_fields_that_no_line_names_nothing_more_is_let_through(
    redirect: list[Rule], permitted: list[Rule]
) -> None:
    found = from_rules(
        [rule for rule in redirect if is_sayable(rule)],
        [rule for rule in permitted if is_sayable(rule)],
    )
    assert not any(one.gained for one in found.differences)
    assert bool(found.limits) == bool(found.differences)


SITE = """\
seatwright: 1
site: Reading Back
models:
  ridge: {arch: amd64, link: 1 Gb/s, network: internal}
hosts:
  quay: {address: quay.example, listen: "::"}
policies:
  given:
"""
ROOMS = "rooms:\n  hall: {policy: given, model: ridge, host: quay, ports: 1, seats: [hall-1]}\n"


def test_the_printed_lines_read_back_as_they_are(tmp_path: Path) -> None:
    random = Random(7)
    for _ in range(40):
        rules = [random_rule(random) for _ in range(random.randrange(1, 9))]
        found = from_rules(rules[: len(rules) // 2], rules)
        text = policy_text(found.lines) or "keep: [everything]\n"
        below = "".join(f"    {line}\n" for line in text.splitlines())
        (tmp_path / "site.yml").write_text(SITE + below + ROOMS)
        reading = read_site(tmp_path / "site.yml")
        assert reading.site is not None, (text, reading.findings)
        read = reading.site.policies["given"].lines
        assert [
            (line.verdict, line.match.vendor, line.match.product, line.match.bcd_device,
             line.match.usb_classes)
            for line in read
            if found.lines
        ] == [
            (line.verdict, line.vendor, line.product, line.bcd_device, line.usb_classes)
            for line in found.lines
        ]  # fmt: skip


def random_rule(random: Random) -> Rule:
    vendor, product, version = random.choice(
        ((ANY, ANY, ANY), (0x1209, ANY, ANY), (0x1209, 3, ANY), (0x1209, 4, 0x0110), (0, 1, 0xAB0C))
    )
    usb_class = random.choice((ANY, 0x08, 0x03, 0x58, 0xFF))
    return Rule(usb_class, vendor, product, version, random.random() < 0.6)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = main(["policy", "from-rules", *arguments])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


def test_the_verb_prints_lines_and_the_proof(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, "--redirect", "8:-1:-1:-1:1|-1:-1:-1:-1:0")
    assert (status, err) == (0, "")
    assert out.startswith("# These lines decide as the rules do, proved at every class")
    assert yaml.safe_load(out) == {"redirect": ["mass-storage"]}


def test_the_verb_ends_with_1_where_lines_decide_otherwise(
    capsys: pytest.CaptureFixture[str],
) -> None:
    status, out, _ = run(capsys, "--redirect", "8,-1,-1,-1,0|-1,0x1209,3,-1,1")
    assert status == 1
    assert out.startswith("# These lines do not decide as the rules do everywhere:\n# 1209:0003: ")
    assert yaml.safe_load(out) == {"keep": ["everything"]}


def test_the_verb_prints_json(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "--permitted", "-1,0x1209,3,-1,1", "--json")
    assert status == 0
    assert json.loads(out) == {
        "redirect": [],
        "offer": ["1209:0003"],
        "keep": [],
        "equal": True,
        "differences": [],
        "notes": ["The string lets hubs through; a policy never does."],
    }


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "No rules were given"),
        (("--redirect", ""), "the string is empty"),
        (("--redirect", "8,-1,-1,-1,1|08,-1,-1,-1,1"), "\n" + " " * 17 + "^\n"),
        (("--permitted", "8,-1,-1,\x1b[31m,1"), "'\\x1b[31m' is not a number"),
        (("--permitted", "8," * 10_000 + "8"), "five fields"),
    ],
)
def test_strings_that_cannot_be_used(
    arguments: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run(capsys, *arguments)
    assert (status, out) == (2, "")
    assert words in err and "hint: " in err
    assert "\x1b" not in err and len(err) < 600


def test_a_long_list_is_converted_in_one_go() -> None:
    random = Random(5)
    rules = [
        Rule(ANY, random.randrange(0x10000), random.randrange(0x10000), ANY, True)
        for _ in range(2_000)
    ]
    found = from_rules(parse_rules(format_rules(rules)), None)
    assert found.differences == () and len(found.lines) == len(set(rules))
