"""survey/ on a real kernel: a client that was wired from a model is surveyed, and gives it back.

Reference: Linux's own account of QEMU 7.2's USB devices.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest
from twin_bench import DRIVE, Bench

from seatwright.client.layout import Layout
from seatwright.site.read import read_site
from seatwright.site.types import Carries, Model
from seatwright.survey.likeness import differences, expected_from
from seatwright.survey.look import read_look
from seatwright.survey.model import model_text
from seatwright.survey.onboard import Knowledge, Standing, standings
from seatwright.survey.script import SCRIPT
from seatwright.survey.seen import Look
from seatwright.survey.ways import ways
from seatwright.survey.write import AROUND
from seatwright.twin.emulator import wait_until


def look(bench: Bench) -> Look:
    """By the script on its standard input, as over ssh."""
    ran = bench.twin.client.run("sh", "-s", input=SCRIPT).expect_success()
    assert ran.err == ""
    return read_look(ran.out, "the twin")


def standing(known: Knowledge) -> Mapping[str, Standing]:
    return {one.device.name: one for one in standings(known)}


def read_back(text: str, place: Path) -> Model:
    (place / "site.yml").write_text(AROUND, encoding="utf-8")
    (place / "model.yml").write_text(text, encoding="utf-8")
    reading = read_site(place / "site.yml")
    assert reading.findings == () and reading.site is not None
    return reading.site.models["ridge"]


def test_the_model_found_is_the_one_it_was_wired_from(bench: Bench, tmp_path: Path) -> None:
    bench.twin.client.wait_state("shown", 180)
    bench.calm()
    bare = look(bench)
    bench.plug("1-1")
    bench.plug("2-3.1")
    bench.arrives(2, DRIVE, DRIVE)
    seen = look(bench)
    known = Knowledge(seen, ways(seen), bare)
    found = read_back(model_text("ridge", known), tmp_path)
    wired = bench.twin.plan.models["ridge"]
    people = {str(one.path) for one in bench.twin.client.spec.wiring.people}
    assert (found.arch, found.network) == (wired.arch, wired.network)
    assert [
        (one.port, one.vendor, one.product, one.carries)
        for one in found.onboard
        if one.port not in people
    ] == [(one.port, one.vendor, one.product, one.carries) for one in wired.onboard]
    assert {one.port for one in found.onboard if one.carries is Carries.INPUT} == people
    for place in ("1-1", "2-3.1"):
        drive = standing(known)[place]
        assert (drive.onboard, drive.sure) == (False, True)
        assert drive.device.interfaces[0].driver == "usbfs", "the session has handed it over"


def test_without_a_second_capture_the_way_to_the_host_is_sure(bench: Bench) -> None:
    seen = look(bench)
    found = standing(Knowledge(seen, ways(seen)))
    adapter = found["2-3.4.2"]
    assert adapter.sure and adapter.carries == "network"
    assert adapter.reasons[0].startswith("the default route leads over ")
    for hub in ("2-3", "2-3.4"):
        assert found[hub].sure and found[hub].reasons == ("it is a hub, and 2-3.4.2 is behind it",)
    assert {name for name, one in found.items() if name.startswith("usb") and one.sure} >= {
        "usb1",
        "usb2",
    }


def test_it_is_like_the_model_it_was_provisioned_with_and_no_other(bench: Bench) -> None:
    client = bench.twin.client
    model = json.loads(client.shell(f"cat {Layout().model}"))
    seen = look(bench)
    assert differences(expected_from(model), seen) == ()
    assert client.shell(f"test -e {Layout().model_passed} && echo passed").strip() == "passed"
    assert "not like its model" not in client.shell("journalctl -b -u seatwright-model.service")
    other = [{**one, "id": "1209:0009"} if "carries" in one else one for one in model["onboard"]]
    (found,) = differences(expected_from({**model, "onboard": other}), seen)
    assert found.stops and "take the seat off the network" in found.cost


@pytest.mark.parametrize("place", ["1-6", "2-3.1"])
def test_what_is_plugged_in_and_pulled_out_comes_and_goes(bench: Bench, place: str) -> None:
    before = names(bench)
    bench.plug(place)
    wait_until(f"a device at {place}", lambda: names(bench) - before == {place}, 30, every=0.5)
    bench.pull(place)
    wait_until(f"nothing at {place}", lambda: names(bench) == before, 30, every=0.5)


def names(bench: Bench) -> set[str]:
    return {one.name for one in look(bench).devices}
