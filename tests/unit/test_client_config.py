"""The session's two files: what is taken, and the one line that says why something is not."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from seatwright.client.config import (
    DEFAULT_PICKER_KEYS,
    MAX_BYTES,
    ConfigError,
    read_rules,
    read_session,
)
from seatwright.usb.filter import Rule
from seatwright.usb.portpath import PortPath

SESSION: dict[str, object] = {
    "format": 1,
    "seat": "rr-01",
    "site_title": "Fennmoor Town Archive",
    "room": "reading-room",
    "room_title": "Reading room",
    "guest": "rr-01",
    "host": "192.0.2.10",
    "tls_port": 5901,
    "ca_file": "/etc/seatwright/ca.pem",
    "subject": None,
    "password_credential": None,
    "language": "en",
    "restart": "if-idle",
    "idle_after": 600,
}
RULES: dict[str, object] = {
    "format": 1,
    "redirect": "0x08,-1,-1,-1,1|-1,-1,-1,-1,0",
    "permitted": "0x08,-1,-1,-1,1|0x06,-1,-1,-1,1|-1,-1,-1,-1,0",
    "onboard": [{"port": "2-3.4.2", "id": "1209:0002", "carries": "network"}, {"port": "1-1"}],
    "sockets": [
        {
            "label": "under the shelf",
            "ports": ["2-3.1"],
            "redirect": "-1,-1,-1,-1,0",
            "permitted": "-1,-1,-1,-1,0",
        }
    ],
    "names": {"1209:0003": "Card reader"},
}


def write(path: Path, values: object) -> Path:
    path.write_text(json.dumps(values))
    return path


def test_a_session_file_is_read(tmp_path: Path) -> None:
    config = read_session(write(tmp_path / "session.json", SESSION))
    assert (config.seat, config.tls_port, config.idle_after) == ("rr-01", 5901, 600)
    assert config.ca_file == Path("/etc/seatwright/ca.pem")
    assert config.picker_keys == DEFAULT_PICKER_KEYS
    assert config.subject is None


def test_a_rules_file_is_read(tmp_path: Path) -> None:
    rules = read_rules(write(tmp_path / "rules.json", RULES))
    assert rules.lists.redirect == (Rule(usb_class=8, allow=True), Rule())
    assert [one.port for one in rules.onboard] == [PortPath(2, (3, 4, 2)), PortPath(1, (1,))]
    assert rules.sockets[0].ports == (PortPath(2, (3, 1)),)
    assert rules.names == {"1209:0003": "Card reader"}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"seat": None}, "seat: must be a text, not null"),
        ({"seat": "RR 01"}, "seat: 'RR 01' has not the form it must have"),
        ({"seat": "rr-01\n"}, "seat: must be printable text"),
        ({"site_title": ""}, "site_title: must be printable text"),
        ({"tls_port": 0}, "tls_port: must be from 1 to 65535, not 0"),
        ({"tls_port": "5901"}, 'tls_port: must be a whole number, not "5901"'),
        ({"tls_port": True}, "tls_port: must be a whole number, not true"),
        ({"host": "quay; reboot"}, "host: 'quay; reboot' has not the form"),
        ({"ca_file": "ca.pem"}, "ca_file: must be an absolute path"),
        ({"subject": "quay"}, "subject: 'quay' has not the form"),
        ({"password_credential": "../x"}, "password_credential: '../x' has not the form"),
        ({"restart": "later"}, "restart: must be one of never, if-idle, now, not 'later'"),
        ({"idle_after": -1}, "idle_after: must be from 1 to 604800"),
        ({"picker_keys": "U"}, "picker_keys: 'U' has not the form"),
        ({"idle_afterr": 3}, "idle_afterr: is not a key of this file; did you mean idle_after?"),
        ({"format": 2}, "format: must be 1"),
    ],
)
def test_a_session_file_that_is_wrong(
    tmp_path: Path, change: dict[str, object], message: str
) -> None:
    path = write(tmp_path / "session.json", {**SESSION, **change})
    with pytest.raises(ConfigError) as caught:
        read_session(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert message in text
    assert "\n" not in text


@pytest.mark.parametrize("key", sorted(SESSION.keys() - {"subject", "password_credential"}))
def test_a_missing_key_is_named(tmp_path: Path, key: str) -> None:
    values = {name: value for name, value in SESSION.items() if name != key}
    with pytest.raises(ConfigError, match=f"{key}: is missing"):
        read_session(write(tmp_path / "session.json", values))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"redirect": ""}, "redirect: rule 1"),
        ({"redirect": "0x08,-1,-1,1"}, "redirect: rule 1, character 1"),
        ({"permitted": 5}, "permitted: must be a text"),
        ({"onboard": [{"port": "2-03"}]}, "onboard[0].port: port 03"),
        ({"onboard": [{"port": "2-3", "where": 1}]}, "onboard[0].where: is not a key"),
        ({"onboard": [{"id": "1209:0002"}]}, "onboard[0].port: is missing"),
        ({"onboard": [{"port": "2-3", "id": "1209:00AB"}]}, "onboard[0].id: '1209:00AB'"),
        ({"onboard": {}}, "onboard: must be a list"),
        ({"sockets": ["x"]}, "sockets[0].: must be an object"),
        ({"names": {"1209:0003": 5}}, "names: '1209:0003' must be an id"),
    ],
)
def test_a_rules_file_that_is_wrong(
    tmp_path: Path, change: dict[str, object], message: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        read_rules(write(tmp_path / "rules.json", {**RULES, **change}))
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_port_path_stands_in_one_socket_only(tmp_path: Path) -> None:
    socket = RULES["sockets"]
    assert isinstance(socket, list)
    twice = {**RULES, "sockets": [socket[0], {**socket[0], "label": "beside the lamp"}]}
    with pytest.raises(ConfigError, match=r"2-3\.1 stands in 'under the shelf' and in 'beside"):
        read_rules(write(tmp_path / "rules.json", twice))


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is not JSON"),
        (b"\xff\xfe", "is not JSON"),
        (b"[" * 100_000, "is not JSON"),
        (b"[]", "must be an object"),
        (b'{"format": 1, "format": 1}', "the key 'format' stands there twice"),
        (b" " * (MAX_BYTES + 1), "is larger than"),
    ],
)
def test_a_file_that_is_no_such_file(tmp_path: Path, data: bytes, message: str) -> None:
    path = tmp_path / "session.json"
    path.write_bytes(data)
    with pytest.raises(ConfigError, match=message):
        read_session(path)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read: No such file"):
        read_session(tmp_path / "session.json")
