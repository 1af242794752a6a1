"""policy/checks: what is said of a plan, and of plans that the compiler would never make.

Worked examples of each finding, right and wrong, are in findings/pages and are tried there.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings

from policies import MAY_PASS, lists_of, models, plain, policies
from seatwright.commands.main import main
from seatwright.findings.problem import Problem
from seatwright.plan import NodeKey, Plan, PlannedModel, PlannedPolicy, PlannedRule, RuleSet
from seatwright.planning import make_plan
from seatwright.policy.algebra import can_be_left_out, compare, included
from seatwright.policy.checks import check_plan
from seatwright.policy.compile import compile_rules
from seatwright.policy.proofs import node_rules, spots
from seatwright.site.allocations import Allocations
from seatwright.usb.device import Device, Interface
from seatwright.usb.filter import decide, decide_strict
from sites import HEAD, site_of

DEMO = Path(__file__).parents[2] / "inventories" / "fennmoor"

ARCHIVE = """
models:
  ridge:
    arch: arm64
    link: 1 Gb/s
    onboard: [{port: "2-4", id: "1209:0002", class: communications, carries: network}]
    sockets: [{port: "2-1", label: under the shelf}]
peripherals:
  loan-drive: {id: "1209:000b", interfaces: [mass-storage]}
policies:
  readers:
    redirect: [loan-drive]
    sockets: {under the shelf: {redirect: [printer]}}
hosts: {quay: {address: quay, listen: "::"}}
rooms: {reading-room: {policy: readers, model: ridge, host: quay, seats: [rr-01]}}
"""


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    return make_plan(site_of(tmp_path, ARCHIVE), Allocations()).plan


def slugs(problems: tuple[Problem, ...]) -> set[str]:
    return {problem.slug for problem in problems}


def test_a_room_without_seats_keeps_nothing_from_anybody_yet(tmp_path: Path) -> None:
    unused = ARCHIVE.replace("redirect: [loan-drive]", "redirect: []")
    plan = make_plan(site_of(tmp_path, unused), Allocations()).plan
    assert "kept-everywhere" in slugs(check_plan(plan))
    empty = make_plan(site_of(tmp_path, unused.replace("[rr-01]", "[]")), Allocations()).plan
    assert "kept-everywhere" not in slugs(check_plan(empty))


def test_a_plan_as_compiled(plan: Plan) -> None:
    assert slugs(check_plan(plan)) == {"host-sees-no-sockets", "host-skips-hid"}


Tamper = Callable[[RuleSet], RuleSet]


def without_protection(rules: tuple[PlannedRule, ...]) -> tuple[PlannedRule, ...]:
    """A list that lets the network adapter pass in one version."""
    leak = msgspec.structs.replace(rules[0], usb_class=2, product=2, version=0x0300, allow=True)
    return (leak, *rules)


@pytest.mark.parametrize(
    ("layer", "tamper"),
    [
        (
            "the client's redirect rules:",
            lambda r: msgspec.structs.replace(r, redirect=without_protection(r.redirect)),
        ),
        (
            "the client's permitted rules:",
            lambda r: msgspec.structs.replace(r, permitted=without_protection(r.permitted)),
        ),
        (
            "the host's filter",
            lambda r: msgspec.structs.replace(r, host=without_protection(r.host)),
        ),
        (
            'the client\'s permitted rules in the socket "under the shelf"',
            lambda r: msgspec.structs.replace(
                r,
                sockets=(
                    msgspec.structs.replace(
                        r.sockets[0], permitted=without_protection(r.sockets[0].permitted)
                    ),
                ),
            ),
        ),
        (
            "the node permissions",
            lambda r: msgspec.structs.replace(r, nodes=(opened(0x0300), *r.nodes)),
        ),
    ],
)
def test_an_onboard_device_that_passes_one_layer_in_one_version(
    plan: Plan, layer: str, tamper: Tamper
) -> None:
    found = [one for one in check_plan(tampered(plan, tamper)) if one.slug == "onboard-passes"]
    (problem,) = found
    assert layer.rstrip(":") in problem.message
    assert problem.path == ("models", "ridge", "onboard", 0)
    assert problem.witness is not None
    assert problem.witness["bcdDevice"] == "0300"


def opened(version: int) -> NodeKey:
    return NodeKey(vendor=0x1209, product=2, bcd_device=version, classes=(2,), inverted=False)


def tampered(plan: Plan, tamper: Tamper) -> Plan:
    rules = {name: tamper(one) for name, one in plan.rules.items()}
    return msgspec.structs.replace(plan, rules=rules)


@pytest.mark.parametrize(
    ("words", "tamper"),
    [
        (
            "the redirect rules let through what the permitted rules would keep",
            lambda r: msgspec.structs.replace(r, permitted=r.permitted[:-1]),
        ),
        (
            "the permitted rules let through what the host's filter would keep: mass-storage "
            "devices of 1209:000b, any version",
            lambda r: msgspec.structs.replace(
                r, host=tuple(rule for rule in r.host if rule.usb_class != 8)
            ),
        ),
        (
            "the permitted rules let through what the node permissions would keep",
            lambda r: msgspec.structs.replace(r, nodes=()),
        ),
        (
            "the node permissions let through what the permitted rules would keep: image devices",
            lambda r: msgspec.structs.replace(
                r,
                nodes=(
                    *r.nodes,
                    NodeKey(
                        vendor=None, product=None, bcd_device=None, classes=(6,), inverted=False
                    ),
                ),
            ),
        ),
    ],
)
def test_layers_that_disagree(plan: Plan, words: str, tamper: Tamper) -> None:
    found = [one for one in check_plan(tampered(plan, tamper)) if one.slug == "layers-disagree"]
    assert any(words in problem.message for problem in found), [one.message for one in found]
    assert all(problem.path == ("policies", "readers") for problem in found)


@pytest.mark.parametrize("interfaces", ["", "interfaces: [communications], "])
def test_where_port_paths_decide_only_that_peripheral_passes(
    tmp_path: Path, interfaces: str
) -> None:
    adapter = f'adapter: {{id: "1209:0002", {interfaces}port-paths-decide: true}}'
    text = ARCHIVE.replace("  loan-drive: {id", f"  {adapter}\n  loan-drive: {{id")
    site = site_of(tmp_path, text.replace("[loan-drive]", "[loan-drive, adapter, smart-card]"))
    found = check_plan(make_plan(site, Allocations()).plan)
    assert slugs(found) == {"host-sees-no-sockets", "host-skips-hid", "class-wide"}


def test_what_the_host_skips_is_true(plan: Plan) -> None:
    """The witness of the finding passes the host's filter and not the session."""
    (problem,) = [one for one in check_plan(plan) if one.slug == "host-skips-hid"]
    shown = problem.witness
    assert shown is not None
    interfaces = msgspec.convert(shown["interfaces"], list[tuple[int, int | None, int | None]])
    device = Device(
        int(str(shown["vendor"]), 16),
        int(str(shown["product"]), 16),
        int(str(shown["bcdDevice"]), 16),
        interfaces=tuple(Interface(*one) for one in interfaces),
    )
    rules = plan.rules["readers/ridge"]
    assert decide(plain(rules.host), device).allowed
    assert not any(decide_strict(plain(one.permitted), device).allowed for one in spots(rules))


@settings(max_examples=60)
@given(policies(), models(), MAY_PASS)
def test_the_algebra_finds_nothing_against_what_is_compiled(
    policy: PlannedPolicy, model: PlannedModel, may_pass: frozenset[str]
) -> None:
    rules = compile_rules(policy, model, may_pass)
    for one in lists_of(rules):
        assert all(one[position].protects for position in can_be_left_out(one))
    for spot in spots(rules):
        assert not included(spot.redirect, spot.permitted)
        assert not included(spot.permitted, rules.host)
        assert compare(spot.permitted, node_rules(spot.nodes)).relation == "equal"


def test_the_demo_site_has_nothing_worse_than_notes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(DEMO)]) == 0
    assert main(["check", str(DEMO), "--fail-on", "note"]) == 1
    assert main(["check", str(DEMO), "--fail-on", "never"]) == 0
    capsys.readouterr()


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = ARCHIVE.replace("redirect: [loan-drive]", "redirect: [loan-drive, hid]")
    (tmp_path / "site.yml").write_text(HEAD + wrong)
    assert main(["check", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    assert "site.yml:14:28: warning: hid speaks of keyboards and mice too" in said
    assert main(["check", str(tmp_path), "--fail-on", "error", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert {one["slug"] for one in document["findings"]} >= {"keyboard-leaves"}


def test_the_site_sets_severities(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chosen = "settings: {findings: {keyboard-leaves: error, host-skips-hid: warning}}\n"
    wrong = ARCHIVE.replace("redirect: [loan-drive]", "redirect: [loan-drive, hid]")
    (tmp_path / "site.yml").write_text(HEAD + chosen + wrong)
    assert main(["check", str(tmp_path), "--fail-on", "error"]) == 1
    assert "error: hid speaks of keyboards" in capsys.readouterr().out


def test_lines_of_a_plan_with_errors_are_not_judged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = ARCHIVE.replace("[loan-drive]", '["1209:0002", hid]')
    (tmp_path / "site.yml").write_text(HEAD + wrong)
    assert main(["check", str(tmp_path)]) == 1
    said = capsys.readouterr().out
    assert "[onboard-id]" in said
    assert "[keyboard-leaves]" not in said
