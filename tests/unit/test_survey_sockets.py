"""survey --sockets: a person and a client are played; what appears where names the sockets."""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from played import RIDGE, ROOT_HUBS, Client, Usb, hub, lay_out
from seatwright.survey.here import Places, look_here
from seatwright.survey.model import model_text
from seatwright.survey.onboard import Knowledge
from seatwright.survey.seen import Look
from seatwright.survey.sockets import Walk, walk
from seatwright.survey.ways import ways
from seatwright.survey.write import findings_of

DRIVE = "1209:000b"
FAST = {"speed": "5000"}


class Person:
    """Answers in order, and does what stands beside each answer: changes what is plugged in."""

    def __init__(self, root: Path, client: Client, steps: Sequence[tuple[str, tuple[Usb, ...]]]):
        self.root, self.client, self.steps = root, client, iter(steps)
        self.plugged: tuple[Usb, ...] = ()
        self.said: list[str] = []
        self.made = 0
        self.last: Look | None = None

    def tell(self, text: str) -> None:
        self.said.append(text)
        if text.startswith("Take it out"):
            self.plug(())

    def ask(self, text: str) -> str:
        self.said.append(text)
        answer, plugged = next(self.steps)
        if not text.startswith("What do people"):
            self.plug(plugged)
        return answer

    def plug(self, plugged: tuple[Usb, ...]) -> None:
        self.plugged, self.last = plugged, None

    def look(self) -> Look:
        if self.last is None:
            self.made += 1
            client = replace(self.client, usb=(*self.client.usb, *self.plugged))
            sys = lay_out(client, self.root / str(self.made))
            self.last = look_here(Places.of(str(sys)))
        return self.last


def walked(
    root: Path, client: Client, *steps: tuple[str, tuple[Usb, ...]]
) -> tuple[list[tuple[str, tuple[str, ...], str]], Person, Walk]:
    person = Person(root, client, [("", ()), *steps, ("q", ())])
    found = walk(person)
    sockets = [(one.label, tuple(map(str, one.ports)), one.speed) for one in found.sockets]
    return sockets, person, found


def at(port: str, **more: str) -> tuple[Usb, ...]:
    return (Usb(port, DRIVE, **more),)  # type: ignore[arg-type]


def test_the_kernel_knows_both_halves(tmp_path: Path) -> None:
    found, _, _ = walked(
        tmp_path,
        RIDGE,
        ("", at("2-2", **FAST)),
        ("beside the lamp", ()),
        ("", at("1-2")),
    )
    assert found == [("beside the lamp", ("1-2", "2-2"), "super")]


def test_a_socket_behind_hubs_and_the_model_that_comes_of_it(tmp_path: Path) -> None:
    played = Client(usb=(hub("usb1", 4), hub("1-1"), hub("1-1.2")), nets=RIDGE.nets[1:])
    found, _, done = walked(tmp_path, played, ("", at("1-1.2.3")), ("deep down", ()))
    assert found == [("deep down", ("1-1.2.3",), "high")]
    ports = tuple(port for one in done.sockets for port in one.ports)
    text = model_text("m", Knowledge(done.bare, ways(done.bare), done.bare, ports), done.sockets)
    assert findings_of(text) == ()
    assert '{port: "1-1.2", id: "1209:0001", class: hub}' in text
    assert "the socket at 1-1.2.3 is behind it" in text


def test_the_other_half_is_found_with_a_second_device(tmp_path: Path) -> None:
    """No firmware says which ports belong together."""
    played = Client(usb=(*ROOT_HUBS, hub("1-3"), hub("2-4", speed="5000")))
    found, person, _ = walked(
        tmp_path,
        played,
        ("", at("2-4.1", **FAST)),
        ("y", at("1-3.2")),
        ("front", ()),
        ("", at("1-3.1")),
        ("", ()),
        ("back", ()),
    )
    assert found == [("front", ("1-3.2", "2-4.1"), "super"), ("back", ("1-3.1",), "high")]
    assert "Its other half is 1-3.2." in person.said


def test_without_a_faster_bus_nobody_is_asked_for_another_half(tmp_path: Path) -> None:
    found, person, _ = walked(tmp_path, Client(usb=(hub("usb1", 4),)), ("", at("1-1")), ("one", ()))
    assert found == [("one", ("1-1",), "high")]
    assert not any("USB 3" in one for one in person.said)


def test_labels_are_words_and_each_is_given_once(tmp_path: Path) -> None:
    found, person, _ = walked(
        tmp_path,
        Client(usb=(hub("usb1", 4),)),
        ("", at("1-1")),
        ("", ()),
        ("a\x1bb", ()),
        ("front", ()),
        ("", at("1-2")),
        ("front", ()),
        ('"back"', ()),
    )
    assert [one[0] for one in found] == ["front", '"back"']
    assert 'There is a socket called "front" already.' in person.said
    assert not any("\x1b" in one for one in person.said)


def test_nothing_several_and_the_same_again_are_answered(tmp_path: Path) -> None:
    found, person, _ = walked(
        tmp_path,
        Client(usb=(hub("usb1", 4),)),
        ("", ()),
        ("", (*at("1-1"), *at("1-2"))),
        ("", at("1-3")),
        ("third", ()),
        ("", at("1-3")),
    )
    assert [one[0] for one in found] == ["third"]
    text = "\n".join(person.said)
    assert "Nothing appeared." in text and "Several devices appeared, at 1-1, 1-2." in text
    assert 'That is "third" again, at 1-3.' in text


def test_a_hub_with_something_in_it_counts_as_one(tmp_path: Path) -> None:
    """A drive with a hub of its own inside."""
    found, _, _ = walked(
        tmp_path,
        Client(usb=(hub("usb1", 4),)),
        ("", (hub("1-2"), *at("1-2.1"))),
        ("the socket", ()),
    )
    assert found == [("the socket", ("1-2",), "high")]


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[tuple[int, Path]]:
    """The verb itself on a pseudo terminal, looking at a played client."""
    import pty

    sys_ = lay_out(Client(usb=(hub("usb1", 4),)), tmp_path / "client")
    model = tmp_path / "m.yml"
    child, screen = pty.fork()
    if child == 0:
        os.environ["PYTHONPATH"] = str(Path(__file__).parents[2] / "generator")
        words = ["-m", "seatwright", "survey", "--sys", str(sys_), "--sockets"]
        os.execv(sys.executable, [sys.executable, *words, "--model", "m", "-o", str(model)])
    yield screen, tmp_path
    os.close(screen)
    os.waitpid(child, 0)


def expect(screen: int, words: str) -> str:
    """Read the terminal until something stands there."""
    text = ""
    deadline = time.monotonic() + 60
    while not re.search(words, text):
        assert time.monotonic() < deadline, text
        try:
            text += os.read(screen, 4096).decode(errors="replace")
        except OSError:
            break
    assert re.search(words, text), text
    return text


def test_the_verb_walks_at_a_terminal(terminal: tuple[int, Path]) -> None:
    screen, place = terminal
    expect(screen, "then press Enter")
    os.write(screen, b"\n")
    expect(screen, "type q")
    drive = Client(usb=at("1-3"))
    lay_out(drive, place / "client")
    os.write(screen, b"\n")
    expect(screen, "What do people call")
    os.write(screen, b"beside the lamp\n")
    expect(screen, "Take it out again")
    for name in ("1-3", "1-3:1.0"):
        (place / "client/sys/bus/usb/devices" / name).unlink()
    expect(screen, "type q")
    os.write(screen, b"q\n")
    expect(screen, "Wrote ")
    text = (place / "m.yml").read_text()
    assert '- {port: "1-3", label: "beside the lamp", speed: high}' in text
    assert findings_of(text) == ()
