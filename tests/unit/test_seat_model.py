"""A seat that is not like its model: the comparison, the module that asks it, the first boot."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from played import DEFAULT, RIDGE, ROOT_HUBS, Client, Usb, hub, lay_out, mount
from seat_modules import entry, run_ansible, seat_facts, tree
from seatwright.client.layout import Layout
from seatwright.client.modelcheck import run
from seatwright.survey.check import Checked, check_model
from seatwright.survey.here import Places, look_here
from seatwright.survey.likeness import Unlike, differences, expected_from

MODEL: dict[str, Any] = {
    "name": "ridge",
    "network": "usb",
    "onboard": [
        {"port": "2-3", "id": "1209:0001"},
        {"port": "2-3.4", "id": "1209:0001"},
        {"port": "2-3.4.2", "id": "1209:0002", "carries": "network"},
    ],
    "sockets": [
        {"label": "under the shelf", "ports": ["2-3.1"]},
        {"label": "beside the lamp", "ports": ["1-2", "2-2"]},
    ],
}


def compared(client: Client, root: Path, model: Mapping[str, Any] = MODEL) -> tuple[Unlike, ...]:
    look = look_here(Places.of(str(lay_out(client, root))))
    return differences(expected_from(model), look)


def without(name: str) -> tuple[Usb, ...]:
    return tuple(one for one in RIDGE.usb if one.name != name)


def test_a_client_like_its_model_has_no_difference(tmp_path: Path) -> None:
    plugged = replace(RIDGE, usb=(*RIDGE.usb, Usb("1-2", "1209:000b"), hub("2-3.1")))
    assert compared(plugged, tmp_path) == ()


ANOTHER_CHIP = replace(
    RIDGE, usb=(*without("2-3.4.2"), replace(RIDGE.usb[-1], id="1209:0009", title="Chip"))
)
MOVED = replace(
    RIDGE,
    usb=(*without("2-3.4.2"), replace(RIDGE.usb[-1], name="2-3.4.1")),
    nets=(("eth0", "2-3.4.1", (), {}),),
)
BY_DONGLE = replace(
    RIDGE,
    usb=(*RIDGE.usb, Usb("1-2", "1209:0002")),
    nets=(("eth0", "1-2", (), {}),),
)
FROM_STICK = replace(
    RIDGE,
    usb=(*RIDGE.usb, Usb("1-2", "1209:000b")),
    blocks=(("sda1", "8:1", "1-2", (), {}),),
    mounts=(mount("8:1", "/", "ext4", "/dev/sda1"),),
)
INSIDE = replace(RIDGE, nets=(("eth0", None, (), {}),))
FIXED = replace(RIDGE, usb=(*RIDGE.usb, Usb("1-4", "1209:000c", removable="fixed")))
FEW_PORTS = replace(RIDGE, usb=(hub("usb1", 1), *RIDGE.usb[1:]))


@pytest.mark.parametrize(
    ("client", "stops", "words"),
    [
        (
            ANOTHER_CHIP,
            True,
            [
                "At 2-3.4.2, where ridge has 1209:0002, its network adapter, this client has "
                '1209:0009 "Chip".',
                "No rule by id protects 1209:0009: a policy that redirects its kind can take the "
                "seat off the network",
            ],
        ),
        (MOVED, True, ["this client has nothing; 1209:0002 is at 2-3.4.1.", "guard the wrong"]),
        (
            replace(RIDGE, usb=without("2-3.4.2"), nets=()),
            True,
            ["At 2-3.4.2, where ridge has 1209:0002", "this client has nothing."],
        ),
        (
            BY_DONGLE,
            True,
            [
                "This client lives on 1209:0002 at 1-2: the default route leads over eth0. ridge "
                "does not have it among its onboard devices."
            ],
        ),
        (FROM_STICK, True, ["the root file system is on sda1", "take the disk away"]),
        (INSIDE, False, ["this client's network goes over eth0, which is not."]),
        (FIXED, False, ["The firmware says that 1209:000c at 1-4 is part of the client"]),
        (
            FEW_PORTS,
            False,
            ['The socket "beside the lamp" of ridge is at 1-2, and this client has'],
        ),
    ],
)
def test_a_difference_is_said_with_its_cost(
    client: Client, stops: bool, words: Sequence[str], tmp_path: Path
) -> None:
    found = compared(client, tmp_path)
    assert any(one.stops for one in found) is stops
    said = " ".join(one.sentence for one in found)
    for sentence in words:
        assert sentence in said


def test_a_keyboard_that_is_not_plugged_in_stops_nothing(tmp_path: Path) -> None:
    stick = {"port": "1-4", "id": "1209:000d", "carries": "input"}
    (found,) = compared(RIDGE, tmp_path, {**MODEL, "onboard": [*MODEL["onboard"], stick]})
    assert not found.stops and "only not plugged in" in found.cost


@pytest.mark.parametrize(
    "broken",
    [
        {},
        {**MODEL, "onboard": None},
        {**MODEL, "onboard": [{"port": "x", "id": "1209:0001"}]},
        {**MODEL, "sockets": [{"label": "a"}]},
        {**MODEL, "onboard": ["2-3"]},
    ],
)
def test_what_is_no_model_is_refused(broken: Mapping[str, Any]) -> None:
    with pytest.raises(ValueError, match="no model"):
        expected_from(broken)


def test_it_is_deferred_where_there_is_no_bus(tmp_path: Path) -> None:
    assert check_model(MODEL, offline=True).deferred == "no system runs here"
    assert check_model(MODEL).deferred in ("there is no USB bus", "this is a container", "")
    played = {**MODEL, "sys": str(lay_out(RIDGE, tmp_path))}
    assert check_model(played, offline=True) == Checked("", (), "Ridge", True)
    nothing = check_model({**MODEL, "sys": str(tmp_path / "nowhere")})
    assert nothing.stops and nothing.deferred == ""


def module(root: Path, sys: Path, *flags: str, **model: Any) -> dict[str, Any]:
    look = {"model": {**MODEL, "sys": str(sys), **model}}
    arguments = {"list": "demo", "root": str(root), "files": [entry("/etc/a", "a\n")], "look": look}
    return run_ansible("seat_files", arguments, *flags)


def test_through_ansible_an_unlike_seat_is_left_alone(tmp_path: Path) -> None:
    sys, root = lay_out(ANOTHER_CHIP, tmp_path / "client"), tmp_path / "seat"
    root.mkdir()
    for flags in ([], ["--check", "--diff"]):
        result = module(root, sys, *flags)
        assert result["outcome"] == "SUCCESS" and result["changed"] is False
        assert len(result["unlike"]) == 1 and "state" not in result
        assert result["msg"].startswith("This seat is not like its model ridge, so nothing was")
        assert tree(root) == {} and list(root.iterdir()) == []
    told = module(root, sys, must_match=False)
    assert told["outcome"] == "CHANGED" and (root / "etc/a").exists()
    assert "Not as in the model ridge: At 2-3.4.2" in told["said"]
    assert told["state"]["model"]["stops"] is False and len(told["state"]["model"]["unlike"]) == 1


def test_through_ansible_a_seat_like_its_model_goes_on(tmp_path: Path) -> None:
    sys, root = lay_out(RIDGE, tmp_path / "client"), tmp_path / "seat"
    root.mkdir()
    result = module(root, sys)
    assert result["outcome"] == "CHANGED"
    assert result["state"]["model"] == {"deferred": "", "unlike": [], "stops": False}


def test_the_look_alone_only_says_it(tmp_path: Path) -> None:
    sys = str(lay_out(ANOTHER_CHIP, tmp_path))
    look: dict[str, object] = {"packages": []}
    found = run_ansible("seat_state", {**look, "model": {**MODEL, "sys": sys}})
    assert found["outcome"] == "SUCCESS" and found["model"]["stops"] is True
    assert run_ansible("seat_state", look)["model"] is None
    assert seat_facts.model_facts("/", {"name": "x"})["stops"] is True, "a broken one protects none"


@pytest.fixture
def seat(tmp_path: Path) -> Layout:
    layout = Layout(tmp_path / "root")
    layout.model.parent.mkdir(parents=True)
    layout.model_checked.parent.mkdir(parents=True)
    return layout


def first_boot(
    seat: Layout, *answers: Checked, model: Mapping[str, Any] = MODEL
) -> tuple[int, int]:
    """What it ends with, and how often it looked; the last answer stays."""
    seat.model.write_text(json.dumps(model))
    looks = 0

    def check(_: object) -> Checked:
        nonlocal looks
        looks += 1
        return answers[min(looks, len(answers)) - 1]

    status = run(seat, 1.5 if len(answers) > 1 else 0.0, check)
    assert seat.model_passed.exists() is (status == 0)
    return status, looks


LIKE = Checked("", (), "Ridge")
UNLIKE = Checked("", (Unlike("Another chip.", "It costs the network.", stops=True),), "Ridge")


def test_the_first_boot_remembers_what_it_found(
    seat: Layout, capsys: pytest.CaptureFixture[str]
) -> None:
    assert first_boot(seat, LIKE) == (0, 1) and seat.model_checked.exists()
    assert first_boot(seat, UNLIKE) == (0, 1), "a device that breaks later stops nothing"
    assert capsys.readouterr().err == ""
    assert first_boot(seat, replace(UNLIKE, machine="Other"))[0] == 1, "the card went elsewhere"
    assert first_boot(seat, UNLIKE, model={**MODEL, "network": "internal"})[0] == 1


def test_the_first_boot_says_why_the_session_stays_down(
    seat: Layout, capsys: pytest.CaptureFixture[str]
) -> None:
    assert first_boot(seat, UNLIKE)[0] == 1
    assert capsys.readouterr().err == (
        "Another chip. It costs the network.\n"
        "The session does not start: this machine is not like its model ridge.\n"
    )
    assert not seat.model_checked.exists()
    assert first_boot(seat, UNLIKE, model={**MODEL, "must_match": False}) == (0, 1)


def test_the_first_boot_waits_for_what_is_slow(seat: Layout) -> None:
    assert first_boot(seat, UNLIKE, replace(LIKE, routed=False), LIKE) == (0, 3)


def test_the_first_boot_of_a_container_compares_nothing(
    seat: Layout, capsys: pytest.CaptureFixture[str]
) -> None:
    assert first_boot(seat, Checked("this is a container")) == (0, 1)
    assert "Not compared with the model: this is a container." in capsys.readouterr().err
    assert not seat.model_checked.exists()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"name": "x", "sys": "/nowhere"}', "\x00"])
def test_a_broken_model_keeps_the_session_down(
    seat: Layout, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    seat.model.write_text(text)
    assert run(seat, 0.0) == 1
    assert "The session does not start" in capsys.readouterr().err
    assert not seat.model_passed.exists()
    seat.model.unlink()
    assert run(seat, 0.0) == 1


def test_a_bus_that_is_numbered_otherwise_is_seen(tmp_path: Path) -> None:
    """Buses are numbered as their controllers are found."""
    turned = Client(
        usb=(
            *ROOT_HUBS,
            hub("1-3"),
            hub("1-3.4"),
            replace(RIDGE.usb[-1], name="1-3.4.2"),
        ),
        nets=(("eth0", "1-3.4.2", (), {}),),
        routes=(("eth0", *DEFAULT, 0),),
    )
    said = " ".join(one.sentence for one in compared(turned, tmp_path))
    assert "1209:0002 is at 1-3.4.2" in said
