"""Every finding has a page, and every page is true: its examples are tried."""

from __future__ import annotations

import pytest

from seatwright.findings.catalogue import BY_SLUG, CATALOGUE
from seatwright.findings.formats import format_text
from seatwright.site.places import Sources
from seatwright.site.read import read_site
from support.pages import FOLDER, read_page, said_of

UNTRIED = (
    "file-too-big",
    "onboard-passes",
    "layers-disagree",
    "certificate-ended",
    "certificate-ends",
    "certificate-names",
)
"""The example of the first would be a file of 50 MB, test_site_compose has it; no description leads
to the others: test_policy_checks has plans that do, test_secrets certificates.
"""

SLUGS = sorted(path.stem for path in FOLDER.glob("*.md"))


def test_every_finding_of_the_catalogue_has_a_page() -> None:
    assert sorted(BY_SLUG) == SLUGS


def test_the_catalogue_names_each_slug_once() -> None:
    assert len(BY_SLUG) == len(CATALOGUE)


@pytest.mark.parametrize("slug", SLUGS)
def test_the_title_is_the_catalogue_s(slug: str) -> None:
    assert read_page(slug).title == BY_SLUG[slug].title


@pytest.mark.parametrize("slug", sorted(set(SLUGS) - set(UNTRIED)))
def test_the_wrong_example_is_found_wrong(slug: str) -> None:
    page = read_page(slug)
    findings, text = said_of(page.wrong, slug)
    assert slug in {found.slug for found in findings}
    assert text == page.said


@pytest.mark.parametrize("slug", sorted(set(SLUGS) - set(UNTRIED)))
def test_the_right_example_is_right(slug: str) -> None:
    findings, text = said_of(read_page(slug).right, slug)
    assert slug not in {found.slug for found in findings}, text


def test_the_page_that_cannot_be_tried(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``file-too-big``, with a sparse file."""
    monkeypatch.chdir(tmp_path_factory.mktemp("big"))
    import os
    from pathlib import Path

    Path("rooms").mkdir()
    Path("rooms/backup.yml").touch()
    os.truncate("rooms/backup.yml", 50_000_000)
    text = "seatwright: 1\nsite: Fennmoor Town Archive\nfiles: [rooms/*.yml]\n"
    Path("site.yml").write_text(text)
    reading = read_site("site.yml")
    assert (
        format_text(reading.findings, Sources({"site.yml": text})) == read_page("file-too-big").said
    )
