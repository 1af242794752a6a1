"""The roles on a real host, from before the first run to after the last: nothing is left behind."""

from __future__ import annotations

import pytest
from seats import KEEPER, Seat

from seatwright.ansible_runs import extra
from seatwright.rehearsal.playbooks import Rendered

UNITS = "/etc/systemd/system"
ASIDE = "/var/lib/seatwright/set-aside"


@pytest.mark.names("rr-01")
def test_a_seats_life_with_the_roles(demo: Rendered) -> None:
    seat = Seat(demo.fleet, "rr-01")
    check_mode_touches_nothing(demo, seat)
    the_power_went_while_packages_were_installed(seat)
    demo.clients().expect_success()
    assert seat.ask("dpkg --audit; dpkg-query -W -f '${db:Status-Status}' seatd") == "installed"
    changes_nothing(demo)
    what_was_not_read_yet_is_read(demo, seat)
    what_a_person_wrote_is_kept(demo, seat)
    the_user_is_put_right(demo, seat)
    a_tag_narrows_a_run(demo, seat)
    support_mode_is_a_variable_of_one_run(demo, seat)
    the_seat_can_be_taken_back(demo, seat)


def check_mode_touches_nothing(demo: Rendered, seat: Seat) -> None:
    """On a host that never had the roles, down to the session's user."""
    foreseen = demo.clients("--check", "--diff").expect_success()
    assert foreseen.recap["rr-01"].changed == 5
    assert "Would start the session" in foreseen.text
    assert "user seat (not there)" in foreseen.text
    assert "+++ after: /etc/seatwright/session.json (new, root:root 0644)" in foreseen.text
    assert seat.ask("find / -xdev -name '*seatwright*' -not -path '/proc/*' | sort") in (
        "",
        "/etc/sudoers.d/seatwright-access",
    )
    assert seat.ask("getent passwd seat || echo none") == "none"


def the_power_went_while_packages_were_installed(seat: Seat) -> None:
    """A package is unpacked and not set up, and dpkg's journal has a line that is not in its
    database yet (dpkg's own doc: /var/lib/dpkg/updates)."""
    seat.ask("dpkg --unpack /var/local/packages/seatd_*.deb")
    seat.ask("dpkg-query -s seatd >/var/lib/dpkg/updates/0000")
    refused = seat.fleet.run("rr-01", "apt-get -y install seatd")
    assert "dpkg was interrupted" in refused.stdout + refused.stderr


def changes_nothing(demo: Rendered) -> None:
    assert demo.clients().expect_success().recap["rr-01"].changed == 0


def what_was_not_read_yet_is_read(demo: Rendered, seat: Seat) -> None:
    """As after a run that died between writing files and telling systemd."""
    seat.ask(f"touch {UNITS}/seatwright-session.service /etc/systemd/logind.conf.d/seatwright.conf")
    assert seat.ask("systemctl show -P NeedDaemonReload seatwright-session.service") == "yes"
    before = seat.ask("systemctl show -P MainPID systemd-logind.service")
    demo.clients().expect_success()
    assert seat.ask("systemctl show -P NeedDaemonReload seatwright-session.service") == "no"
    assert seat.ask("systemctl show -P MainPID systemd-logind.service") != before
    changes_nothing(demo)


def what_a_person_wrote_is_kept(demo: Rendered, seat: Seat) -> None:
    path = "/etc/systemd/logind.conf.d/seatwright.conf"
    seat.ask(f"echo '# mine' >> {path}")
    run = demo.clients("--diff").expect_success()
    assert "-# mine" in run.text and f"{ASIDE}{path}" in run.text
    assert seat.ask(f"tail -n 1 {ASIDE}{path}") == "# mine"
    assert "mine" not in seat.ask(f"cat {path}")
    changes_nothing(demo)


def the_user_is_put_right(demo: Rendered, seat: Seat) -> None:
    """While its session runs; the shadow password suite is what reads it back."""
    right = seat.ask("getent passwd seat; id -nG seat; getent shadow seat | cut -d: -f2")
    assert right.splitlines()[0].endswith(":Session of this seat:/nonexistent:/usr/sbin/nologin")
    assert right.splitlines()[1:] == ["seat audio video render", "!"]
    seat.ask("passwd --delete seat")
    assert demo.clients().expect_success().recap["rr-01"].changed == 1
    seat.ask("usermod --shell /bin/sh --groups games --gid games --password '' seat")
    seat.ask(": >/etc/passwd.lock; printf '1\\0' >/etc/group.lock")  # a plug pulled in usermod(8)
    foreseen = demo.clients("--check", "--diff").expect_success()
    assert "-shell /bin/sh" in foreseen.text and "+group seat" in foreseen.text
    assert foreseen.recap["rr-01"].changed == 1
    assert demo.clients().expect_success().recap["rr-01"].changed == 1
    assert seat.ask("getent passwd seat; id -nG seat; getent shadow seat | cut -d: -f2") == right
    changes_nothing(demo)


def a_tag_narrows_a_run(demo: Rendered, seat: Seat) -> None:
    """The others' files stay as they are; what is new takes effect all the same."""
    rules, session = "/etc/seatwright/rules.json", "/etc/seatwright/session.json"
    before = seat.ask(f"cat {rules} {session}")
    seat.ask(f"echo >> {rules}; echo >> {session}")
    now = extra({"seat_autostart_restart_now": True})
    demo.clients(*now, "--tags", "filter").expect_success()
    assert seat.ask(f"tail -c 2 {rules} | od -An -c").split() != ["\\n", "\\n"]
    assert seat.ask(f"tail -c 2 {session} | od -An -c").split() == ["\\n", "\\n"]
    assert seat.state()["pending"] is False, "the session restarts with what is there"
    demo.clients(*now, "--tags", "session").expect_success()
    assert seat.ask(f"cat {rules} {session}") == before
    restarted = demo.clients("--tags", "restart").expect_success()
    assert restarted.recap["rr-01"].changed == 0
    changes_nothing(demo)


def support_mode_is_a_variable_of_one_run(demo: Rendered, seat: Seat) -> None:
    run = demo.clients(*extra({"seat_session_support_minutes": 5})).expect_success()
    assert run.recap["rr-01"].changed == 1
    assert 0 < int(str(seat.state()["support_seconds"])) <= 300
    seat.ask(f"{KEEPER} support --minutes 0")
    assert seat.state()["support_seconds"] == 0
    changes_nothing(demo)


def the_seat_can_be_taken_back(demo: Rendered, seat: Seat) -> None:
    demo.playbook("remove").expect_success()
    left = seat.ask("find / -xdev -name '*seatwright*' -not -path '/proc/*' | sort").splitlines()
    assert left == [
        "/etc/sudoers.d/seatwright-access",  # how we come in; first-access.yml put it there
        "/var/lib/seatwright",  # with nothing but what a person wrote
        f"{ASIDE}/etc/seatwright",
        f"{ASIDE}/etc/systemd/logind.conf.d/seatwright.conf",
    ]
    assert seat.ask("ls -A /var/lib/seatwright") == "set-aside"
    assert seat.ask("getent passwd seat || getent group seat || echo none") == "none"
    assert seat.ask("systemctl is-enabled getty@tty1.service") == "enabled"
    assert seat.ask("systemctl show -P LoadState ctrl-alt-del.target") == "loaded"
    assert not seat.active("seatwright-session.service")
    again = demo.playbook("remove").expect_success()
    assert again.recap["rr-01"].changed == 0
