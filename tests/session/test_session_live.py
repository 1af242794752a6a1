"""The session for real: spice-gtk, a guest in QEMU, USB devices that umockdev plays.

The guest's own account (QMP) is what counts as "redirected".
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable

import pytest
from between import Proxy, Relay
from live import Guest, Seat, wait_for

MakeGuest = Callable[..., Guest]
MakeSeat = Callable[..., Seat]

BACK = 5
"""Seconds within which a seat is back after its host's return."""
NOTICE_SECONDS = 8
AT_REST = 5
STORAGE = [8, 6, 80]
DRIVE: dict[str, object] = {"vendor": 0x1209, "product": 6, "interfaces": [STORAGE]}
CAMERA: dict[str, object] = {"vendor": 0x1209, "product": 7, "interfaces": [[6, 1, 1]]}
ADAPTER: dict[str, object] = {"vendor": 0x1209, "product": 2, "interfaces": [[2, 6, 0], [10, 0, 0]]}


def drive(number: int) -> dict[str, object]:
    return {**DRIVE, "product": number}


def test_by_rule_and_place_at_start_and_at_every_plug(
    make_guest: MakeGuest, make_seat: MakeSeat
) -> None:
    guest = make_guest(ports=2)
    guest.start()
    everything = "-1,-1,-1,-1,1"
    seat = make_seat(
        guest,
        rules={
            "sockets": [
                {
                    "label": "beside the lamp",
                    "ports": ["1-7"],
                    "redirect": everything,
                    "permitted": everything,
                }
            ],
        },
    )
    seat.start(
        {"plug": "1-2", **drive(6)},
        {"plug": "2-3.4.2", **drive(8)},  # at an onboard place, with an id that may go
        {"plug": "1-3", **drive(9), "interfaces": [STORAGE, [3, 0, 0]]},  # a hidden HID
        {"plug": "1-4", **drive(10), "device_class": 0xEF, "configured": False},
        {"plug": "1-5", **ADAPTER},
    )
    seat.is_("shown")
    seat.has("1209:0006")
    wait_for("devices at the guest", lambda: guest.attached() == 1)
    kept = {line["SEATWRIGHT_PORT"]: line["MESSAGE"] for line in seat.journal.of("device-keep")}
    # the library itself does not tell of hubs
    assert {place: text.partition("kept: ")[2] for place, text in kept.items()} == {
        "2-3.4.2": "onboard network adapter at 2-3.4.2",
        "1-3": "a rule keeps class 0x03 of this device",
        "1-4": "it has no active configuration",
        "1-5": "a rule keeps class 0x02 of this device",
    }
    # plugged in later: below a hub in a socket with rules of its own
    seat.plug("1-7.1", **ADAPTER)
    seat.has("1209:0006", "1209:0002")
    wait_for("both devices at the guest", lambda: guest.attached() == 2)


def test_a_device_without_a_port_gets_the_next_free_one(
    make_guest: MakeGuest, make_seat: MakeSeat
) -> None:
    guest = make_guest(ports=1)
    guest.start()
    seat = make_seat(guest)
    seat.start({"plug": "1-2", **DRIVE})
    seat.has("1209:0006")
    seat.plug("1-3", **drive(8))
    seat.has("1209:0008", which="waiting")
    line = seat.journal.first("no-port")
    assert (line["SEATWRIGHT_HOLDERS"], line["PRIORITY"]) == ("Backup drive", "4")
    pulled = time.monotonic()
    seat.pull("1-2")
    seat.has("1209:0008")
    print(f"the waiting device was there {time.monotonic() - pulled:.2f} s after the pull")
    wait_for("device at the guest", lambda: guest.attached() == 1)
    assert len(seat.journal.of("no-port")) == 1


def test_plugged_again_and_again(make_guest: MakeGuest, make_seat: MakeSeat) -> None:
    guest = make_guest(ports=1)
    guest.start()
    seat = make_seat(guest)
    seat.start()
    seat.is_("shown")
    for _ in range(5):
        seat.plug("1-2", **DRIVE)
        seat.has("1209:0006")
        wait_for("device at the guest", lambda: guest.attached() == 1)
        seat.pull("1-2")
        seat.has()
        wait_for("no device at the guest", lambda: guest.attached() == 0)


def test_the_guest_goes_away_and_comes_back(make_guest: MakeGuest, make_seat: MakeSeat) -> None:
    guest = make_guest()
    seat = make_seat(guest)
    seat.start({"plug": "1-2", **DRIVE})
    seat.is_("waiting")  # up, although there is no guest yet
    wait_for("the window", lambda: seat.state()["ready"])
    assert seat.state()["last_error"] == "host-away"
    guest.start()
    seat.is_("shown")
    seat.has("1209:0006")
    guest.stop()
    seat.is_("waiting")
    seat.has()
    guest.start()
    back = time.monotonic()
    seat.is_("shown")
    after = time.monotonic() - back
    seat.has("1209:0006")
    print(f"connected {after:.2f} s after the host's return")
    assert after < BACK
    assert len(seat.journal.of("host-away")) <= 2  # one line for each time it was away, not a try


def test_a_host_that_is_silent_is_met_soon_after_its_return(
    make_guest: MakeGuest, make_seat: MakeSeat
) -> None:
    """TCP alone would wait for it with longer and longer pauses."""
    guest = make_guest()
    guest.start()
    relay = Relay(guest.spice_port)
    try:
        seat = make_seat(guest, session={"tls_port": relay.port})
        seat.start()
        wait_for("its first state", lambda: seat.state().get("state") == "connecting")
        began = time.monotonic()
        seat.is_("waiting")
        away = time.monotonic() - began
        assert seat.state()["last_error"] == "host-away"
        time.sleep(6)
        relay.open()
        back = time.monotonic()
        seat.is_("shown")
        after = time.monotonic() - back
        print(f"away known after {away:.2f} s, connected {after:.2f} s after the host's return")
        assert away < BACK
        assert after < BACK
    finally:
        relay.close()


def test_an_offered_device_goes_when_it_is_picked(
    make_guest: MakeGuest, make_seat: MakeSeat
) -> None:
    guest = make_guest()
    guest.start()
    seat = make_seat(guest)
    seat.start({"plug": "1-2", **DRIVE}, {"plug": "1-3", **CAMERA}, {"plug": "1-5", **ADAPTER})
    seat.is_("shown")
    seat.has("1209:0006")
    order = [one["SEATWRIGHT_DEVICE"] for one in seat.journal.of("device-offer")]
    assert order == ["1209:0007"]
    listed = [
        line["SEATWRIGHT_DEVICE"]
        for line in seat.journal.lines
        if line["SEATWRIGHT_EVENT"] in ("device-offer", "device-redirect")
    ]
    down = ["Down"] * listed.index("1209:0007")  # kept devices are not in the list
    seat.keys("ctrl+alt+u", *down, "Return")
    seat.has("1209:0006", "1209:0007")
    wait_for("both at the guest", lambda: guest.attached() == 2)
    seat.keys("Return", "Escape")
    seat.has("1209:0006")
    wait_for("one at the guest", lambda: guest.attached() == 1)
    assert seat.journal.first("device-left")["SEATWRIGHT_DEVICE"] == "1209:0007"


def test_what_the_hosts_filter_refuses_is_told_once(
    make_guest: MakeGuest, make_seat: MakeSeat
) -> None:
    guest = make_guest(filter="0x06:-1:-1:-1:1|-1:-1:-1:-1:0")
    guest.start()
    seat = make_seat(guest)
    seat.start({"plug": "1-2", **DRIVE})
    wait_for("a refusal", lambda: seat.journal.of("device-refused"))
    time.sleep(2)
    assert len(seat.journal.of("device-refused")) == 1
    assert guest.attached() == 0
    assert seat.ids() == []


@pytest.mark.parametrize(
    ("session", "error"),
    [
        ({"subject": "O=Fennmoor,CN=harbour"}, "certificate"),
        ({"host": "localhost"}, "certificate"),  # not a name in the certificate
        ({"ca_file": "/etc/ssl/certs/none.pem"}, "certificate"),
        ({"password_credential": "guest-password"}, "no-password-file"),
    ],
)
def test_a_host_that_is_not_the_right_one_is_not_shown(
    make_guest: MakeGuest, make_seat: MakeSeat, session: dict[str, object], error: str
) -> None:
    guest = make_guest()
    guest.start()
    seat = make_seat(guest, session=session)
    seat.start()
    seat.is_("waiting")
    assert seat.state()["last_error"] == error
    wait_for("the window", lambda: seat.state()["ready"])


def test_the_expected_subject_stands_for_the_name(
    make_guest: MakeGuest, make_seat: MakeSeat
) -> None:
    guest = make_guest()
    guest.start()
    seat = make_seat(guest, session={"host": "localhost", "subject": "O=Fennmoor,CN=quay"})
    seat.start()
    seat.is_("shown")


@pytest.mark.parametrize(("given", "state"), [("right", "shown"), ("wrong", "waiting")])
def test_the_password_comes_from_a_credential(
    make_guest: MakeGuest, make_seat: MakeSeat, given: str, state: str
) -> None:
    guest = make_guest(password="right")
    guest.start()
    credentials = guest.directory / "credentials"
    credentials.mkdir()
    (credentials / "guest-password").write_text(f"{given}\n")
    seat = make_seat(
        guest,
        session={"password_credential": "guest-password"},
        environment={"CREDENTIALS_DIRECTORY": str(credentials)},
    )
    seat.start()
    seat.is_(state)
    if state == "waiting":
        assert seat.state()["last_error"] == "password"
        assert given not in json.dumps(seat.journal.lines)


def test_a_ticket_is_asked_for_anew_at_each_connect(
    make_guest: MakeGuest, make_seat: MakeSeat
) -> None:
    guest = make_guest(password="first")
    guest.start()
    program, asked = guest.directory / "ticket", guest.directory / "asked"
    ticket = json.dumps({"tls_port": guest.spice_port, "password": "first"})
    program.write_text(f"#!/bin/sh\necho x >>{asked}\necho '{ticket}'\n")
    program.chmod(0o755)
    seat = make_seat(guest, session={"tls_port": 9, "ticket_command": [str(program)]})
    seat.start()
    seat.is_("shown")
    guest.stop()
    seat.is_("waiting")
    program.write_text(f"#!/bin/sh\necho x >>{asked}\necho '{{}}'\n")
    wait_for("the refusal", lambda: seat.state()["last_error"] == "no-ticket")
    assert "tls_port: is missing" in seat.journal.first("ticket")["MESSAGE"]
    times = len(asked.read_text().split())
    assert times >= 2
    assert times < 10, "no storm of questions"
    assert "first" not in json.dumps(seat.journal.lines)


def test_a_ticket_leads_through_a_proxy(make_guest: MakeGuest, make_seat: MakeSeat) -> None:
    """To a host whose name only the proxy knows; the name is the one that TLS expects."""
    guest = make_guest(password="once")
    guest.start()
    place = f"quay.fennmoor.example:{guest.spice_port}"
    proxy = Proxy({place: ("127.0.0.1", guest.spice_port)})
    ticket = {
        "host": "quay.fennmoor.example",
        "tls_port": guest.spice_port,
        "subject": "O=Fennmoor,CN=quay",
        "password": "once",
        "proxy": f"http://127.0.0.1:{proxy.port}",
    }
    try:
        seat = make_seat(guest, session={"ticket_command": ["/bin/echo", json.dumps(ticket)]})
        seat.start({"plug": "1-2", **DRIVE})
        seat.is_("shown")
        seat.has("1209:0006")
        wait_for("device at the guest", lambda: guest.attached() == 1)
        channels = len(proxy.asked)
        assert channels >= 4, "main, picture, input, a port at least"
        assert set(proxy.asked) == {place}
        proxy.close()
        guest.stop()
        seat.is_("waiting")
        wait_for("word of the proxy", lambda: seat.state()["last_error"] == "host-away")
    finally:
        proxy.close()


def test_no_proxy_is_taken_from_the_environment(make_guest: MakeGuest, make_seat: MakeSeat) -> None:
    guest = make_guest()
    guest.start()
    seat = make_seat(guest, environment={"SPICE_PROXY": "http://127.0.0.1:1"})
    seat.start()
    seat.is_("shown")


def test_idle_is_published_and_ends_with_a_key(make_guest: MakeGuest, make_seat: MakeSeat) -> None:
    guest = make_guest()
    guest.start()
    seat = make_seat(guest, session={"idle_after": 3})
    seat.start()
    seat.is_("shown")
    assert seat.state()["idle"] is False
    wait_for("idleness", lambda: seat.state()["idle"] is True)
    seat.keys("a")
    wait_for("its end", lambda: seat.state()["idle"] is False)
    wait_for("idleness again", lambda: seat.state()["idle"] is True)
    seat.plug("1-2", **DRIVE)  # somebody is there
    wait_for("its end", lambda: seat.state()["idle"] is False)


def test_at_rest_nothing_runs(make_guest: MakeGuest, make_seat: MakeSeat) -> None:
    """No loop that looks again and again: neither the session nor a library's thread wakes up."""
    guest = make_guest()
    guest.start()
    seat = make_seat(guest)
    seat.start({"plug": "1-2", **DRIVE})
    seat.has("1209:0006")
    guest.ask("stop")  # its cursor does not blink any more
    time.sleep(NOTICE_SECONDS + 4)  # the notice is gone, the sound plugins have been looked for
    before = seat.wakeups()
    time.sleep(AT_REST)
    assert seat.wakeups() - before <= 2


def test_support_mode_is_shown_for_its_time(make_guest: MakeGuest, make_seat: MakeSeat) -> None:
    guest = make_guest()
    guest.start()
    seat = make_seat(guest)
    seat.start({"plug": "1-2", **DRIVE})
    seat.has("1209:0006")
    now = time.clock_gettime(time.CLOCK_BOOTTIME)
    (seat.run / "new").write_text(json.dumps({"format": 1, "from": now, "until": now + 6}))
    (seat.run / "new").rename(seat.run / "support")
    wait_for("its begin", lambda: seat.journal.of("support-began"))
    seat.keys("Return", "Escape")  # its picker works, and it cannot be closed
    seat.has()
    assert not seat.journal.of("support-ended")
    wait_for("its end", lambda: seat.journal.of("support-ended"))
    assert time.clock_gettime(time.CLOCK_BOOTTIME) >= now + 6


def test_a_broken_configuration_ends_the_session_at_once(
    make_guest: MakeGuest, make_seat: MakeSeat
) -> None:
    """Then systemd tries again and in the end goes back to the files before."""
    guest = make_guest()
    seat = make_seat(guest, session={"restart": "perhaps"})
    seat.start()
    lines = wait_for("a line", lambda: seat.journal.of("cannot-start"))
    assert "session.json: restart: must be one of" in lines[0]["MESSAGE"]
    assert seat.process is not None
    assert seat.process.wait(timeout=15) == 0  # the player's own; it reports the session's
    log = (seat.directory / "session.log").read_text()
    assert '{"ended": 1}' in log
