"""The pages of findings, taken apart and tried: what each example says must be what it shows.

A page has the headings "Wrong" and "Right".  Below each stand the files of an example, each in
a block ```` ```yaml NAME ````; with ``escaped`` behind the name the block holds ``\\xNN`` for bytes
that do not print, and only the line ends written ``\\n`` count.  What is said of the wrong example
is the block ```` ```text ````.

``python -m support.pages`` (from tests/) writes into every page what is said now; the difference
is then looked at like any other.
"""

from __future__ import annotations

import contextlib
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from seatwright.findings import pages as pages_of_findings
from seatwright.findings.catalogue import POLICY
from seatwright.findings.finding import Finding
from seatwright.findings.formats import format_text
from seatwright.planning import make_plan
from seatwright.policy.checks import check_plan
from seatwright.site.allocations import FILE_NAME, Allocations, read_allocations
from seatwright.site.places import placed
from seatwright.site.read import read_site

FOLDER = Path(next(iter(pages_of_findings.__path__)))
BLOCK = re.compile(
    r"^```(?P<kind>yaml (?P<name>\S+)(?P<escaped> escaped)?|text)\n(?P<text>.*?)^```$",
    re.MULTILINE | re.DOTALL,
)

PROVED = frozenset(kind.slug for kind in POLICY)
"""The findings that only the checks of a plan have."""

Files = Mapping[str, bytes]


@dataclass(frozen=True)
class Page:
    """A page: its title, the files of both examples, and what is said of the wrong one."""

    title: str
    wrong: Files
    said: str
    right: Files


def read_page(slug: str) -> Page:
    """The page of a finding."""
    text = (FOLDER / f"{slug}.md").read_text(encoding="utf-8")
    before, right = text.split("\n## Right\n")
    explanation, wrong = before.split("\n## Wrong\n")
    said = "".join(block["text"] for block in BLOCK.finditer(wrong) if block["kind"] == "text")
    title = explanation.removeprefix("# ").split("\n")[0]
    return Page(title, files_of(wrong), said, files_of(right))


def files_of(part: str) -> dict[str, bytes]:
    """The files of one example."""
    return {
        block["name"]: unescaped(block["text"]) if block["escaped"] else block["text"].encode()
        for block in BLOCK.finditer(part)
        if block["name"]
    }


def unescaped(text: str) -> bytes:
    """The bytes that an escaped block stands for."""
    return text.replace("\n", "").encode().decode("unicode_escape").encode("latin-1")


def said_of(files: Files, slug: str = "") -> tuple[tuple[Finding, ...], str]:
    """What is found in a site of these files, as values and as the program prints it.

    The checks of a whole plan say something of many a small site; where one of them is the page's
    subject (``slug``), only that is listed.
    """
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        for name, content in files.items():
            Path(name).parent.mkdir(parents=True, exist_ok=True)
            Path(name).write_bytes(content)
        reading = read_site("site.yml")
        given = read_allocations(Path(FILE_NAME))
        findings = [*reading.findings, *given.findings]
        if reading.site:
            planned = make_plan(reading.site, given.allocations or Allocations())
            findings += [placed(problem, reading.places) for problem in planned.problems]
            if slug in PROVED:
                proved = (placed(problem, reading.places) for problem in check_plan(planned.plan))
                findings = [found for found in proved if found.slug == slug]
        return tuple(findings), format_text(findings, reading.sources.joined(given.sources))


def update() -> None:
    """Write into every page what is said of its wrong example now."""
    for path in sorted(FOLDER.glob("*.md")):
        page = read_page(path.stem)
        if page.wrong:
            before, after = path.read_text(encoding="utf-8").split("```text\n")
            new = (
                f"{before}```text\n{said_of(page.wrong, path.stem)[1]}```{after.split('```', 1)[1]}"
            )
            path.write_text(new, encoding="utf-8")


if __name__ == "__main__":
    update()
