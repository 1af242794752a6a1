"""The role for plain QEMU on a real host with systemd; a stand-in for QEMU says what it was given.

What QEMU itself makes of the files is tried in tests/guests/test_plain_qemu.py.
"""

from __future__ import annotations

import os
import re
import time
from pathlib import Path

from seats import Seat

from render_sites import TINY, make_repository, seatwright
from seatwright.ansible_runs import Outcome, extra
from seatwright.rehearsal.base import STOCKED_SEAT, ensure
from seatwright.rehearsal.fleet import Fleet
from seatwright.rehearsal.playbooks import Rendered

UNIT = "seatwright-guest@hall-1.service"
STAND_IN = r"""#!/bin/sh
{ id -un; ls "$CREDENTIALS_DIRECTORY"; cat "$CREDENTIALS_DIRECTORY/password"; echo
  for word in "$@"; do echo "$word"; done; } > /run/seatwright-guest-hall-1/given
exec python3 /usr/lib/monitor
"""
ORDERED = "/run/seatwright-guest-hall-1/ordered"
MONITOR = r"""
import socket
place = "/run/seatwright-guest-hall-1"
with socket.socket(socket.AF_UNIX) as server:
    server.bind(f"{place}/qmp")
    server.listen()
    while True:
        line, _ = server.accept()
        with line, line.makefile("rw") as stream, open(f"{place}/ordered", "a") as kept:
            print("{}", file=stream, flush=True)
            for order in stream:
                print(order, end="", file=kept, flush=True)
                if "system_powerdown" in order:
                    raise SystemExit
                print('{"return": {}}', file=stream, flush=True)
"""
CONNECTED = (
    "systemd-run --unit=connected python3 -c '"
    'import socket, time; s = socket.create_server(("127.0.0.1", {port})); '
    'c = socket.create_connection(("127.0.0.1", {port})); time.sleep(600)\''
)
ACCESS = {"ansible_user": "root", "ansible_become": False, "guest_units_packages": ["iproute2"]}


def play(site: Rendered, root: Path, *words: str, **variables: object) -> Outcome:
    secrets = site.place.parent / "secrets/inventory"
    return site.playbook(
        "guests",
        "-i",
        str(secrets),
        "--vault-password-file",
        str(root / "password"),
        *extra({**ACCESS, **variables}),
        *words,
    )


def test_units_of_guests_on_a_real_host(tmp_path: Path) -> None:
    text = TINY.replace("quay.example", "quay").replace("{address", "{kind: systemd, address")
    path = make_repository(tmp_path, text)
    (tmp_path / "password").write_text("a password of the test\n")
    assert seatwright("render", path).returncode == 0
    with Fleet.start(("quay",), ensure(STOCKED_SEAT), owner=os.getpid()) as fleet:
        site, host = Rendered(fleet, tmp_path, path.parent / "rendered"), Seat(fleet, "quay")
        bare = site.playbook("guests", *extra(ACCESS))
        assert bare.recap["quay"].failed == 1 and "Without a password" in bare.text
        assert not host.has("/etc/seatwright/guests")
        options = ("--vault-password-file", tmp_path / "password")
        ends = ("--valid-days", "30")
        assert seatwright("secrets", path, *options, *ends).returncode == 0
        a_first_run(site, host, tmp_path)
        running_guests_wait(site, host, tmp_path, path)


def a_first_run(site: Rendered, host: Seat, root: Path) -> None:
    foreseen = play(site, root, "--check", "--diff").expect_success()
    assert foreseen.recap["quay"].changed >= 1 and not host.has("/etc/seatwright/guests")
    told = play(site, root, "--diff").expect_success()
    assert "hall-1: there is no /etc/seatwright/guests/hall-1.machine.cfg" in told.text
    assert play(site, root).expect_success().recap["quay"].changed == 0
    assert host.ask(f"systemctl is-enabled {UNIT}") == "enabled"
    assert not host.active(UNIT)
    password = host.ask("cat /etc/seatwright/guests/hall-1.password")
    assert len(password) == 24 and password not in told.text
    assert host.ask("stat -c %a /etc/seatwright/guests/hall-1.password") == "600"
    journal = host.ask("journalctl --quiet --no-pager --output=cat --all")
    assert "files=NOT_LOGGING_PARAMETER" in journal, "Ansible tells it what it was asked for"
    assert password not in journal and "PRIVATE KEY" not in journal
    host.ask("for n in 1 2 3; do touch /etc/seatwright/guests/hall-$n.machine.cfg; done")
    host.ask("touch /etc/seatwright/guests/desk-1.machine.cfg")
    fleet_file(host, "/usr/lib/monitor", MONITOR)
    fleet_file(host, "/usr/bin/qemu-system-x86_64", STAND_IN)
    host.ask(f"systemd-analyze verify --man=no {UNIT} && systemctl start {UNIT}")
    given = host.ask("cat /run/seatwright-guest-hall-1/given").splitlines()
    assert given[0] == "seatwright-guests"
    assert given[1:5] == ["ca-cert.pem", "password", "server-cert.pem", "server-key.pem"]
    assert given[5] == password
    assert any(word.startswith("usb-redir.filter=0x09:") for word in given)
    assert password not in host.ask("ps axww -o args")
    (end,) = re.findall(r'"expire_password".*"time": "(\d+)"', host.ask(f"cat {ORDERED}"))
    assert 29 < (int(end) - time.time()) / 86_400 <= 30


def fleet_file(host: Seat, path: str, text: str) -> None:
    host.ask(f"cat > {path} <<'END'\n{text}END\nchmod 755 {path}")


def running_guests_wait(site: Rendered, host: Seat, root: Path, path: Path) -> None:
    run = host.ask(f"systemctl show -P MainPID {UNIT}")
    host.ask("sleep 1.1")
    path.write_text(path.read_text().replace("ports: 2", "ports: 3"))
    assert seatwright("render", path).returncode == 0
    told = play(site, root).expect_success()
    assert "hall-1: running with earlier files (not restarted, nobody asked for it)" in told.text
    assert "+ redirection port: usb0.0 port 4 (can be done while it runs, with" in told.text
    check_mode_foresees_restarts(site, host, root, path)
    ports_are_added_live(site, host, root)
    host.ask("sleep 1.1; touch /etc/seatwright/guests/tls/server-cert.pem")
    told = play(site, root).expect_success()
    assert "/etc/seatwright/guests/tls/server-cert.pem is newer than its start" in told.text
    assert host.ask(f"systemctl show -P MainPID {UNIT}") == run
    port = host.ask("grep tls-port /etc/seatwright/guests/hall-1.cfg").split('"')[1]
    host.ask(CONNECTED.format(port=port))
    held = play(site, root, guest_units_restart="now").expect_success()
    assert "hall-1: running with earlier files (not restarted: somebody is connected)" in held.text
    assert host.ask(f"systemctl show -P MainPID {UNIT}") == run
    host.ask("systemctl stop connected")
    done = play(site, root, guest_units_restart="now").expect_success()
    assert done.recap["quay"].changed == 1
    assert host.ask(f"systemctl show -P MainPID {UNIT}") != run
    assert play(site, root, guest_units_restart="now").expect_success().recap["quay"].changed == 0
    a_restart_that_is_only_asked_for(site, host, root)
    nobody_else_is_restarted_after_one_that_does_not_come_up(site, host, root)


def check_mode_foresees_restarts(site: Rendered, host: Seat, root: Path, path: Path) -> None:
    """Of what is not written yet: another configuration, another password; and of units."""
    run = host.ask(f"systemctl show -P MainPID {UNIT}")
    text = path.read_text()
    path.write_text(text.replace("ports: 3", "ports: 4"))
    assert seatwright("render", path).returncode == 0
    host.ask("systemctl disable -q seatwright-guest@hall-2.service")
    foreseen = play(site, root, "--check", "-v", guest_units_restart="now").expect_success()
    assert re.search(r"restarted:\s+- hall-1", foreseen.text), foreseen.text
    foreseen = play(site, root, "--check", "-v").expect_success()
    assert "+ redirection port: usb0.0 port 5" in foreseen.text
    assert foreseen.recap["quay"].changed == 2, "the files, and a unit that was switched off"
    assert host.ask(f"systemctl show -P MainPID {UNIT}") == run
    path.write_text(text)
    assert seatwright("render", path).returncode == 0
    play(site, root).expect_success()


def a_restart_that_is_only_asked_for(site: Rendered, host: Seat, root: Path) -> None:
    host.ask("sleep 1.1; touch /etc/seatwright/guests/tls/server-cert.pem")
    run = host.ask(f"systemctl show -P MainPID {UNIT}")
    done = play(site, root, guest_units_restart="if-idle").expect_success()
    assert done.recap["quay"].changed == 1 and host.active(UNIT)
    assert host.ask(f"systemctl show -P MainPID {UNIT}") != run


def nobody_else_is_restarted_after_one_that_does_not_come_up(
    site: Rendered, host: Seat, root: Path
) -> None:
    fleet_file(host, "/usr/bin/qemu-system-x86_64", "#!/bin/sh\nsleep 0.4; exit 1\n")
    host.ask("sleep 1.1; touch /etc/seatwright/guests/tls/server-cert.pem")
    failed = play(site, root, guest_units_restart="now")
    assert failed.recap["quay"].failed == 1
    assert "hall-1 did not come up again: " in re.sub(r"\s+", " ", failed.text)
    assert "Not looked at: hall-2, hall-3" in re.sub(r"\s+", " ", failed.text)
    host.ask(f"systemctl stop {UNIT}; systemctl reset-failed {UNIT}; true")


def ports_are_added_live(site: Rendered, host: Seat, root: Path) -> None:
    how = {"guest_units_live_ports": True, "guest_units_restart": "now"}
    foreseen = play(site, root, "--check", "-v", **how).expect_success()
    assert foreseen.recap["quay"].changed == 1 and "restarted: []" in foreseen.text
    assert "device_add" not in host.ask(f"cat {ORDERED}")
    done = play(site, root, guest_units_live_ports=True).expect_success()
    assert done.recap["quay"].changed == 1 and "running with earlier" not in done.text
    ordered = host.ask(f"cat {ORDERED}")
    assert '"device_add", "arguments": {"id": "redir3", "driver": "usb-redir"' in ordered
    again = play(site, root, guest_units_live_ports=True).expect_success()
    assert again.recap["quay"].changed == 0
    assert host.ask(f"cat {ORDERED}") == ordered
