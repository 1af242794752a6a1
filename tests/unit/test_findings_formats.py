"""Findings for other programs: SARIF by its standard, Markdown by CommonMark, and JUnit."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from xml.etree import ElementTree as XML

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from seatwright.commands.main import main
from seatwright.findings import Finding, Place, Severity
from seatwright.findings.catalogue import CATALOGUE, POLICY
from seatwright.findings.formats import write
from seatwright.findings.markdown import FOLDED_FROM, LONGEST
from seatwright.findings.words import is_printable
from seatwright.site.places import Sources

NOTHING = Sources({})


def closed(required: Sequence[str] = (), **properties: Any) -> dict[str, Any]:
    """An object of the standard of which we write these properties and no others."""
    return {
        "type": "object",
        "properties": properties,
        "required": list(required),
        "additionalProperties": False,
    }


def many(of: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": of, "minItems": 0}


TEXT = {"type": "string", "minLength": 1}
INDEX = {"type": "integer", "minimum": 0}
COUNTED = {"type": "integer", "minimum": 1}
LEVEL = {"enum": ["none", "note", "warning", "error"]}

MESSAGE = closed(["text"], text=TEXT)  # 3.11.8
REGION = closed(  # 3.30
    ["startLine", "startColumn", "endColumn"],
    startLine=COUNTED,  # 3.30.5
    startColumn=COUNTED,  # 3.30.6
    endColumn=COUNTED,  # 3.30.8
    snippet=closed(["text"], text={"type": "string"}),  # 3.30.13, 3.3.2
)
PHYSICAL = closed(  # 3.29
    ["artifactLocation", "region"],
    artifactLocation=closed(["uri"], uri=TEXT),  # 3.4.3
    region=REGION,
)
RULE = closed(  # 3.49
    ["id"],
    id=TEXT,  # 3.49.3
    shortDescription=MESSAGE,  # 3.49.9, a multiformatMessageString (3.12)
    help=closed(["text"], text=TEXT, markdown=TEXT),  # 3.49.13; text is a SHALL (3.12.3)
    defaultConfiguration=closed([], level=LEVEL),  # 3.49.14, 3.50.3
)
RESULT = closed(  # 3.27
    ["message"],
    ruleId=TEXT,  # 3.27.5
    ruleIndex=INDEX,  # 3.27.6
    level=LEVEL,  # 3.27.10
    message=MESSAGE,  # 3.27.11
    locations=many(closed([], physicalLocation=PHYSICAL)),  # 3.27.12, 3.28.3
    relatedLocations=many(  # 3.27.22
        closed([], id=INDEX, message=MESSAGE, physicalLocation=PHYSICAL)  # 3.28.2, 3.28.5
    ),
    properties={"type": "object"},  # 3.8
)
SARIF = closed(  # 3.13
    ["version", "runs"],
    **{"$schema": {"type": "string", "pattern": "^https://"}},  # 3.13.3
    version={"const": "2.1.0"},  # 3.13.2
    runs=many(
        closed(  # 3.14
            ["tool"],
            tool=closed(  # 3.18.2
                ["driver"],
                driver=closed(["name"], name=TEXT, version=TEXT, rules=many(RULE)),  # 3.19
            ),
            columnKind={"enum": ["utf16CodeUnits", "unicodeCodePoints"]},  # 3.14.17
            results=many(RESULT),  # 3.14.23
        )
    ),
)
"""What OASIS' SARIF 2.1.0 says of the part that we write, section by section.

No package within reach ships the published schema; this is written down from the standard's text
and is narrower: a property that is not listed is one that we do not write.
"""


def sarif_of(findings: Sequence[Finding], sources: Sources = NOTHING) -> dict[str, Any]:
    """A log that keeps to the standard, and to what a schema cannot say of it."""
    log: dict[str, Any] = json.loads(write("sarif", findings, sources))
    jsonschema.Draft202012Validator(SARIF).validate(log)
    run = log["runs"][0]
    rules = run["tool"]["driver"]["rules"]
    assert len({rule["id"] for rule in rules}) == len(rules)
    for result in run["results"]:
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"]  # 3.27.6
        locations = [*result["locations"], *result.get("relatedLocations", [])]
        ids = [one["id"] for one in locations if "id" in one]
        assert len(set(ids)) == len(ids)  # 3.28.2
        for location in locations:
            region = location["physicalLocation"]["region"]
            assert region["endColumn"] >= region["startColumn"]
    return log


def finding(slug: str = "idle-line", **given: Any) -> Finding:
    values = {"severity": Severity.WARNING, "place": Place("site.yml", 1, 1), "message": "So."}
    return Finding(slug=slug, **{**values, **given})


def test_every_kind_of_finding_has_its_rule_and_page() -> None:
    log = sarif_of([finding(kind.slug) for kind in CATALOGUE])
    rules = log["runs"][0]["tool"]["driver"]["rules"]
    assert {rule["id"] for rule in rules} == {kind.slug for kind in CATALOGUE}
    assert all(rule["help"]["markdown"].startswith("# ") for rule in rules)


def test_no_findings_are_a_log_without_results() -> None:
    assert sarif_of([])["runs"][0]["results"] == []


@given(
    st.text(st.characters(exclude_characters="\0/"), min_size=1).filter(
        lambda one: one.strip() and one not in (".", "..")  # which name folders
    ),
    st.text(min_size=1),
)
def test_any_words_and_file_names_keep_to_the_standard(name: str, words: str) -> None:
    name = name.encode("utf-8", "replace").decode()
    one = finding(
        place=Place(f"rooms/{name}", 1, 1), message=words, also=((Place("x", 1, 1), "y"),)
    )
    result = sarif_of([one])["runs"][0]["results"][0]
    uri = result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
    assert re.fullmatch(r"[A-Za-z0-9._~%/-]+", uri)  # RFC 3986, section 2
    assert urlsplit(uri).scheme == ""
    assert unquote(uri) == f"rooms/{name}"
    text = result["message"]["text"]
    assert not re.search(r"(?<!\\)(\\\\)*[\[\]]", text)  # 3.11.6
    assert not re.search(r"(?<!\{)\{\d+\}", text)  # 3.11.5


def test_columns_count_code_points_and_end_behind_the_last() -> None:
    sources = Sources({"site.yml": "😀日: wrong\n"})
    log = sarif_of([finding(place=Place("site.yml", 1, 5, 5))], sources)
    location = log["runs"][0]["results"][0]["locations"][0]["physicalLocation"]
    assert location["region"] == {
        "startLine": 1, "startColumn": 5, "endColumn": 10, "snippet": {"text": "wrong"},
    }  # fmt: skip


def test_an_absolute_name_is_an_absolute_uri() -> None:
    log = sarif_of([finding(place=Place("/srv/a b/site.yml", 1, 1))])
    location = log["runs"][0]["results"][0]["locations"][0]["physicalLocation"]
    assert location["artifactLocation"]["uri"] == "file:///srv/a%20b/site.yml"


def junit_of(findings: Sequence[Finding], **words: Any) -> dict[str, XML.Element]:
    """The test cases by their names; the counts are those of the cases."""
    root = XML.fromstring(write("junit", findings, NOTHING, **words))
    (suite,) = root
    cases = {case.attrib["name"]: case for case in suite}
    for element in (root, suite):
        assert element.attrib["tests"] == str(len(cases))
        assert element.attrib["failures"] == str(len(root.findall(".//failure")))
        assert element.attrib["skipped"] == str(len(root.findall(".//skipped")))
    return cases


def test_every_check_is_a_test_case() -> None:
    cases = junit_of([])
    assert list(cases) == [kind.slug for kind in CATALOGUE]
    assert all(len(case) == 0 for case in cases.values())


def test_what_fails_a_case_is_what_fails_the_run() -> None:
    findings = [finding(), finding(severity=Severity.NOTE), finding(message="And so.")]
    failure, output = junit_of(findings)["idle-line"]
    assert failure.attrib == {"type": "warning", "message": "site.yml:1:1: So. (and 1 more)"}
    assert (failure.text or "").count("[idle-line]") == 2
    assert (output.tag, (output.text or "").count("note: So.")) == ("system-out", 1)
    (only,) = junit_of(findings, failing=(Severity.ERROR,))["idle-line"]
    assert only.tag == "system-out"


def test_checks_that_an_error_kept_from_being_made_are_skipped() -> None:
    cases = junit_of([finding("contradiction", severity=Severity.ERROR)])
    skipped = {name for name, case in cases.items() if case.find("skipped") is not None}
    assert {kind.slug for kind in POLICY} <= skipped
    assert not {"contradiction", "unknown-name", "bad-name"} & skipped


@given(st.text())
def test_any_words_are_xml(words: str) -> None:
    (failure,) = junit_of([finding(message=words)])["idle-line"]
    assert failure.attrib["message"].startswith("site.yml:1:1: ")


ALLOWED_HTML = re.compile(r"<!-- -->|</?details>|<details><summary>\d+ \w+</summary>\n?")


def tokens_of(text: str) -> list[Any]:
    """Every token of a CommonMark reader that makes links of bare addresses, too."""
    reader = MarkdownIt("commonmark").enable(["table", "strikethrough"])
    return [inner for token in reader.parse(text) for inner in (token, *(token.children or ()))]


@given(st.text())
def test_any_words_are_only_words_in_markdown(words: str) -> None:
    text = write("markdown", [finding(message=words, hint=words)], NOTHING)
    kinds = {token.type for token in tokens_of(text)}
    assert not kinds & {"link_open", "image", "table_open", "s_open", "heading_open", "fence"}
    for token in tokens_of(text):
        if token.type in ("html_inline", "html_block"):
            assert ALLOWED_HTML.fullmatch(token.content.strip())
    assert text.count("\n") == 3


def test_nobody_is_called_and_nothing_linked_by_itself() -> None:
    words = "@everybody #12 https://evil.example www.evil.example ops@evil.example"
    text = write("markdown", [finding(message=words)], NOTHING)
    assert not re.search(r"@\w|#\d|://|www\.", text)


def test_few_are_open_and_many_are_folded() -> None:
    few = [finding() for _ in range(FOLDED_FROM - 1)]
    assert "<details>" not in write("markdown", few, NOTHING)
    error = finding("unknown-name", severity=Severity.ERROR)
    text = write("markdown", [*few, finding(), error], NOTHING)
    assert text.index("**error**") < text.index("<details><summary>10 warnings</summary>")
    assert text.startswith("**seatwright check:** 1 error and 10 warnings\n")


def test_very_many_are_cut_and_counted() -> None:
    text = write("markdown", [finding(message="x" * 200) for _ in range(1000)], NOTHING)
    assert len(text) < LONGEST + 1000
    shown = text.count("- **warning**")
    assert f"- … and {1000 - shown} more: run `seatwright check`" in text
    assert text.rstrip().endswith("</details>")


@given(st.text())
def test_json_says_the_same_and_is_printable(words: str) -> None:
    words = words.encode("utf-8", "replace").decode()
    text = write("json", [finding(message=words)], NOTHING)
    assert json.loads(text)["findings"][0]["message"] == words
    assert all(sign == "\n" or is_printable(sign) for sign in text)


def test_other_formats_are_refused() -> None:
    with pytest.raises(ValueError, match="yaml"):
        write("yaml", [], NOTHING)


SITE = "seatwright: 1\nsite: Fennmoor Town Archive\nrooms: {staff: {policy: dsk}}\n"


@pytest.mark.parametrize("form", ["json", "sarif", "junit", "markdown"])
def test_a_site_that_cannot_be_read_is_said_in_the_format_asked_for(
    form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("site.yml").write_text(SITE, encoding="utf-8")
    assert main(["check", "site.yml", "--format", form]) == 2
    text = capsys.readouterr().out
    assert "unknown-name" in text
    if form == "junit":
        XML.fromstring(text)
    elif form != "markdown":
        json.loads(text)
