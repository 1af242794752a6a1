"""The page as a file: closed, quoted, the same every time, and complete."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from msgspec import structs

from render_sites import TINY
from seatwright.book.content import Content, Told
from seatwright.book.data import data_of
from seatwright.book.page import make_page
from seatwright.findings import Finding, Place, Severity
from seatwright.plan import Plan
from seatwright.planning import make_plan
from seatwright.policy.proofs import plain
from seatwright.site.allocations import Allocations
from sites import site_of

HOSTILE = "</script><img src=x onerror=alert(1)> \"quoted' & {{ x }} [[ y ]]"
HIDDEN = "\u202e"


def plan_of(folder: Path, text: str = TINY) -> Plan:
    return make_plan(site_of(folder, text.split("\n", 2)[2]), Allocations()).plan


def page_of(plan: Plan | None, **more: object) -> str:
    return make_page(Content("Lock House", plan, **more)).decode()  # type: ignore[arg-type]


class Elements(HTMLParser):
    """Every element with its attributes, and what stands in scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.raw: list[tuple[str, str]] = []
        self._in = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        kind = dict(attrs).get("type")
        self._in = f"{tag} {kind}" if kind else tag

    def handle_data(self, data: str) -> None:
        if self._in.startswith(("script", "style")):
            self.raw.append((self._in, data))

    def handle_endtag(self, tag: str) -> None:
        self._in = ""


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return plan_of(tmp_path_factory.mktemp("site"))


def test_the_security_policy_names_what_stands_in_the_file_and_nothing_else(plan: Plan) -> None:
    elements = Elements(page_of(plan))
    (policy,) = [
        attributes["content"]
        for tag, attributes in elements.found
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy is not None and policy.startswith("default-src 'none';")
    digests = [
        base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        for kind, text in elements.raw
        if kind in ("script", "style")
    ]
    assert re.findall("'sha256-([^']+)'", policy) == digests
    assert "unsafe" not in policy and "http" not in policy and "connect-src" not in policy


def test_nothing_points_out_of_the_file(plan: Plan) -> None:
    elements = Elements(page_of(plan))
    for tag, attributes in elements.found:
        assert not any(name.startswith("on") for name in attributes), tag
        assert "style" not in attributes and "src" not in attributes, tag
        target = attributes.get("href")
        assert target is None or target.startswith(("#", "data:image/svg+xml,")), target


def test_every_link_leads_somewhere_and_ids_are_there_once(plan: Plan) -> None:
    elements = Elements(page_of(plan))
    ids = [attributes["id"] for _, attributes in elements.found if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = {
        (attributes.get("href") or "")[1:]
        for tag, attributes in elements.found
        if tag in ("a", "use")
    }
    assert targets <= set(ids)


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    text, word = TINY, json.dumps(HOSTILE)
    for title in ("Ridge, second series", "reader of cards", "The Hall", "title: Desk"):
        text = text.replace(title, f"title: {word}" if title == "title: Desk" else word)
    text = text.replace("label: under the shelf", f"label: {word}")
    text = text.replace("{under the shelf:", f"{{{word}:")
    text += f"promises: [{{seat: desk-1, device: card-reader, socket: {word}, keep: true}}]\n"
    hostile = structs.replace(plan_of(tmp_path, text), site=HOSTILE + HIDDEN)
    place = Place(HOSTILE, 1, 1)
    finding = Finding("in-part", Severity.WARNING, place, HOSTILE, HIDDEN, ((place, HOSTILE),))
    page = page_of(hostile, findings=(Told(finding, HOSTILE),))
    elements = Elements(page)
    assert not [tag for tag, _ in elements.found if tag == "img"]
    assert HIDDEN not in page
    assert page.count("<script") == page.count("</script") == 3
    (data,) = [text for kind, text in elements.raw if kind == "script application/json"]
    assert json.loads(data)["site"] == HOSTILE + "\\u202e"
    assert json.loads(data)["rooms"][0][1] == HOSTILE


def test_the_same_plan_gives_the_same_bytes(plan: Plan) -> None:
    assert page_of(plan) == page_of(plan)


def test_the_data_holds_every_rule_list(plan: Plan) -> None:
    data = json.loads(json.dumps(data_of(plan)))

    def fields(number: int) -> list[list[int]]:
        return [data["rules"][rule][:5] for rule in data["lists"][number]]

    def of_plan(rules: object) -> list[list[int]]:
        return [
            [r.usb_class, r.vendor, r.product, r.version, int(r.allow)]
            for r in plain(rules)  # type: ignore[arg-type]
        ]

    for rules, written in zip(plan.rules.values(), data["sets"], strict=True):
        _, _, redirect, permitted, host, sockets = written
        assert fields(redirect) == of_plan(rules.redirect)
        assert fields(permitted) == of_plan(rules.permitted)
        assert fields(host) == of_plan(rules.host)
        for socket, (label, own, own_permitted) in zip(rules.sockets, sockets, strict=True):
            assert socket.label == label
            assert fields(own) == of_plan(socket.redirect)
            assert fields(own_permitted) == of_plan(socket.permitted)
    assert data["seats"]["name"] == list(plan.seats)


def test_a_sheet_says_what_holds_for_whom(plan: Plan) -> None:
    sheet = page_of(plan).split('id="room-hall"')[1].split("</article>")[0]
    assert "At <bdi>hall-1" in sheet
    assert "At <bdi>desk-1</bdi>" in sheet
    assert "Reader of cards" in sheet
    assert "One device goes to the guest at one time" in sheet


def test_sheets_are_in_the_language_of_the_site(plan: Plan) -> None:
    german = page_of(structs.replace(plan, language="de"))
    assert 'lang="de"' in german and "Was geschieht, wenn Sie etwas einstecken" in german
    other = page_of(structs.replace(plan, language="fi"))
    assert "There are no door sheets in fi yet" in other


def test_a_promise_holds_unless_somebody_says_otherwise(tmp_path: Path) -> None:
    text = TINY + "promises: [{seat: desk-1, device: card-reader, redirect: true}]\n"
    promised = plan_of(tmp_path, text)
    holds = page_of(promised)
    assert "Holds" in holds and "policy desk, redirect: card-reader" in holds
    wrong = page_of(promised, promises={"promises/0": ("It is refused.",)})
    assert "Does not hold" in wrong and "It is refused." in wrong


def test_without_a_plan_there_are_the_findings(plan: Plan) -> None:
    finding = Finding("not-yaml", Severity.ERROR, Place("site.yml", 3, 5, 2), "It is broken.")
    page = page_of(None, findings=(Told(finding, "    xx: ]"),))
    assert "It is broken." in page and "<mark>xx</mark>" in page
    assert 'data-page="rooms"' not in page


def test_a_served_page_may_ask_its_own_server_only(plan: Plan) -> None:
    page = make_page(replace(Content("Lock House", plan), live="abc")).decode()
    assert "connect-src &#x27;self&#x27;" in page
    assert '<script type="application/json" id="live">"abc"</script>' in page
