"""Which device goes to the guest when, against a guest with a given number of ports."""

from __future__ import annotations

from collections.abc import Callable

from seatwright.client.decide import Kind, Verdict, Why
from seatwright.client.handover import Done, Event, Handover, Plugged, Status
from seatwright.client.messages import CATALOGUE, FALLBACK


class Guest:
    """A guest that answers when told to, as the library's calls do from the main loop."""

    def __init__(self, ports: int) -> None:
        self.number = ports
        self.held: set[int] = set()
        self.refuses: dict[int, str] = {}
        self.fails: dict[int, str] = {}
        self.answers: list[Callable[[], None]] = []
        self.asked: list[tuple[str, int]] = []

    def ports(self) -> int:
        return self.number

    def free_ports(self) -> int:
        return self.number - len(self.held)

    def refusal(self, key: int) -> str | None:
        return self.refuses.get(key)

    def connect(self, key: int, done: Done) -> None:
        assert self.free_ports() > 0, "handed over without a free port"
        self.asked.append(("connect", key))
        self.held.add(key)

        def answer() -> None:
            error = self.fails.get(key)
            if error is not None:
                self.held.discard(key)
            done(error)

        self.answers.append(answer)

    def disconnect(self, key: int, done: Done) -> None:
        self.asked.append(("disconnect", key))

        def answer() -> None:
            self.held.discard(key)
            done(None)

        self.answers.append(answer)

    def answer(self) -> None:
        while self.answers:
            self.answers.pop(0)()


class Desk:
    """A seat: a guest, and what was told."""

    def __init__(self, ports: int) -> None:
        self.guest = Guest(ports)
        self.told: list[tuple[Event, int]] = []
        self.handover = Handover(self.guest, lambda event, one: self.told.append((event, one.key)))
        self.handover.connected_anew()

    def plug(self, key: int, kind: Kind = Kind.REDIRECT) -> Plugged:
        device = Plugged(
            key, f"1209:{key:04x}", f"1-{key}", f"device {key}", Verdict(kind, Why.DENIED)
        )
        self.handover.added(device)
        return device

    def pull(self, key: int) -> None:
        self.guest.held.discard(key)
        self.handover.removed(key)

    def status(self) -> dict[int, Status]:
        return {one.key: one.status for one in self.handover.plugged()}


def test_plugged_in_before_or_after_the_guest_is_there() -> None:
    desk = Desk(0)
    desk.plug(1)
    assert desk.status() == {1: Status.HERE}
    desk.guest.number = 2
    desk.handover.consider()
    desk.plug(2)
    desk.guest.answer()
    assert desk.status() == {1: Status.THERE, 2: Status.THERE}
    assert desk.told == [(Event.ARRIVED, 1), (Event.ARRIVED, 2)]


def test_what_is_kept_or_only_offered_does_not_go_by_itself() -> None:
    desk = Desk(4)
    desk.plug(1, Kind.KEEP)
    desk.plug(2, Kind.OFFER)
    desk.guest.answer()
    assert desk.guest.asked == []


def test_what_is_kept_cannot_be_picked() -> None:
    desk = Desk(4)
    desk.plug(1, Kind.KEEP)
    desk.handover.pick(1)
    assert desk.guest.asked == []


def test_an_offered_device_goes_and_comes_back_when_a_person_says_so() -> None:
    desk = Desk(1)
    desk.plug(1, Kind.OFFER)
    desk.handover.pick(1)
    desk.guest.answer()
    assert desk.status() == {1: Status.THERE}
    desk.handover.take_back(1)
    desk.guest.answer()
    desk.handover.consider()
    assert desk.status() == {1: Status.HERE}
    assert desk.told == [(Event.ARRIVED, 1), (Event.LEFT, 1)]


def test_a_device_without_a_port_waits_and_is_told_once() -> None:
    desk = Desk(1)
    desk.plug(1)
    desk.plug(2)
    desk.guest.answer()
    for _ in range(5):
        desk.handover.consider()
    assert desk.status() == {1: Status.THERE, 2: Status.WAITING}
    assert desk.told.count((Event.NO_PORT, 2)) == 1
    desk.pull(1)
    desk.guest.answer()
    assert desk.status() == {2: Status.THERE}


def test_the_first_that_came_is_the_first_served() -> None:
    desk = Desk(1)
    for key in (1, 2, 3):
        desk.plug(key)
    desk.guest.answer()
    desk.pull(1)
    desk.guest.answer()
    assert desk.status() == {2: Status.THERE, 3: Status.WAITING}


def test_a_device_that_stops_waiting_is_not_served() -> None:
    desk = Desk(1)
    desk.plug(1)
    desk.plug(2)
    desk.guest.answer()
    desk.handover.take_back(2)
    desk.pull(1)
    desk.guest.answer()
    assert desk.status() == {2: Status.HERE}


def test_a_refused_device_is_not_tried_again_by_itself() -> None:
    desk = Desk(2)
    desk.guest.refuses[1] = "blocked"
    desk.plug(1)
    for _ in range(5):
        desk.handover.consider()
    assert desk.told == [(Event.REFUSED, 1)]
    assert desk.guest.asked == []
    desk.guest.refuses.clear()
    desk.handover.pick(1)
    desk.guest.answer()
    assert desk.status() == {1: Status.THERE}


def test_a_busy_device_is_told_and_leaves_its_port_to_others() -> None:
    desk = Desk(1)
    desk.guest.fails[1] = "busy"
    desk.plug(1)
    desk.plug(2)
    desk.guest.answer()
    assert desk.status() == {1: Status.FAILED, 2: Status.THERE}
    assert (Event.BUSY, 1) in desk.told
    assert desk.guest.asked == [("connect", 1), ("connect", 2)]


def test_a_refusal_that_comes_later() -> None:
    """The guest's own filter is heard after the device was handed over."""
    desk = Desk(1)
    desk.plug(1)
    desk.guest.answer()
    desk.guest.held.discard(1)
    desk.handover.failed(1, "rejected")
    assert desk.status() == {1: Status.FAILED}
    assert desk.told[-1] == (Event.REFUSED, 1)


def test_a_device_pulled_half_way() -> None:
    desk = Desk(1)
    desk.plug(1)
    desk.pull(1)
    desk.guest.answer()
    assert desk.status() == {}
    assert desk.told == [(Event.GONE, 1)]


def test_an_answer_for_a_device_that_was_pulled_is_not_taken_for_the_next_one() -> None:
    desk = Desk(2)
    first = desk.plug(1)
    desk.pull(1)
    second = desk.plug(1)  # the library uses the address again
    desk.guest.answers.pop(0)()
    assert (first.status, second.status) == (Status.GOING, Status.GOING)
    desk.guest.answer()
    assert second.status is Status.THERE


def test_taken_back_while_it_goes() -> None:
    desk = Desk(1)
    desk.plug(1)
    desk.handover.take_back(1)
    desk.guest.answer()
    assert desk.status() == {1: Status.HERE}
    assert desk.guest.asked == [("connect", 1), ("disconnect", 1)]


def test_after_a_lost_connection_everything_wanted_goes_again() -> None:
    desk = Desk(2)
    desk.guest.refuses[3] = "blocked"
    desk.plug(1)
    desk.plug(2, Kind.OFFER)
    desk.plug(3)
    desk.handover.pick(2)
    desk.guest.answer()
    desk.guest.number, desk.guest.held = 0, set()
    desk.handover.lost()
    assert set(desk.status().values()) == {Status.HERE}
    desk.guest.refuses.clear()
    desk.guest.number = 3
    desk.handover.connected_anew()
    desk.guest.answer()
    assert set(desk.status().values()) == {Status.THERE}


def test_a_dying_connection_is_not_used() -> None:
    """Its ports vanish one after the other; the library crashes on a device for one of them."""
    desk = Desk(2)
    desk.plug(1)
    desk.guest.answer()
    desk.handover.lost()
    desk.guest.number, desk.guest.held = 1, set()
    desk.handover.consider()
    desk.plug(2)
    assert desk.guest.asked == [("connect", 1)]


def test_an_answer_after_the_connection_was_lost_is_old_news() -> None:
    desk = Desk(1)
    device = desk.plug(1)
    desk.handover.lost()
    desk.guest.number = 0
    desk.guest.answer()
    assert device.status is Status.HERE


def test_every_event_has_its_sentence() -> None:
    for event in Event:
        assert str(event) in CATALOGUE[FALLBACK]
