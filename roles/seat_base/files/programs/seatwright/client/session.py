"""The session: what the person at the seat sees, and the devices that follow the rules.

Started by ``seat-session`` under the compositor.  Everything happens on GTK's main loop, each
event leading to one method here; what has to be decided is decided in modules without a picture.
"""

from __future__ import annotations

import argparse
import faulthandler
import random
import signal
import sys
from pathlib import Path
from typing import Any

from seatwright.client.config import (
    RULES_FILE,
    SESSION_FILE,
    ConfigError,
    Rules,
    SessionConfig,
    read_rules,
    read_session,
)
from seatwright.client.connection import Connection, Listener
from seatwright.client.handover import Event, Handover, Plugged, Status
from seatwright.client.journal import ERROR, INFO, SOCKET, WARNING, Journal
from seatwright.client.libusb import Libusb
from seatwright.client.messages import Messages
from seatwright.client.notify import notify, watchdog_seconds
from seatwright.client.panels import Panels
from seatwright.client.publisher import Publisher
from seatwright.client.runfiles import RUN, boot_clock
from seatwright.client.state import State
from seatwright.client.timing import BackOff, Use
from seatwright.client.toolkit import GLib, Gtk, Spice
from seatwright.client.usbbus import UsbBus
from seatwright.client.window import Window

LOOK_SECONDS = 30
"""How often to look whether the guest uses its devices, while it has any."""
SETTLE_SECONDS = 3
"""After this time a guest has told how many redirection ports it has."""
SOUND_SECONDS = 1
"""After the picture: finding the sound plugins holds everything else up for a moment."""
TROUBLE = {Event.REFUSED, Event.BUSY, Event.NO_PORT}


class Seat:
    """One running session."""

    def __init__(self, config: SessionConfig, rules: Rules, run: Path, journal: Journal) -> None:
        """Raises OSError, GLib.Error where a library is missing or has no USB support."""
        self._config, self._rules, self._journal = config, rules, journal
        self._messages = Messages(config.language)
        self._publisher = Publisher(run)
        self._use = Use.begin(boot_clock(), config.idle_after)
        self._look_timer = 0
        self._state, self._ready = "starting", False
        self._error: str | None = None
        listener = Listener(
            self._connecting, self._opened, self._failed, self._trouble, self._channel
        )
        self._connection = Connection(config, BackOff(random.random), listener)
        self._bus = UsbBus(self._connection.session, Libusb())
        self._handover = Handover(self._bus, self._tell)
        self._window = Window(config)
        self._panels = Panels(config, self._messages, self._window, self._handover, journal, run)

    def start(self) -> None:
        """Show the window, begin to watch, begin to connect."""
        self._bus.watch(self._plugged, self._pulled, self._handover_failed)
        self._window.watch_input(self._used, self._panels.key)
        self._panels.watch_run_files()
        self._window.show_page(self._messages.say("starting"))
        self._window.show(self._mapped)
        self._connection.open()

    def stop(self) -> None:
        """Leave in order: devices go back to the client."""
        self._journal.note("session-ended", "The session ends.", guest=self._config.guest)
        self._connection.close()

    # the window

    def _mapped(self) -> None:
        if self._ready:
            return
        self._ready = True
        self._journal.note("session-up", "The session is up.", guest=self._config.guest)
        self._publish()
        notify("READY=1", f"STATUS=up, guest {self._config.guest}")
        seconds = watchdog_seconds()
        if seconds is not None:
            GLib.timeout_add(int(seconds * 1000), lambda: notify("WATCHDOG=1") or True)
        self._look()

    def _picture(self) -> None:
        self._state, self._error = "shown", None
        self._publish()
        GLib.timeout_add_seconds(SOUND_SECONDS, self._sound)

    def _sound(self) -> bool:
        self._connection.begin_sound()
        return False

    # the connection

    def _connecting(self) -> None:
        if self._error is None:
            self._state = "connecting"
            self._window.show_page(self._say("connecting"))
            self._publish()

    def _opened(self) -> None:
        self._journal.note("connected", "The guest answered.", guest=self._config.guest)
        self._handover.connected_anew()
        GLib.timeout_add_seconds(SETTLE_SECONDS, self._settled)

    def _settled(self) -> bool:
        """A guest without redirection ports is told to the person once per connection."""
        wanted = [one for one in self._handover.plugged() if one.wanted]
        if self._bus.ports() == 0 and wanted and self._state == "shown":
            self._window.notice(self._say("no-port-none", device=wanted[0].name))
            self._journal.note("no-ports", "The guest has no redirection ports.", priority=WARNING)
        return False

    def _failed(self, slug: str, wait: float) -> None:
        if self._error != slug:
            self._journal.note(slug, self._say(slug), priority=WARNING, guest=self._config.guest)
        self._state, self._error = "waiting", slug
        self._handover.lost()
        then = self._say("trying-again", seconds=max(1, round(wait))) if wait else ""
        self._window.show_page(self._say(slug), then)
        self._devices_changed()

    def _trouble(self, slug: str, what: str) -> None:
        """For the operator: the person is told in other words, and once."""
        if self._error != f"no-{slug}":
            self._journal.note(slug, f"The program for tickets: {what}.", priority=WARNING)

    def _channel(self, channel: Any, new: bool) -> None:
        if isinstance(channel, Spice.UsbredirChannel):
            self._port(channel, new)
        elif isinstance(channel, Spice.DisplayChannel) and channel.get_property("channel-id") == 0:
            if new:
                self._window.attach(self._connection.session, self._picture)
            else:
                self._window.detach()

    def _port(self, channel: Any, new: bool) -> None:
        if new:
            self._bus.channel_appeared(channel)
        else:
            self._bus.channel_vanished(channel)
        # The library has to learn of the channel too before it can be asked.
        GLib.idle_add(self._consider)

    def _consider(self) -> bool:
        self._handover.consider()
        self._devices_changed()
        return False

    # devices

    def _plugged(self, key: int, device: Any) -> None:
        plugged = self._bus.look(key, device, self._rules, self._messages)
        reason = self._messages.reason(plugged.verdict)
        self._note(f"device-{plugged.verdict.kind}", f"{plugged.name} {reason}", plugged)
        self._used()
        self._handover.added(plugged)
        self._devices_changed()

    def _pulled(self, key: int) -> None:
        self._used()
        self._handover.removed(key)
        self._devices_changed()
        # The port of the pulled device is free once the library has finished with it.
        GLib.idle_add(self._consider)

    def _handover_failed(self, key: int, error: str) -> None:
        self._handover.failed(key, error)
        self._devices_changed()

    def _tell(self, event: Event, device: Plugged) -> None:
        """One sentence for the person, one line for the operator."""
        waits = event is Event.NO_PORT
        holders = ", ".join(one.name for one in self._handover.holders()) if waits else ""
        text = self._say(event, device=device.name, holders=holders, reason=device.error)
        priority = WARNING if event in TROUBLE else INFO
        self._note(event, text, device, priority=priority, holders=holders, error=device.error)
        self._window.notice(text)
        self._devices_changed()

    def _note(
        self, event: str, text: str, device: Plugged, *, priority: int = INFO, **fields: str
    ) -> None:
        used = {name: value for name, value in fields.items() if value}
        self._journal.note(
            event,
            text,
            priority=priority,
            device=device.id,
            port=device.place,
            why=str(device.verdict.why),
            **used,
        )

    def _devices_changed(self) -> None:
        self._panels.refresh()
        self._publish()
        if self._ready and not self._look_timer:
            self._look()

    # who uses the seat

    def _used(self) -> None:
        now = boot_clock()
        was_idle = self._use.idle(now)
        self._use.typed(now)
        if was_idle:
            self._publish()
            if self._ready and not self._look_timer:
                self._look()

    def _look(self) -> bool:
        """Whether the seat became idle; come back when it can have changed, and not before."""
        now = boot_clock()
        self._use.look(now, dict(self._bus.traffic()))
        self._publish()
        wait = self._use.until_idle(now)
        if self._of(Status.THERE):
            wait = min(wait, LOOK_SECONDS) or LOOK_SECONDS
        self._look_timer = GLib.timeout_add(int(wait * 1000) + 50, self._look) if wait else 0
        return False

    # telling

    def _of(self, status: Status) -> tuple[Plugged, ...]:
        return tuple(one for one in self._handover.plugged() if one.status is status)

    def _say(self, slug: str, **words: object) -> str:
        return self._messages.say(slug, guest=self._config.guest, **words)

    def _publish(self) -> None:
        state = State(
            state=self._state,
            seat=self._config.seat,
            guest=self._config.guest,
            redirected=tuple(one.published() for one in self._of(Status.THERE)),
            waiting=tuple(one.published() for one in self._of(Status.WAITING)),
            idle=self._use.idle(boot_clock()),
            last_input=round(self._use.last_input, 1),
            last_error=self._error,
            ready=self._ready,
        )
        try:
            self._publisher.publish(state)
        except OSError as error:
            self._journal.note("state-unwritten", f"The state file: {error}", priority=WARNING)


def main(arguments: list[str] | None = None) -> int:
    """Run the session until systemd or the compositor ends it; 0, or 1 where it cannot begin."""
    parser = argparse.ArgumentParser(prog="seat-session", description="The session of this seat.")
    parser.add_argument("--session", type=Path, default=SESSION_FILE, help="session.json")
    parser.add_argument("--rules", type=Path, default=RULES_FILE, help="rules.json")
    parser.add_argument("--run", type=Path, default=RUN, help="where the state file lies")
    parser.add_argument("--journal", default=SOCKET, help="the journal's socket")
    options = parser.parse_args(arguments)
    faulthandler.enable()  # a library that crashes leaves a trace in the journal
    journal = Journal(options.journal)
    if not Gtk.init_check(None)[0]:
        journal.note("no-display", "There is no display to show the session on.", priority=ERROR)
        return 1
    try:
        config, rules = read_session(options.session), read_rules(options.rules)
        seat = Seat(config, rules, options.run, journal)
    except (ConfigError, OSError, GLib.Error) as error:
        journal.note("cannot-start", str(error), priority=ERROR)
        return 1
    loop = GLib.MainLoop()
    for number in (signal.SIGTERM, signal.SIGINT):
        GLib.unix_signal_add(GLib.PRIORITY_HIGH, number, loop.quit)
    seat.start()
    loop.run()
    seat.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main())
