"""What ``seatwright trace`` prints, a case a file in tests/golden/trace.

Each file says what the case is about and shows one or more commands with what they print, all
about the site beside it.  ``PYTHONPATH=generator:tests python -m golden.test_golden_trace`` writes
what they print now; read the difference.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click.testing
import pytest

from seatwright.commands import trace as verb

CASES = Path(__file__).parent / "trace"
BLOCK = re.compile(
    r"```console\n\$ seatwright trace (?P<words>[^\n]*)\n(?P<output>.*?)```\n", re.DOTALL
)


def printed(words: str) -> str:
    """What the verb prints, on a machine without usb.ids; to be run beside the site."""
    runner = click.testing.CliRunner()
    result = runner.invoke(verb.command, shlex.split(words), standalone_mode=False)
    assert result.exception is None, result.exception
    assert (result.return_value, result.stderr) == (0, ""), result.output
    return result.stdout


def shown(text: str) -> str:
    """A case with what its commands print now."""
    return BLOCK.sub(
        lambda found: (
            f"```console\n$ seatwright trace {found['words']}\n{printed(found['words'])}```\n"
        ),
        text,
    )


@pytest.mark.parametrize("case", sorted(CASES.glob("*.md")), ids=lambda case: case.stem)
def test_a_device_is_traced_like_this(case: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(CASES)
    monkeypatch.setattr(verb, "usb_names", lambda: lambda *_: "")
    text = case.read_text(encoding="utf-8")
    assert BLOCK.search(text), "a case has a console block"
    assert shown(text) == text


def update() -> None:
    """Write into every case what its commands print now."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(CASES)
        patch.setattr(verb, "usb_names", lambda: lambda *_: "")
        for case in sorted(CASES.glob("*.md")):
            case.write_text(shown(case.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    update()
