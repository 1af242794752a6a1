"""The two files the session is told everything by.

``/etc/seatwright/session.json``, one object, every key required unless a default is named::

    format               1
    seat                 name of this seat                              "rr-01"
    site_title           what people call the site                      "Fennmoor Town Archive"
    room                 name of the room                               "reading-room"
    room_title           what people call the room                      "Reading room"
    guest                name of the guest this seat shows              "rr-01"
    host                 address of the guest's host                    "192.0.2.10"
    tls_port             TCP port of the guest's display, 1..65535      5901
    ca_file              absolute path of the site's CA, PEM            "/etc/seatwright/ca.pem"
    subject              subject the host's certificate must have, as "CN=quay,O=Fennmoor" in the
                         certificate's order; null (default): ``host`` must be in its names
    password_credential  name of the systemd credential with the guest's password; null (default):
                         the guest asks for none
    language             language of what the seat shows                "en"
    restart              "never", "if-idle" or "now": told to the person, decided by the keeper
    idle_after           seconds without typing, clicking or a device in use that count as idle
    picker_keys          chord that opens the device picker, default "Control+Alt+U"
    ticket_command       program and arguments that print each connection, see
                         :mod:`seatwright.client.ticket`; null (default): none
    wait_for_time        whether to wait for a synchronised clock, default true

``/etc/seatwright/rules.json``, one object::

    format      1
    redirect    usbredir rules: what goes to the guest by itself ("0x08,-1,-1,-1,1|-1,-1,-1,-1,0")
    permitted   usbredir rules: what may go to the guest at all
    onboard     [{"port": "2-3.4.2", "id": "1209:0002", "carries": "network"}, ...]: exactly these
                port paths are kept, whatever is there; id and carries may be left out or null
    sockets     [{"label": "under the shelf", "ports": ["2-3.1"], "redirect": "...",
                "permitted": "..."}, ...]: at these port paths and below them, the longest first,
                these lists stand instead of the two above
    names       {"1209:0003": "Card reader", ...}: what the site calls its devices, default {}

Rules are usbredir's own text (fields joined by ``,``, rules by ``|``).  An unknown key, a missing
one or a value of another kind is a :class:`ConfigError`: one line with file, key and reason.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from seatwright.usb.filter import FilterError, Rule, parse_rules
from seatwright.usb.portpath import PortPath, PortPathError, parse_port_path

SESSION_FILE = Path("/etc/seatwright/session.json")
RULES_FILE = Path("/etc/seatwright/rules.json")
FORMAT = 1
RESTART_MODES = ("never", "if-idle", "now")
DEFAULT_PICKER_KEYS = "Control+Alt+U"
MAX_BYTES = 4_000_000

NAME = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")
ADDRESS = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.:-]{0,252}[A-Za-z0-9])?|::1?")
LANGUAGE = re.compile(r"[a-z]{2,3}")
CREDENTIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,99}")
CHORD = re.compile(r"((Control|Alt|Shift|Super)\+){1,4}[A-Za-z0-9_]{1,30}")
DEVICE_ID = re.compile(r"[0-9a-f]{4}:[0-9a-f]{4}")
SUBJECT = re.compile(r"[A-Za-z]{1,20}=[^,=]+(,[A-Za-z]{1,20}=[^,=]+)*")


class ConfigError(Exception):
    """A file that cannot be used; the text is one line: file, key, what is wrong."""


@dataclass(frozen=True, slots=True)
class SessionConfig:
    """What ``session.json`` says; ``idle_after`` in seconds."""

    seat: str
    site_title: str
    room: str
    room_title: str
    guest: str
    host: str
    tls_port: int
    ca_file: Path
    subject: str | None
    password_credential: str | None
    language: str
    restart: str
    idle_after: int
    picker_keys: str
    ticket_command: tuple[str, ...] = ()
    wait_for_time: bool = True


@dataclass(frozen=True, slots=True)
class Onboard:
    """A port path that is always kept; ``carries`` is network, disk, input or None."""

    port: PortPath
    id: str | None
    carries: str | None


@dataclass(frozen=True, slots=True)
class RuleLists:
    """The two rule lists that hold at a place; first match decides, no match keeps."""

    redirect: tuple[Rule, ...]
    permitted: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class SocketRules:
    """The lists that hold at a socket: its port paths and everything plugged in below them."""

    label: str
    ports: tuple[PortPath, ...]
    lists: RuleLists


@dataclass(frozen=True, slots=True)
class Rules:
    """What ``rules.json`` says; ``names`` by id in lower-case hex ("1209:0003")."""

    lists: RuleLists
    onboard: tuple[Onboard, ...]
    sockets: tuple[SocketRules, ...]
    names: Mapping[str, str]


def read_session(path: Path = SESSION_FILE) -> SessionConfig:
    """Read ``session.json``; raises :class:`ConfigError`."""
    top = Fields.of_file(path)
    config = SessionConfig(
        seat=top.text("seat", NAME),
        site_title=top.text("site_title"),
        room=top.text("room", NAME),
        room_title=top.text("room_title"),
        guest=top.text("guest", NAME),
        host=top.text("host", ADDRESS),
        tls_port=top.number("tls_port", 1, 65535),
        ca_file=_absolute(top, "ca_file"),
        subject=top.text_or_none("subject", SUBJECT),
        password_credential=top.text_or_none("password_credential", CREDENTIAL),
        language=top.text("language", LANGUAGE),
        restart=top.choice("restart", RESTART_MODES),
        idle_after=top.number("idle_after", 1, 7 * 86400),
        picker_keys=top.text_or_none("picker_keys", CHORD) or DEFAULT_PICKER_KEYS,
        ticket_command=_command(top),
        wait_for_time=top.take("wait_for_time", bool, True),
    )
    top.end()
    return config


def read_rules(path: Path = RULES_FILE) -> Rules:
    """Read ``rules.json``; raises :class:`ConfigError`."""
    top = Fields.of_file(path)
    rules = Rules(
        lists=_lists(top),
        onboard=tuple(_onboard(entry) for entry in top.objects("onboard")),
        sockets=tuple(_socket(entry) for entry in top.objects("sockets")),
        names=_names(top),
    )
    top.end()
    _refuse_doubles(top, rules.sockets)
    return rules


def _lists(fields: Fields) -> RuleLists:
    return RuleLists(fields.rules("redirect"), fields.rules("permitted"))


def _onboard(fields: Fields) -> Onboard:
    onboard = Onboard(
        port=fields.port_path("port"),
        id=fields.text_or_none("id", DEVICE_ID),
        carries=fields.text_or_none("carries"),
    )
    fields.end()
    return onboard


def _socket(fields: Fields) -> SocketRules:
    socket = SocketRules(
        label=fields.text("label"), ports=fields.port_paths("ports"), lists=_lists(fields)
    )
    fields.end()
    return socket


def _names(fields: Fields) -> Mapping[str, str]:
    names = fields.take("names", dict, {})
    for key, value in names.items():
        if not DEVICE_ID.fullmatch(key) or not isinstance(value, str) or not value.isprintable():
            raise fields.error("names", f"{key!r} must be an id like 1209:0003 with a text")
    return dict(names)


def _absolute(fields: Fields, key: str) -> Path:
    path = Path(fields.text(key))
    if not path.is_absolute():
        raise fields.error(key, f"must be an absolute path, not {str(path)!r}")
    return path


def _command(top: Fields) -> tuple[str, ...]:
    words = top.texts_or_none("ticket_command")
    if words and not Path(words[0]).is_absolute():
        raise top.error("ticket_command", f"must begin with an absolute path, not {words[0]!r}")
    return words


def _refuse_doubles(fields: Fields, sockets: tuple[SocketRules, ...]) -> None:
    seen: dict[PortPath, str] = {}
    for socket in sockets:
        for port in socket.ports:
            if port in seen:
                raise fields.error(
                    "sockets", f"{port} stands in {seen[port]!r} and in {socket.label!r}"
                )
            seen[port] = socket.label


_REQUIRED = object()
T = TypeVar("T")


class Fields:
    """One JSON object whose keys are taken one by one; what is left at the end is unknown."""

    def __init__(self, file: Path, where: str, values: object, *, quiet: bool = False) -> None:
        """``quiet``: errors never repeat a value, which may be secret."""
        self.file, self.where, self.quiet = file, where, quiet
        if not isinstance(values, dict):
            raise ConfigError(f"{file}: {where or 'top level'}: must be an object")
        self.values: dict[str, object] = dict(values)
        self.known: list[str] = []

    @classmethod
    def of_file(cls, path: Path) -> Fields:
        fields = cls(path, "", _load(path))
        if fields.take("format", int) != FORMAT:
            raise fields.error("format", f"must be {FORMAT}: the file is of another version")
        return fields

    def error(self, key: str, reason: str) -> ConfigError:
        return ConfigError(f"{self.file}: {self.where}{key}: {reason}")

    def take(self, key: str, kind: type[T], default: object = _REQUIRED) -> T:
        """Value of ``key``, of exactly that JSON kind (true is no number)."""
        self.known.append(key)
        value = self.values.pop(key, default)
        if value is _REQUIRED:
            raise self.error(key, "is missing")
        if type(value) is not kind:
            raise self.error(key, f"must be {_KINDS[kind]}{self._not(value)}")
        return value

    def text(self, key: str, pattern: re.Pattern[str] | None = None) -> str:
        value = self.take(key, str)
        self._check_text(key, value, pattern)
        return value

    def text_or_none(self, key: str, pattern: re.Pattern[str] | None = None) -> str | None:
        if self.values.get(key) is None:
            self.known.append(key)
            self.values.pop(key, None)
            return None
        return self.text(key, pattern)

    def number(self, key: str, least: int, most: int) -> int:
        value = self.take(key, int)
        if not least <= value <= most:
            raise self.error(key, f"must be from {least} to {most}, not {value}")
        return value

    def choice(self, key: str, choices: tuple[str, ...]) -> str:
        value = self.take(key, str)
        if value not in choices:
            raise self.error(key, f"must be one of {', '.join(choices)}, not {value!r}")
        return value

    def texts_or_none(self, key: str) -> tuple[str, ...]:
        """A list of printable texts; () where it is null or absent."""
        if self.values.get(key) is None:
            self.values.pop(key, None)
            self.known.append(key)
            return ()
        texts = self.take(key, list)
        for text in texts:
            self._check_text(key, text, None)
        return tuple(texts)

    def port_path(self, key: str) -> PortPath:
        return self._parse_port_path(key, self.take(key, str))

    def port_paths(self, key: str) -> tuple[PortPath, ...]:
        values = self.take(key, list)
        if not values:
            raise self.error(key, "must not be empty")
        return tuple(self._parse_port_path(key, value) for value in values)

    def objects(self, key: str) -> tuple[Fields, ...]:
        entries = self.take(key, list)
        return tuple(
            Fields(self.file, f"{self.where}{key}[{number}].", entry)
            for number, entry in enumerate(entries)
        )

    def rules(self, key: str) -> tuple[Rule, ...]:
        try:
            return parse_rules(self.take(key, str))
        except FilterError as error:
            raise self.error(key, str(error)) from None

    def end(self) -> None:
        """Refuse what nobody asked for."""
        for key in self.values:
            import difflib  # half a start's own imports, and wanted only here

            near = difflib.get_close_matches(key, self.known, n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            raise self.error(key, f"is not a key of this file{hint}")

    def _parse_port_path(self, key: str, value: object) -> PortPath:
        if not isinstance(value, str):
            raise self.error(key, f"must be a port path, not {json.dumps(value)[:60]}")
        try:
            return parse_port_path(value)
        except PortPathError as error:
            raise self.error(key, error.message) from None

    def _check_text(self, key: str, value: object, pattern: re.Pattern[str] | None) -> None:
        if not isinstance(value, str) or not value.strip() or not value.isprintable():
            raise self.error(key, f"must be printable text{self._not(value)}")
        if pattern is not None and not pattern.fullmatch(value):
            shown = "" if self.quiet else f"{value!r} "
            raise self.error(key, f"{shown}has not the form it must have")

    def _not(self, value: object) -> str:
        return "" if self.quiet else f", not {json.dumps(value)[:60]}"


_KINDS: Mapping[type, str] = {
    str: "a text",
    int: "a whole number",
    bool: "true or false",
    list: "a list",
    dict: "an object",
}


def _load(path: Path) -> object:
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from None
    if len(data) > MAX_BYTES:
        raise ConfigError(f"{path}: is larger than {MAX_BYTES} bytes")
    try:
        return json.loads(data, object_pairs_hook=no_doubles)
    except (ValueError, RecursionError) as error:
        raise ConfigError(f"{path}: is not JSON: {error}") from None


def no_doubles(pairs: list[tuple[str, object]]) -> dict[str, object]:
    keys = [key for key, _ in pairs]
    for key in keys:
        if keys.count(key) > 1:
            raise ValueError(f"the key {key!r} stands there twice")
    return dict(pairs)
