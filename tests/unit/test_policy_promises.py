"""policy/promises.py: a promise is kept at every seat, port path, bcdDevice and shape, or not."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from policies import (
    ADAPTER,
    CLASSES,
    OTHER_CLASS,
    SHELF,
    VERSIONS,
    model,
    policies,
)
from seatwright.findings.problem import Problem
from seatwright.plan import PlannedInterface, PlannedModel, PlannedPeripheral, PlannedPolicy
from seatwright.planning import make_plan
from seatwright.policy.checks import check_plan
from seatwright.policy.compile import compile_rules
from seatwright.policy.promises import promise_problems
from seatwright.policy.proofs import Proofs
from seatwright.policy.table import make_tables
from seatwright.site.allocations import Allocations
from seatwright.site.types import Settings, Site, Verdict
from seatwright.usb.device import Device, Interface
from sites import site_of

ARCHIVE = """
models:
  ridge:
    arch: amd64
    link: 1 Gb/s
    network: internal
    sockets:
      - {port: "2-1", label: under the shelf}
      - {port: "2-2", label: beside the lamp}
  vale: {arch: amd64, link: 1 Gb/s, network: internal}
peripherals:
  card-reader: {id: "1209:0003", interfaces: [smart-card]}
  headset: {id: "1209:0005", bcdDevice: "1.10", interfaces: [audio, hid]}
  signature-pad: {id: "1209:000c", class: vendor-specific}
  loan-drive: {id: "1209:000b", interfaces: [mass-storage]}
policies:
  readers:
    redirect: [mass-storage, audio, signature-pad]
    offer: [card-reader]
    keep: [{id: "1209:000b", bcdDevice: "1.00"}]
    sockets: {under the shelf: {redirect: [headset]}}
  desk: {redirect: [card-reader, {id: "1209:000c", class: image}]}
hosts: {quay: {address: quay, listen: "::"}}
rooms:
  reading-room:
    policy: readers
    model: ridge
    host: quay
    ports: 2
    seats: [rr-01 to rr-03, {name: rr-04, ports: 1}]
  front-desk: {policy: desk, model: vale, host: quay, seats: [fd-1]}
  cellar: {policy: desk, model: vale, host: quay}
promises:
  - """

NOBODY = Site("", "en", Settings(), {}, {}, {}, {}, {}, ())
"""A site without anything, for questions about rule lists of their own."""


def problems(folder: Path, promise: str) -> list[Problem]:
    plan = make_plan(site_of(folder, ARCHIVE + promise), Allocations()).plan
    return list(promise_problems(Proofs(plan)))


@pytest.mark.parametrize(
    "promise",
    [
        "{room: reading-room, device: card-reader, offer: true}",
        "{room: front-desk, device: card-reader, redirect: true}",
        "{room: reading-room, socket: under the shelf, device: headset, redirect: true}",
        "{room: reading-room, socket: beside the lamp, device: headset, keep: true}",
        "{room: reading-room, device: signature-pad, redirect: true}",
        "{seat: fd-1, device: headset, keep: true}",
        # Its device class never passes where only image does.
        "{room: front-desk, device: signature-pad, keep: true}",
    ],
)
def test_promises_that_hold(tmp_path: Path, promise: str) -> None:
    assert problems(tmp_path, promise) == []


@pytest.mark.parametrize(
    ("promise", "words", "decides"),
    [
        (
            "{room: reading-room, device: card-reader, redirect: true}",
            "the card reader (1209:0003) goes to the guest when the person at the seat picks it in "
            "reading-room (policy readers on ridge), and in 1 more place.",
            ("policies", "readers", "offer", 0),
        ),
        (
            "{device: card-reader, offer: true}",
            "goes to the guest by itself in front-desk",
            ("policies", "desk", "redirect", 0),
        ),
        (
            "{seat: fd-1, device: card-reader, keep: true}",
            "goes to the guest by itself in front-desk (policy desk on vale).",
            ("policies", "desk", "redirect", 0),
        ),
        (
            "{room: reading-room, device: headset, redirect: true}",
            "stays at the seat in reading-room",
            None,
        ),
        (
            "{room: reading-room, device: headset, keep: true}",
            'goes to the guest by itself in reading-room (policy readers on ridge), socket "under '
            'the shelf".',
            ("policies", "readers", "sockets", "under the shelf", "redirect", 0),
        ),
        (
            "{room: reading-room, device: loan-drive, redirect: true}",
            "stays at the seat in reading-room",
            ("policies", "readers", "keep", 0),
        ),
    ],
)
def test_promises_that_do_not_hold(
    tmp_path: Path, promise: str, words: str, decides: tuple[object, ...] | None
) -> None:
    (problem,) = problems(tmp_path, promise)
    assert (problem.slug, problem.path) == ("broken-promise", ("promises", 0))
    assert words in problem.message
    assert [path for path, _ in problem.also] == ([decides] if decides else [])
    assert problem.witness is not None


def test_the_witness_is_a_shape_that_breaks_it(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, "{room: reading-room, device: loan-drive, redirect: true}")
    assert problem.witness == {
        "vendor": "1209",
        "product": "000b",
        "bcdDevice": "0100",
        "class": 0,
        "interfaces": [[8, None, None]],
    }


def test_several_devices_need_as_many_ports(tmp_path: Path) -> None:
    (problem,) = problems(
        tmp_path, "{room: reading-room, device: [card-reader, card-reader], offer: true}"
    )
    assert (problem.slug, problem.path) == ("too-few-ports", ("promises", 0))
    assert "needs 2 redirection ports at one time; the guest of rr-04 has 1" in problem.message
    kept = "{seat: rr-04, socket: beside the lamp, device: [headset, headset], keep: true}"
    assert problems(tmp_path, kept) == []


def test_a_promise_about_nobody_says_nothing(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, "{room: cellar, device: card-reader, redirect: true}")
    assert problem.slug == "empty-promise"


def test_of_two_promises_that_contradict_one_is_broken(tmp_path: Path) -> None:
    keep = "{seat: fd-1, device: card-reader, keep: true}"
    both = f"{keep}\n  - {keep.replace('keep: true', 'redirect: true')}"
    assert [one.path for one in problems(tmp_path, both)] == [("promises", 0)]


def test_the_checks_prove_promises(tmp_path: Path) -> None:
    promise = "{seat: fd-1, device: card-reader, keep: true}"
    plan = make_plan(site_of(tmp_path, ARCHIVE + promise), Allocations()).plan
    assert "broken-promise" in {problem.slug for problem in check_plan(plan)}


@st.composite
def peripherals(draw: st.DrawFn) -> PlannedPeripheral:
    """Any peripheral over the values of generated policies."""
    classes = draw(st.lists(st.sampled_from((*CLASSES, OTHER_CLASS)), max_size=3))
    return PlannedPeripheral(
        name="thing",
        title="",
        vendor=0x1209,
        product=draw(st.sampled_from((0x0002, 0x0003))),
        bcd_device=draw(st.sampled_from((None, *VERSIONS))),
        device_class=draw(st.sampled_from((0x00, 0xEF, 0x03, 0xFF))),
        interfaces=tuple(
            PlannedInterface(usb_class=code, subclass=None, protocol=None) for code in classes
        ),
        needs=None,
        port_paths_decide=False,
        origin="peripherals/thing",
    )


def shapes(peripheral: PlannedPeripheral) -> list[Device]:
    """Every shape the peripheral may have, as far as rules can tell, one interface if unknown."""
    versions = (*VERSIONS, 0x7777) if peripheral.bcd_device is None else (peripheral.bcd_device,)
    declared = tuple(Interface(one.usb_class) for one in peripheral.interfaces)
    known = (
        [declared]
        if declared
        else [(Interface(code),) for code in (*CLASSES, OTHER_CLASS) if code != 0x09]
    )
    return [
        Device(
            peripheral.vendor,
            peripheral.product,
            version,
            peripheral.device_class,
            interfaces=interfaces,
        )
        for version in versions
        for interfaces in known
    ]


@settings(max_examples=60)
@given(policies(), peripherals(), st.sampled_from((model(labels=[SHELF]), model(ADAPTER))))
def test_proofs_agree_with_trying_every_shape(
    policy: PlannedPolicy, peripheral: PlannedPeripheral, on: PlannedModel
) -> None:
    verdicts = [
        make_tables(policy, on, frozenset()).room.verdict(shape) for shape in shapes(peripheral)
    ]
    rules = compile_rules(policy, on, frozenset())
    proofs = Proofs(make_plan(NOBODY, Allocations()).plan)
    through = proofs.some_through(rules.permitted, peripheral)
    assert (through is not None) == any(one is not Verdict.KEEP for one in verdicts)
    kept = proofs.some_kept(rules.redirect, peripheral)
    assert (kept is not None) == any(one is not Verdict.REDIRECT for one in verdicts)
    table = make_tables(policy, on, frozenset()).room
    assert through is None or table.verdict(through) is not Verdict.KEEP
    assert kept is None or table.verdict(kept) is not Verdict.REDIRECT
