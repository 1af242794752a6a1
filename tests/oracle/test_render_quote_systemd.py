"""Quoting for systemd units, read back by systemd's own functions.

Source: libsystemd-shared of Debian's systemd, ``extract_first_word`` with the flags that
Environment= and ExecStart= use, and ``specifier_printf``; systemd.syntax(7), systemd.unit(5).
"""

from __future__ import annotations

import ctypes
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from seatwright.render.errors import QuoteError
from seatwright.render.quote import systemd_command, systemd_text, systemd_word

UNQUOTE_AND_UNESCAPE = 1 << 5 | 1 << 1
"""EXTRACT_UNQUOTE | EXTRACT_CUNESCAPE in src/basic/extract-word.h."""

texts = st.text(alphabet=st.characters(codec="utf-8"), max_size=40)


@pytest.fixture(scope="module")
def systemd() -> ctypes.CDLL:
    (found,) = Path("/usr/lib").glob("*/systemd/libsystemd-shared-*.so")
    return ctypes.CDLL(str(found))


def words(systemd: ctypes.CDLL, line: str) -> list[str]:
    """The words of a setting, as systemd cuts them."""
    rest, found = ctypes.c_char_p(line.encode()), []
    word = ctypes.c_char_p()
    while True:
        got = systemd.extract_first_word(
            ctypes.byref(rest), ctypes.byref(word), None, UNQUOTE_AND_UNESCAPE
        )
        assert got >= 0, f"systemd refuses {line!r}"
        if got == 0:
            return found
        found.append((word.value or b"").decode())


def expanded(systemd: ctypes.CDLL, text: str) -> str:
    """The text after specifiers; the table of specifiers is empty, so ``%%`` alone is known."""
    table = (ctypes.c_void_p * 3)()
    result = ctypes.c_char_p()
    done = systemd.specifier_printf(
        ctypes.c_char_p(text.encode()),
        ctypes.c_size_t(1 << 20),
        ctypes.byref(table),
        None,
        None,
        ctypes.byref(result),
    )
    assert done >= 0
    return (result.value or b"").decode()


@given(text=texts)
@example(text="a \"b\" 'c' \\ %n %% $HOME")
@example(text="two\nlines")
@example(text="")
@example(text="\\x41 \\n")
def test_words(systemd: ctypes.CDLL, text: str) -> None:
    try:
        quoted = systemd_word(text)
    except QuoteError:
        return
    assert "\n" not in quoted
    assert [expanded(systemd, word) for word in words(systemd, f"{quoted} end")] == [text, "end"]


@given(text=texts)
@example(text="100% $HOME $$ ${x}")
def test_commands_have_their_dollars_doubled(systemd: ctypes.CDLL, text: str) -> None:
    try:
        quoted = systemd_command(text)
    except QuoteError:
        return
    (word,) = words(systemd, quoted)
    doubled = expanded(systemd, word)
    assert doubled.replace("$$", "").count("$") == 0
    assert doubled.replace("$$", "$") == text


@given(text=texts)
@example(text="100%n")
def test_text(systemd: ctypes.CDLL, text: str) -> None:
    try:
        quoted = systemd_text(text)
    except QuoteError:
        return
    assert quoted == quoted.strip() and not quoted.endswith("\\") and "\n" not in quoted
    assert expanded(systemd, quoted) == text


@pytest.mark.parametrize("text", ["two\nlines", "end \\", " blank", "\x1b[31m", "\u202ex"])
def test_what_has_no_spelling_is_refused(text: str) -> None:
    with pytest.raises(QuoteError):
        systemd_text(text)
