"""A kind of host that is not known here: a site's template and commands, on an invented host."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest

from render_sites import TINY, make_repository, seatwright

GRANARY = Path(__file__).with_name("granary")
TEMPLATE = """\
[# what the granary's own format wants of a guest #]
guest [[ guest.name ]]
  seat [[ guest.seat ]]
  display [[ guest.listen | shell ]] tls [[ guest.spice_port ]]
[% for port in guest.ports %]
  port [[ port.number ]]
[% endfor %]
[% for rule in guest.rules %]
  [[ "allow" if rule.allow else "deny" ]] [[ rule.class ]] [[ rule.vendor ]] [[ rule.product ]]
[% endfor %]
"""


def site(root: Path, template: str = TEMPLATE, can: str = "filter, passwords") -> Path:
    """A repository with one host of this kind, its program beside it."""
    granary = root / "granary"
    host = (
        'kind: commands, address: quay.example, listen: "::", template: granary.txt, '
        f"inspect: [{granary}, show], apply: [{granary}, set], can: [{can}]"
    )
    if "passwords" in can:
        host += f", password: [{granary}, password]"
    if "tickets" in can:
        host += ", ticket: [/usr/local/bin/granary, ticket]"
    path = make_repository(root, TINY.replace('address: quay.example, listen: "192.0.2.10"', host))
    (path.parent / "granary.txt").write_text(template)
    shutil.copy(GRANARY, granary)
    return path


def play(root: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run the rendered playbook with the host's side on this machine, as Ansible runs it."""
    ways = {"all": {"hosts": {"quay": {"ansible_connection": "local", "ansible_become": False}}}}
    (root / "ways.yml").write_text(json.dumps(ways))
    place = root / "inventories/lock"
    command: list[str | Path] = [Path(sys.executable).parent / "ansible-playbook"]
    for inventory in (place / "rendered/hosts.yml", root / "ways.yml", place / "secrets/inventory"):
        command += ["-i", inventory]
    command += ["--vault-password-file", root / "password", place / "rendered/playbooks/guests.yml"]
    run = subprocess.run(
        [*command, *options],
        cwd=root,
        env={**os.environ, "ANSIBLE_NOCOLOR": "1"},
        capture_output=True,
        text=True,
    )
    print(run.stdout, run.stderr)
    return run


def test_guests_on_an_invented_host(tmp_path: Path) -> None:
    path = site(tmp_path)
    (tmp_path / "password").write_text("a password of the test\n")
    options = ("--vault-password-file", tmp_path / "password")
    assert seatwright("secrets", path, *options).returncode == 0
    assert seatwright("render", path).returncode == 0
    store = tmp_path / "store"
    for name in ("hall-1", "hall-2", "hall-3", "desk-1"):
        (store / name).mkdir(parents=True)
    foreseen = play(tmp_path, "--check", "--diff")
    assert "+  port 2" in foreseen.stdout and not list(store.rglob("text"))
    (store / "hall-3").rmdir()
    first = play(tmp_path, "--diff")
    assert "guests done: 3, not done: 1 (hall-3: inspect ended with 3: no guest hall-3" in (
        first.stdout
    )
    assert (store / "hall-1/text").read_text().splitlines()[:5] == [
        "guest hall-1",
        "  seat hall-1",
        "  display :: tls 5901",
        "  port 1",
        "  port 2",
    ]
    assert "  deny 9 -1 -1" in (store / "desk-1/text").read_text()
    passwords = {(store / name / "password").read_text() for name in ("hall-1", "hall-2", "desk-1")}
    assert len(passwords) == 3 and all(len(one) == 24 for one in passwords)
    assert not any(one in first.stdout + first.stderr for one in passwords)
    (store / "hall-3").mkdir()
    assert "changed=1" in play(tmp_path).stdout
    again = play(tmp_path)
    assert again.returncode == 0 and "changed=0" in again.stdout
    assert seatwright("secrets", path, *options, "--valid-days", "30").returncode == 0
    assert "changed=1" in play(tmp_path).stdout
    kept = (store / "hall-1/password").read_text()
    assert datetime.fromisoformat(kept[24:]) > datetime.now() and kept[:24] in passwords
    assert "changed=0" in play(tmp_path).stdout


@pytest.mark.parametrize(
    ("template", "said"),
    [
        ("guest [[ guest.nmae ]]\n", "'dict object' has no attribute 'nmae'"),
        ("a\nb [[ gust.name ]]\n", "line 2: 'gust' is undefined"),
        ("a\n[[ guest.filter ]]\n", "without quoting it"),
        ("[% for one in guest.ports %]\n", "Unexpected end of template"),
        ("[[ guest.ports ]]\n", "without quoting it"),
        ("[[ guest.name.__class__.__mro__ ]]\n", "is unsafe"),
        ("[% include 'other' %]\n", "no loader"),
        ("[[ 1 // 0 ]]\n", "ZeroDivisionError"),
    ],
)
def test_a_template_that_cannot_be_filled_in_is_a_finding(
    tmp_path: Path, template: str, said: str
) -> None:
    path = site(tmp_path, template)
    done = seatwright("check", path)
    assert done.returncode == 1 and "host-template" in done.stdout and said in done.stdout
    refused = seatwright("render", path)
    assert refused.returncode != 0 and not (path.parent / "rendered").exists()


def test_what_a_guest_loses_there_is_a_finding(tmp_path: Path) -> None:
    for can, slugs in (
        ("filter, live-ports, passwords", set()),
        ("filter, live-ports, tickets", set()),
        ("live-ports, passwords", {"host-without-filter"}),
        ("filter, passwords", {"no-live-ports"}),
        ("filter, live-ports", {"host-without-password"}),
    ):
        path = site(tmp_path / can.replace(", ", "-"), can=can)
        found = json.loads(seatwright("check", path, "--json").stdout)["findings"]
        about = {one["slug"] for one in found if one["slug"].startswith(("host-w", "no-live"))}
        assert about == slugs, can


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("can: [filter, passwords]", "can: [tickets, passwords], ticket: [/bin/x]"), None),
        (("can: [filter, passwords]", "can: [tickets]"), "has no command ticket"),
        (("password: [", "ticket: ["), "has no command password"),
        (
            ("password: [", "ticket: [/bin/x], password: ["),
            "a command ticket and cannot",
        ),
        (
            ("can: [filter, passwords]", "can: [filter]"),
            "a command password and cannot",
        ),
        (("password: [", "ticket: [granary], password: ["), '"granary" is not an absolute path'),
    ],
)
def test_what_a_host_can_do_with_a_command_it_has_one_for_and_no_other(
    tmp_path: Path, change: tuple[str, str], said: str | None
) -> None:
    path = site(tmp_path)
    path.write_text(path.read_text().replace(*change))
    done = seatwright("check", path)
    assert ("[host-template]" in done.stdout) == (said is not None), done.stdout + done.stderr
    assert said is None or said in done.stdout


def test_tickets_alone_need_no_password_anywhere(tmp_path: Path) -> None:
    path = site(tmp_path, can="tickets")
    loft = 'hosts:\n  loft: {address: loft.example, listen: "::"}\n'
    text = path.read_text().replace("hosts:\n", loft)
    path.write_text(text.replace("host: quay}", "host: loft, seats: [attic-1]}"))
    (tmp_path / "password").write_text("a password of the test\n")
    made = seatwright("secrets", path, "--vault-password-file", tmp_path / "password")
    assert made.returncode == 0, made.stdout + made.stderr
    said = made.stdout + made.stderr
    assert "the password of attic-1" in said and "of hall-1" not in said
    anew = seatwright(
        "secrets", path, "--vault-password-file", tmp_path / "password", "--password", "hall-1"
    )
    assert anew.returncode == 2 and 'The guest "hall-1" has no password.' in anew.stderr


def test_a_template_stays_below_the_site(tmp_path: Path) -> None:
    path = site(tmp_path)
    path.write_text(path.read_text().replace("granary.txt", "../../../etc/passwd"))
    done = seatwright("check", path)
    assert done.returncode == 2 and "it leads out of the site's folder" in done.stdout
    path.write_text(path.read_text().replace("../../../etc/passwd", "none.txt"))
    assert "No such file" in seatwright("check", path).stdout


def test_the_role_passes_ansible_lint_s_production_profile(tmp_path: Path) -> None:
    assert seatwright("render", site(tmp_path)).returncode == 0
    programs = Path(sys.executable).parent
    settings = Path(__file__).parents[2] / ".ansible-lint"
    (tmp_path / ".ansible-lint").write_text(settings.read_text())
    done = subprocess.run(
        [programs / "ansible-lint", "--offline", "--nocolor", "roles/guest_commands"],
        cwd=tmp_path,
        env={**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_trace_says_where_the_host_s_layer_is_missing(tmp_path: Path) -> None:
    for can, said in (("filter, passwords", False), ("passwords", True)):
        path = site(tmp_path / can.replace(", ", "-"), can=can)
        done = seatwright("trace", path, "card-reader", "--at", "hall")
        assert done.returncode == 0, done.stdout + done.stderr
        assert ("On quay nothing is filtered" in done.stdout) == said


def test_a_review_says_what_changes_for_its_guests(tmp_path: Path) -> None:
    old, new = site(tmp_path / "old"), site(tmp_path / "new")
    new.write_text(new.read_text().replace("ports: 2", "ports: 3"))
    done = seatwright("review", old.parent, new.parent)
    assert "hall-1" in done.stdout and "3" in done.stdout, done.stdout + done.stderr
