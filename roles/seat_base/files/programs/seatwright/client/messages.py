"""What the seat says to the person in front of it, by language; English where a language lacks it.

Each sentence is for somebody who did not set up the seat: what is, and what they can do.
"""

from __future__ import annotations

from collections.abc import Mapping

from seatwright.client.decide import Verdict

FALLBACK = "en"

ENGLISH: Mapping[str, str] = {
    # the connection
    "starting": "Starting …",
    "connecting": "Connecting to {guest} …",
    "shown": "{guest} is on the screen.",
    "host-away": "{guest} cannot be reached. This seat keeps trying; you need not do anything.",
    "certificate": "This seat does not trust the machine that answers for {guest}. "
    "Please tell the people who look after this room.",
    "password": "{guest} did not accept this seat's password. "
    "Please tell the people who look after this room.",
    "guest-closed": "{guest} has ended the connection. This seat is connecting again.",
    "no-password-file": "This seat has no password for {guest}. "
    "Please tell the people who look after this room.",
    "no-time": "This seat waits until it is told the right time, then it connects to {guest}.",
    "no-ticket": "This seat was given no way to {guest}. It keeps trying. "
    "If it takes long, please tell the people who look after this room.",
    "trying-again": "Trying again in {seconds} s.",
    # devices
    "device-arrived": "{device} is now in {guest}.",
    "device-left": "{device} is back here.",
    "device-refused": "{guest} did not take {device}.",
    "device-busy": "{device} could not be handed over: {reason}",
    "device-gone": "{device} was pulled out before it was handed over.",
    "no-port": "All places for devices in {guest} are taken: {holders}. "
    "Pull one out, and {device} takes its place.",
    "no-port-none": "{guest} has no places for devices, so {device} stays here.",
    "unnamed-device": "Device {id}",
    # the picker
    "picker-title": "Devices for {guest}",
    "picker-empty": "Nothing here to hand over. Plug a device in, and it is listed.",
    "picker-help": "Arrow keys choose, Enter hands over or takes back, Escape closes.",
    "picker-here": "here",
    "picker-there": "in {guest}",
    "picker-waiting": "waiting for a place",
    "picker-failed": "not taken",
    # support mode
    "support-title": "Support: every device, and what this seat noted",
    "support-ends": "Support mode ends by itself in {minutes} min.",
    "restart-waiting": "This seat has new settings. It starts anew when nobody uses it.",
    # why a device goes or stays
    "why-by-itself": "goes to the guest by itself",
    "why-when-picked": "goes to the guest when somebody picks it",
    "why-onboard": "kept: part of this client at {place}",
    "why-onboard-network": "kept: onboard network adapter at {place}",
    "why-onboard-disk": "kept: onboard disk at {place}",
    "why-onboard-input": "kept: onboard keyboard or mouse at {place}",
    "why-no-place": "kept: it cannot be told which socket it is in",
    "why-not-configured": "kept: it has no active configuration",
    "why-no-interfaces": "kept: it shows no interfaces",
    "why-denied": "kept: a rule keeps class {usb_class} of this device",
    "why-not-named": "kept: no rule speaks of class {usb_class} of this device",
}

CATALOGUE: Mapping[str, Mapping[str, str]] = {"en": ENGLISH}


class Messages:
    """The sentences of one language."""

    def __init__(self, language: str) -> None:
        self._sentences = {**CATALOGUE[FALLBACK], **CATALOGUE.get(language, {})}

    def say(self, slug: str, **words: object) -> str:
        """The sentence ``slug`` with its words filled in; KeyError for a slug that is none."""
        return self._sentences[slug].format_map(words)

    def reason(self, verdict: Verdict) -> str:
        """Why a device goes or stays."""
        carries = verdict.details.get("carries", "")
        special = f"{verdict.why}-{carries}"
        slug = special if special in self._sentences else str(verdict.why)
        return self.say(slug, **verdict.details)
