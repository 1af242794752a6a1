"""spice-gtk's device manager as a :class:`~seatwright.client.handover.Bus`.

Never ask the manager for its list of devices: the objects it returns are freed twice (an ownership
mistake in its introspection data).  What is plugged in is known from its two signals.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from seatwright.client.config import Rules
from seatwright.client.decide import decide
from seatwright.client.handover import Done, Plugged
from seatwright.client.libusb import Libusb, LibusbError
from seatwright.client.messages import Messages
from seatwright.client.toolkit import GLib, Spice, on
from seatwright.usb.device import Device

NAME_FORMAT = "%1$s %2$s"


class UsbBus:
    """Registry of the devices and the calls that move them."""

    def __init__(self, session: Any, libusb: Libusb) -> None:
        """Raises GLib.Error where the library has no USB support."""
        self._libusb = libusb
        self._devices: dict[int, Any] = {}
        self._channels: dict[int, Any] = {}
        self._manager = Spice.UsbDeviceManager.get(session)
        self._manager.set_property("auto-connect", False)

    def watch(
        self,
        added: Callable[[int, Any], None],
        removed: Callable[[int], None],
        failed: Callable[[int, str], None],
    ) -> None:
        """Tell of devices that come, go, and fail after they were handed over."""

        def on_added(_: Any, device: Any) -> None:
            key = device.get_libusb_device() or 0
            if key:  # a device that the library only plays has none
                self._devices[key] = device
                added(key, device)

        def on_removed(_: Any, device: Any) -> None:
            key = device.get_libusb_device() or 0
            if self._devices.pop(key, None) is not None:
                removed(key)

        def on_error(_: Any, device: Any, error: Any) -> None:
            failed(device.get_libusb_device() or 0, error.message)

        on(self._manager, "device-added", on_added)
        on(self._manager, "device-removed", on_removed)
        on(self._manager, "device-error", on_error)

    def channel_appeared(self, channel: Any) -> None:
        """One more redirection port."""
        self._channels[channel.get_property("channel-id")] = channel

    def channel_vanished(self, channel: Any) -> None:
        """One less."""
        number = channel.get_property("channel-id")
        if self._channels.get(number) is channel:
            del self._channels[number]

    def traffic(self) -> Mapping[str, int]:
        """Bytes the guest sent over each redirection port, by its number."""
        return {
            str(number): int(channel.get_property("total-read-bytes"))
            for number, channel in self._channels.items()
        }

    def ports(self) -> int:
        return len(self._channels)

    def free_ports(self) -> int:
        return int(self._manager.get_property("free-channels"))

    def refusal(self, key: int) -> str | None:
        try:
            self._manager.can_redirect_device(self._devices[key])
        except GLib.Error as error:
            return str(error.message)
        return None

    def connect(self, key: int, done: Done) -> None:
        def finish(manager: Any, result: Any, *_: Any) -> None:
            done(_error_of(lambda: manager.connect_device_finish(result)))

        self._manager.connect_device_async(self._devices[key], None, finish)

    def disconnect(self, key: int, done: Done) -> None:
        def finish(manager: Any, result: Any, *_: Any) -> None:
            done(_error_of(lambda: manager.disconnect_device_finish(result)))

        self._manager.disconnect_device_async(self._devices[key], None, finish)

    def look(self, key: int, device: Any, rules: Rules, messages: Messages) -> Plugged:
        """What was plugged in, and the verdict on it."""
        place = self._libusb.place(key)
        try:
            seen = self._libusb.describe(key)
        except LibusbError:
            seen = Device(0, 0, configured=False)
        identity = f"{seen.vendor:04x}:{seen.product:04x}"
        name = rules.names.get(identity) or _own_name(device)
        return Plugged(
            key=key,
            id=identity,
            place="" if place is None else str(place),
            name=name or messages.say("unnamed-device", id=identity),
            verdict=decide(rules, place, seen),
        )


def _error_of(call: Callable[[], object]) -> str | None:
    try:
        call()
    except GLib.Error as error:
        return str(error.message)
    return None


def _own_name(device: Any) -> str:
    """What the device calls itself; foreign text, so only what can be printed."""
    text = device.get_description(NAME_FORMAT) or ""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:80]
