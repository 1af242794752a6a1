"""The verb book, as a person runs it."""

from __future__ import annotations

import shutil
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from render_sites import TINY, make_repository, seatwright, seatwright_process
from seatwright.book.serve import BookServer, version_of
from seatwright.commands.book import current_content

WRONG = TINY.replace("policy: readers, model: ridge", "policy: reders, model: ridge")


def book_of(site: Path, *words: str | Path) -> str:
    """The book that the verb writes."""
    book = site.parents[2] / "book.html"
    done = seatwright("book", site, "--output", book, *words)
    assert done.returncode == 0, done
    return book.read_text(encoding="utf-8")


def test_the_book_is_one_file_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = make_repository(tmp_path)
    monkeypatch.chdir(tmp_path)
    done = seatwright("book", site.parent)
    assert done.returncode == 0 and done.stdout == ""
    assert (tmp_path / "lock.html").read_bytes().startswith(b"<!DOCTYPE html>")
    assert "lock.html: 0.1 MB" in done.stderr
    assert [one.name for one in site.parent.iterdir()] == ["site.yml"]


def test_the_same_book_goes_to_stdout(tmp_path: Path) -> None:
    site = make_repository(tmp_path)
    seatwright("book", site, "--output", tmp_path / "book.html")
    written = (tmp_path / "book.html").read_text(encoding="utf-8")
    assert seatwright_process("book", site, "--output", "-").stdout == written


def test_pictures_are_written_beside(tmp_path: Path) -> None:
    site = make_repository(tmp_path)
    book_of(site, "--pictures", tmp_path / "drawn")
    names = sorted(one.name for one in (tmp_path / "drawn").iterdir())
    pictures = ["link-1", "sockets-hall", "sockets-hall-2", "tree-ridge"]
    assert names == sorted(f"{one}.{form}" for one in pictures for form in ("svg", "png"))


def test_what_changed_is_a_page_of_its_own(tmp_path: Path) -> None:
    site = make_repository(tmp_path / "now")
    shutil.copytree(tmp_path / "now", tmp_path / "before")
    assert 'id="changes"' not in book_of(site)
    same = book_of(site, "--since", tmp_path / "before")
    assert "Nothing changes for anybody." in same
    site.write_text(TINY.replace("offer: [image]", "offer: [image, printer]"), encoding="utf-8")
    changed = book_of(site, "--since", tmp_path / "before")
    changes = changed.split('id="changes"')[1]
    assert "more permissive" in changes and "no promise says so" in changes
    assert 'aria-label="was: stays at the seat; now: goes when picked"' in changes


def test_a_revision_that_is_none_is_refused(tmp_path: Path) -> None:
    site = make_repository(tmp_path)
    done = seatwright("book", site, "--output", "-", "--since", "nowhere")
    assert done.returncode == 2 and "neither a directory nor a revision" in done.stderr


def test_a_site_with_errors_has_no_book(tmp_path: Path) -> None:
    site = make_repository(tmp_path, WRONG)
    done = seatwright("book", site, "--output", tmp_path / "book.html")
    assert done.returncode == 2 and "unknown-name" in done.stdout
    assert not (tmp_path / "book.html").exists()


def test_a_broken_promise_is_in_the_book(tmp_path: Path) -> None:
    text = TINY + "promises: [{room: hall, device: card-reader, redirect: true}]\n"
    book = book_of(make_repository(tmp_path, text))
    assert "Does not hold" in book and "The promise does not hold" in book


@contextmanager
def served(site: Path) -> Iterator[BookServer]:
    def make(version: str) -> bytes:
        content = current_content(site)
        slugs = " ".join(told.finding.slug for told in content.findings)
        return f"{version} {content.title} {content.plan is not None} {slugs}".encode()

    server = BookServer(site.parent, make)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server
    finally:
        server.stop()
        thread.join(10)
        assert not thread.is_alive()


def get(server: BookServer, path: str = "", host: str = "") -> str:
    request = urllib.request.Request(server.address + path)
    if host:
        request.add_header("Host", host)
    with urllib.request.urlopen(request, timeout=10) as answer:
        return str(answer.read().decode())


def until(server: BookServer, words: str) -> None:
    """Waits for a page that says something; a busy machine may take a while."""
    deadline = time.monotonic() + 60
    while words not in get(server):
        assert time.monotonic() < deadline, f"{words!r} never came: {get(server)}"
        time.sleep(0.1)


def test_a_served_book_follows_the_files_and_their_errors(tmp_path: Path) -> None:
    site = make_repository(tmp_path)
    with served(site) as server:
        assert get(server).endswith("room-without-seats")
        assert get(server, "version") == version_of(site.parent)
        site.write_text(WRONG, encoding="utf-8")
        until(server, "unknown-name")
        site.write_text("seatwright: 1\nsite: [", encoding="utf-8")
        until(server, "False not-yaml")
        site.write_text(TINY.replace("Lock House", "Lock Keeper"), encoding="utf-8")
        until(server, "Lock Keeper True host-sees-no-sockets")


@pytest.mark.parametrize(
    ("path", "host", "status"),
    [("site.yml", "", 404), ("", "book.example:80", 421), ("", "127.0.0.1.example", 421)],
)
def test_a_served_book_answers_nothing_else_and_no_other_name(
    tmp_path: Path, path: str, host: str, status: int
) -> None:
    with served(make_repository(tmp_path)) as server:
        assert server.server_address[0] == "127.0.0.1"
        with pytest.raises(urllib.error.HTTPError) as refused:
            get(server, path, host)
        assert refused.value.code == status


def test_what_is_rendered_does_not_count_as_a_change(tmp_path: Path) -> None:
    site = make_repository(tmp_path)
    before = version_of(site.parent)
    (site.parent / "rendered").mkdir()
    (site.parent / "rendered" / "hosts.yml").write_text("all: {}\n", encoding="utf-8")
    assert version_of(site.parent) == before
    (site.parent / "rooms").mkdir()
    (site.parent / "rooms" / "more.yml").write_text("rooms: {}\n", encoding="utf-8")
    assert version_of(site.parent) != before
