"""The same findings in every format, one file a format in tests/golden/formats.

Some of them are as bad as a site's own words can be: terminal escapes, markup, links, names to be
called by.  ``PYTHONPATH=generator:tests python -m golden.test_golden_formats`` writes the files
as they are now; read the difference.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from seatwright import __version__
from seatwright.findings import Finding, Place, Severity
from seatwright.findings.formats import FORMATS, write
from seatwright.site.places import Sources

FOLDER = Path(__file__).parent / "formats"
NAMES = {
    "text": "findings.txt",
    "json": "findings.json",
    "sarif": "findings.sarif",
    "junit": "findings.xml",
    "markdown": "findings.md",
}

SOURCES = Sources(
    {
        "site.yml": "rooms:\n  staff: {policy: dsk, ports: 4}\n  日本: {policy: desk}\n",
        "rooms/a b#c:`d`.yml": "title: ]]><script>\n",
    }
)

HOSTILE = (
    "\x1b[2J\u202e]]><script>alert(1)</script> & [click](http://evil.example) @everybody #1 "
    "www.evil.example `code` {0} **bold** | cell $x$"
)

FINDINGS = (
    Finding(
        "unknown-name",
        Severity.ERROR,
        Place("site.yml", 2, 19, 3),
        'There is no policy "dsk".',
        'Did you mean "desk"?',
        also=((Place("site.yml", 3, 16, 4), "described here"),),
    ),
    Finding("bad-name", Severity.ERROR, Place("site.yml", 3, 3, 2), '"日本" cannot be a name.'),
    Finding(
        "idle-line",
        Severity.WARNING,
        Place("rooms/a b#c:`d`.yml", 1, 8, 11),
        f"{HOSTILE} is never heard.",
        f"Take {HOSTILE} out.",
        also=((Place("/etc/x y.yml", 1, 1), HOSTILE),),
        witness={"vendor": "1209", "product": "0003", "interfaces": [[8, 6, 80]]},
    ),
    Finding("kept-everywhere", Severity.NOTE, Place("site.yml", 1, 1, 5), "No room lets it."),
)


def written(form: str) -> str:
    """The findings: SARIF without the pages of help, JUnit with the cases that say something.

    Pages and the list of all cases change with the catalogue and have tests of their own.
    """
    text = write(form, FINDINGS, SOURCES)
    if form == "sarif":
        log = json.loads(text)
        driver = log["runs"][0]["tool"]["driver"]
        assert driver["version"] == __version__
        driver["version"] = "VERSION"
        for rule in driver["rules"]:
            del rule["help"]
        text = json.dumps(log, indent=2, ensure_ascii=False) + "\n"
    if form == "junit":
        case = re.compile(r"    <testcase [^>]*(/>|>\s*<skipped [^>]*/>\s*</testcase>)\n")
        text = re.sub(r'(tests|skipped)="\d+"', r'\1="N"', case.sub("", text))
    return text


@pytest.mark.parametrize("form", FORMATS)
def test_findings_are_written_like_this(form: str) -> None:
    assert written(form) == (FOLDER / NAMES[form]).read_text(encoding="utf-8")


@pytest.mark.parametrize("form", FORMATS)
def test_nothing_reaches_a_terminal_in_any_format(form: str) -> None:
    text = written(form)
    assert not {"\x1b", "\u202e"} & set(text)
    assert text.endswith("\n")


def update() -> None:
    """Write the files as they are now."""
    for form, name in NAMES.items():
        (FOLDER / name).write_text(written(form), encoding="utf-8")


if __name__ == "__main__":
    update()
