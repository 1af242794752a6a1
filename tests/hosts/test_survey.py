"""A survey over ssh of a real Debian: one connection, nothing left behind."""

from __future__ import annotations

import json
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

from played import DEFAULT, RIDGE, lay_out
from seatwright.commands.main import main
from seatwright.rehearsal.fleet import Fleet
from seatwright.survey.sources import Client

STAMP = "find / -xdev -newer /run/stamp -not -path '/proc/*' -not -path '/run/*' -type f"


def play(fleet: Fleet, name: str, sys: Path) -> None:
    """Lay a played /sys over that of a host, but for the control groups that logins need."""
    packed = subprocess.run(["tar", "-C", sys, "-c", "."], capture_output=True, check=True).stdout
    over = "for at in bus class devices; do mount -t tmpfs x /sys/$at; done; "
    over += "tar -C /sys -x ./bus ./class ./devices"
    argv = ["ssh", "-F", str(fleet.ssh_config), name, over]
    subprocess.run(argv, input=packed, check=True)


@pytest.mark.names("ridge-1")
def test_a_survey_over_ssh(
    fleet: Fleet, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    adapter = fleet.run("ridge-1", "sed -n 2p /proc/net/route | cut -f1").stdout.strip()
    nets = ((adapter, "2-3.4.2", (), {"speed": "1000"}),)
    played = type(RIDGE)(
        usb=RIDGE.usb, ports=RIDGE.ports, nets=nets, routes=((adapter, *DEFAULT, 0),)
    )
    play(fleet, "ridge-1", lay_out(played, tmp_path))
    fleet.run("ridge-1", "touch /run/stamp; sleep 1")
    before = time.monotonic()
    words = ["survey", "--ssh", "ridge-1", "--ssh-config", str(fleet.ssh_config), "--json"]
    assert main(words) == 0
    seconds = time.monotonic() - before
    found = {one["name"]: one for one in json.loads(capsys.readouterr().out)["devices"]}
    assert found["2-3.4.2"]["carries"] == "network"
    assert found["2-3.4.2"]["reasons"] == [f"the connection of this survey leads over {adapter}"]
    assert found["2-3.4"]["sure"] and found["2-3"]["onboard"]
    print(f"a survey over ssh: {seconds:.1f} s")
    with tempfile.TemporaryDirectory() as short:
        over_one_connection(fleet, Path(short))
    left = fleet.run("ridge-1", STAMP).stdout.split()
    assert [one for one in left if not one.startswith(("/var/log/", "/sys/"))] == []


def over_one_connection(fleet: Fleet, place: Path) -> None:
    """As in a walk through the sockets."""
    client = Client("ridge-1", fleet.ssh_config, place)
    first, second = client.capture(), client.capture()
    assert first == second and len(list(place.iterdir())) == 1
    client.close()
    assert list(place.iterdir()) == []


@pytest.mark.names("silent")
def test_a_client_that_is_not_there_is_said(
    fleet: Fleet, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["survey", "--ssh", "nobody.invalid", "--ssh-config", str(fleet.ssh_config)]
    assert main(words) == 2
    said = capsys.readouterr().err
    assert "nobody.invalid cannot be reached" in said and "Try it by hand" in said
