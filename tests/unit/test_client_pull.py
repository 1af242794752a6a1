"""What a seat that fetches remembers from one look to the next; the looks themselves are on real
hosts (tests/hosts/test_seat_pull.py)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from seatwright.client import pull

CONFIG = {"seat": "rr-01"}


class Server:
    """What the repository has, what becomes of it at the seat, and how often it was tried."""

    def __init__(self) -> None:
        self.commit = "a" * 40
        self.fetching: str | None = None
        self.trying: str | None = None
        self.tried: list[str] = []

    def fetch(self, config: object) -> str:
        if self.fetching:
            raise pull.PullError(self.fetching, "no route")
        return self.commit

    def carry_out(self, config: object, commit: str) -> None:
        self.tried.append(commit)
        if self.trying:
            raise pull.PullError(self.trying, "a task failed")


@pytest.fixture
def server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Server:
    found = Server()
    monkeypatch.setattr(pull, "WORK", tmp_path)
    monkeypatch.setattr(pull, "STATE", tmp_path / "state.json")
    monkeypatch.setattr(pull, "fetch", found.fetch)
    monkeypatch.setattr(pull, "verify", lambda config, commit: None)
    monkeypatch.setattr(pull, "carry_out", found.carry_out)
    return found


def looked() -> tuple[int, str, str, str]:
    """One look: how it ended, and what is remembered of it."""
    code = pull.look(CONFIG)
    state = json.loads(pull.STATE.read_text())
    return code, state["result"], state["became"], state["good"][:1]


@pytest.mark.parametrize("trouble", ["unreachable", "failed"])
def test_a_commit_is_tried_once_whatever_happens_to_the_network(
    server: Server, trouble: str
) -> None:
    assert looked() == (0, "fine", "fine", "a")
    server.fetching = trouble
    assert looked() == (1, trouble, "fine", "a")
    server.fetching = None
    assert looked() == (0, "fine", "fine", "a")
    server.commit, server.trying = "b" * 40, "failed"
    assert looked() == (1, "failed", "failed", "a")
    server.fetching = trouble
    assert looked() == (1, trouble, "failed", "a")
    server.fetching = None
    assert looked() == (0, "failed", "failed", "a")
    assert [one[0] for one in server.tried] == ["a", "b"]
    server.commit, server.trying = "c" * 40, None
    assert looked() == (0, "fine", "fine", "c")


def test_a_commit_that_was_not_tried_is(server: Server) -> None:
    """A signature that nobody knew yet; a state of an earlier version, which says less."""
    server.trying = "unsigned"
    assert looked() == (1, "unsigned", "", "")
    server.trying = None
    assert looked() == (0, "fine", "fine", "a")
    document = json.loads(pull.STATE.read_text())
    del document["became"]
    pull.STATE.write_text(json.dumps(document))
    assert looked() == (0, "fine", "fine", "a")
    assert len(server.tried) == 3
