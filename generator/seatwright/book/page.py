"""The page itself: everything that is said, in one HTML file."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from seatwright.book.approval import counted, proofs, rights, ruled_rooms, some
from seatwright.book.changes import changes_of
from seatwright.book.content import Content, Told
from seatwright.book.data import data_of, in_script
from seatwright.book.effects import Effects
from seatwright.book.links import links_of
from seatwright.book.pictures import budget_picture, shared_picture, topology_picture
from seatwright.book.sheets import rows_of, sheets, title_of
from seatwright.book.topology import sentences, topology_of
from seatwright.book.words import Words, in_page
from seatwright.capacity.words import link_words, needs_words
from seatwright.findings import Severity
from seatwright.findings.catalogue import BY_SLUG
from seatwright.findings.formats import cut
from seatwright.findings.formats import summary as findings_summary
from seatwright.findings.words import printable
from seatwright.plan import Plan, PlannedModel, PlannedPeripheral
from seatwright.policy.words import HAPPENS, id_words
from seatwright.render.engine import render, templates
from seatwright.render.quote import Quoted, html
from seatwright.site.build import bcd_text
from seatwright.usb.classes import class_name

SCRIPTS = ("decide.js", "lsusb.js", "site.js", "seats.js", "rules.js", "try.js", "pages.js")
"""Read one after the other, as one script."""

EARLY = Quoted(
    'document.documentElement.classList.add("scripted");'
    'if (location.hash.length < 2) document.documentElement.classList.add("first");'
)
"""Run before anything is drawn, so that no page shows up for a moment that is not asked for, and
the first one can be read while a big book is still coming in."""

PAGES = (
    ("rooms", "Door sheets"),
    ("technician", "Technician"),
    ("try", "Try a device"),
    ("approve", "Approval"),
    ("findings", "Findings"),
    ("changes", "Changes"),
)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A model with its picture, and the same in words."""

    model: PlannedModel
    link: str
    picture: Quoted
    lines: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Marked:
    """A finding with its line cut in three: before the caret, what it points at, after it."""

    told: Told
    title: str
    before: str
    marked: str
    after: str


def make_page(content: Content) -> bytes:
    """The book as one HTML file, UTF-8. Raises RenderError where a text cannot be quoted."""
    style, script = style_sheet(), whole_script()
    body = _body(content)
    return render(
        "book/page.html.in",
        title=content.title,
        policy=security_policy(style, (EARLY, script), content.live),
        style=style,
        early=EARLY,
        script=script,
        data=in_script(data_of(content.plan)) if content.plan else Quoted("null"),
        live=content.live,
        **body,
    )


def style_sheet() -> Quoted:
    """The one style sheet."""
    return Quoted((templates() / "book" / "style.css").read_text(encoding="utf-8"))


def whole_script() -> Quoted:
    """The one script: all files of it inside one function, so that they share names with no one."""
    folder = templates() / "book" / "js"
    parts = [(folder / name).read_text(encoding="utf-8") for name in SCRIPTS]
    return Quoted('(() => {\n"use strict";\n' + "\n".join(parts) + "})();\n")


def security_policy(style: str, scripts: tuple[str, ...], live: str) -> Quoted:
    """Nothing may load, run or be sent but what stands in the file (W3C, CSP level 3)."""
    parts = [
        "default-src 'none'",
        f"style-src '{digest(style)}'",
        "script-src " + " ".join(f"'{digest(script)}'" for script in scripts),
        "img-src data:",  # the icon, which stands in the file
        "base-uri 'none'",
        "form-action 'none'",
    ]
    if live:
        parts.append("connect-src 'self'")
    return Quoted("; ".join(parts))


def digest(text: str) -> str:
    """The hash of an element's content as a policy writes it."""
    made = hashlib.sha256(text.encode()).digest()
    return f"sha256-{base64.b64encode(made).decode()}"


def _body(content: Content) -> dict[str, object]:
    """What the templates get. Functions are for text of the site and for words."""
    shared: dict[str, object] = {
        "site": in_page,
        "plan": content.plan,
        "pages": _pages(content),
        "findings": [_marked(told) for told in _worst_first(content.findings)],
        "summary": findings_summary([told.finding for told in content.findings]),
        "happens": HAPPENS,
        "counted": counted,
        "sign": sign,
        "some": lambda names: ", ".join(some(names)),
        "listed_rows": lambda names: in_page(", ".join(rows_of(names))),
        "review": None,
    }
    if content.plan is None:
        return shared
    return {**shared, **_planned(content, content.plan)}


def _planned(content: Content, plan: Plan) -> dict[str, object]:
    effects = Effects(plan)
    words = Words(plan.language)
    links = links_of(plan)
    return {
        "words": words,
        "sheets": tuple(sheets(plan, effects, words)),
        "sheet_words": _sheet_words(plan),
        "models": [_drawn(model) for model in plan.models.values()],
        "budgets": [(one, budget_picture(one)) for one in links.budgets],
        "shared": shared_picture(links.shared) if links.shared else None,
        "ruled": ruled_rooms(plan),
        "proofs": proofs(content, plan, effects),
        "rights": rights(plan),
        "owned": [_owned(plan, one) for one in plan.peripherals.values()],
        "review": changes_of(content.review) if content.review else None,
    }


def _owned(plan: Plan, one: PlannedPeripheral) -> dict[str, str]:
    """A peripheral as the technician's table has it."""
    shapes = [
        class_name(each.usb_class)
        + ("" if each.subclass is None else f"/{each.subclass}/{each.protocol}")
        for each in one.interfaces
    ]
    return {
        "name": one.name,
        "title": title_of(plan, one.name),
        "id": id_words(one.vendor, one.product),
        "release": "any" if one.bcd_device is None else bcd_text(one.bcd_device),
        "interfaces": ", ".join(shapes) or "not said",
        "needs": needs_words(one.demand) if one.demand else "not known",
    }


def sign(name: str) -> Quoted:
    """The sign of an effect; its words stand beside it."""
    return Quoted(
        '<svg class="sign" aria-hidden="true" focusable="false">'
        f'<use href="#sign-{html(name)}"/></svg>'
    )


def _sheet_words(plan: Plan) -> str:
    """What to tell where the site's language has no sheets."""
    language = Words(plan.language).language
    if language == plan.language.partition("-")[0]:
        return ""
    return f"There are no door sheets in {plan.language} yet, so they are in English."


def _pages(content: Content) -> Iterator[tuple[str, str]]:
    """The pages that this book has."""
    for name, title in PAGES:
        if content.plan is None:
            has = name == "findings"
        else:
            has = name != "changes" or content.review is not None
        if has:
            yield name, title


def _worst_first(findings: tuple[Told, ...]) -> list[Told]:
    order = tuple(Severity)
    return sorted(findings, key=lambda told: order.index(told.finding.severity))


def _marked(told: Told) -> Marked:
    place = told.finding.place
    at = place.column - 1
    pieces = told.source[:at], told.source[at : at + place.length], told.source[at + place.length :]
    before, marked, after = cut(*map(printable, pieces))
    kind = BY_SLUG.get(told.finding.slug)
    return Marked(told, kind.title if kind else "", before.lstrip(), marked, after)


def _drawn(model: PlannedModel) -> Drawn:
    topology = topology_of(model)
    return Drawn(
        model,
        link_words(model.link),
        topology_picture(model, topology) if topology.nodes else Quoted(),
        tuple(sentences(topology, model)),
    )
