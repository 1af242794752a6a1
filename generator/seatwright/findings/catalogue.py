"""The catalogue of findings: every slug there is, how bad it is, and its title.

A slug never changes its meaning.  Whoever finds something new adds a line to the table; the
sentence with the particulars is written where it is found.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from seatwright.findings.finding import Finding, Place, Severity

ERROR, WARNING, NOTE = Severity.ERROR, Severity.WARNING, Severity.NOTE


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One kind of finding; ``settable`` is False where a site may not choose the severity."""

    slug: str
    severity: Severity
    title: str
    settable: bool = True


FORM: tuple[FindingKind, ...] = tuple(
    FindingKind(slug, ERROR, title, settable=False)
    for slug, title in (
        ("unreadable-file", "A file of the description cannot be read"),
        ("file-too-big", "A file is far larger than any description"),
        ("not-utf8", "A file is not UTF-8 text"),
        ("byte-order-mark", "A file begins with a byte order mark"),
        ("control-character", "A file holds a character that does not print"),
        ("tab", "A tab stands where only blanks indent"),
        ("not-yaml", "A file is not well-formed YAML"),
        ("nested-too-deep", "Brackets or indentation go deeper than any description"),
        ("empty-file", "A file has nothing in it"),
        ("several-documents", "A file holds more than one YAML document"),
        ("endless-alias", "An anchor holds an alias to itself"),
        ("exploding-alias", "Aliases of aliases would grow beyond measure"),
        ("custom-tag", "A value carries a YAML tag"),
        ("merge-key", "A YAML merge key is used"),
        ("duplicate-key", "A key stands twice in one group"),
        ("not-a-key", "Something stands as a key that cannot be one"),
        ("outside-folder", "A further file lies outside the site's folder"),
        ("no-such-file", "A further file does not exist"),
        ("not-a-part", "A further file is not one a person writes"),
        ("unknown-version", "The description is for another version of the program"),
        ("unknown-key", "A key is not in the vocabulary"),
        ("missing-key", "A key that is needed is missing"),
        ("wrong-keys", "Keys do not go together"),
        ("wrong-form", "A list, a group of keys or one value stands where another is wanted"),
        ("empty-value", "A key has no value"),
        ("bad-value", "A value is not of its kind"),
        ("bad-name", "A name has characters that no name may have"),
        ("unknown-class", "A USB class has no such name or number"),
    )
)
"""Problems of form: without them gone there is no site to speak of."""

MEANING: tuple[FindingKind, ...] = (
    *(
        FindingKind(slug, ERROR, title, settable=False)
        for slug, title in (
            ("unknown-name", "A name is described nowhere"),
            ("duplicate-name", "Two things have one name"),
            ("reserved-name", "A name already means something else"),
            ("duplicate-guest", "Two seats show one guest"),
            ("duplicate-board", "Two seats have one board"),
            ("seat-without-model", "A seat has no model"),
            ("seat-without-host", "A seat's guest has no host"),
            ("label-not-in-model", "A socket's label is not on the model of the seats"),
            ("contradiction", "Two lines of one rank say different things of one device"),
            ("no-network-adapter", "Nobody declared the network adapter a client lives on"),
            ("duplicate-port", "Two things of a model are at one port path"),
            ("hub-not-listed", "Something sits behind a hub that is not listed"),
            ("duplicate-label", "Two sockets of a model have one label"),
            ("host-template", "A host's template or commands cannot be used"),
            ("too-few-spice-ports", "A host has more guests than ports for their displays"),
            ("fixed-severity", "The severity of this finding cannot be chosen"),
            ("unreadable-descriptors", "A file of descriptors says nothing of its peripheral"),
            ("switches-in-a-ring", "Switches are behind each other"),
        )
    ),
    FindingKind("room-without-seats", NOTE, "A room has no seats"),
)
"""Problems of one site as a whole, found while it is read."""

ALLOCATIONS: tuple[FindingKind, ...] = (
    FindingKind("number-given-twice", ERROR, "A number in allocations.yml is given twice", False),
)

PLAN: tuple[FindingKind, ...] = (
    FindingKind("onboard-id", ERROR, "A policy line lets an onboard device's id through", False),
    FindingKind("port-paths-decide", NOTE, "Some layers cannot keep an onboard device apart"),
    FindingKind("too-many-ports", ERROR, "A guest is to have more ports than fit", False),
    FindingKind(
        "spice-port-outside-range", WARNING, "A guest's display is outside its host's ports"
    ),
)
"""Problems that show when the site is resolved."""

POLICY: tuple[FindingKind, ...] = (
    FindingKind("onboard-passes", ERROR, "An onboard device would pass a layer", False),
    FindingKind("layers-disagree", ERROR, "A layer keeps what an inner one lets through", False),
    FindingKind("unsayable-version", ERROR, "A host cannot be told a bcdDevice", False),
    FindingKind("broken-promise", ERROR, "A promise does not hold"),
    FindingKind("host-without-password", ERROR, "Anybody could open the guests of a host", False),
    FindingKind("host-without-filter", WARNING, "A host does not filter what its guests get"),
    FindingKind("no-live-ports", NOTE, "A host adds no ports to running guests"),
    FindingKind("no-xhci-driver", ERROR, "Guests have no driver for their USB controller"),
    FindingKind("no-driver-for", WARNING, "Guests have no driver for a device that they get"),
    FindingKind("no-agent", NOTE, "The guests' picture does not fit itself to the screen"),
    FindingKind("opposed-promises", ERROR, "Two promises say otherwise of one device"),
    FindingKind("too-few-ports", ERROR, "A promise needs more ports than there are"),
    FindingKind("empty-promise", WARNING, "A promise speaks of no seat"),
    FindingKind("overruled-line", ERROR, "A policy line is never heard, and would say otherwise"),
    FindingKind("idle-line", WARNING, "A policy line is never heard"),
    FindingKind("needless-line", NOTE, "A policy line says what a wider one says"),
    FindingKind("keyboard-leaves", WARNING, "Keyboards and mice would leave the client"),
    FindingKind("keyboard-offered", NOTE, "Keyboards and mice are offered"),
    FindingKind("class-wide", WARNING, "A class is redirected whose devices are better named"),
    FindingKind("in-part", WARNING, "A peripheral is spoken of in part, so it stays"),
    FindingKind("kept-everywhere", NOTE, "No room lets a peripheral through"),
    FindingKind("link-too-slow", WARNING, "A peripheral needs more than its seat's link leaves"),
    FindingKind("socket-too-slow", WARNING, "A peripheral needs more than its socket carries"),
    FindingKind("too-far-away", WARNING, "The round trip is too long for a peripheral"),
    FindingKind("only-alone", NOTE, "A peripheral fits the seat's link only by itself"),
    FindingKind("uplink-too-slow", WARNING, "Many seats at once need more than they share"),
    FindingKind("host-sees-no-sockets", NOTE, "The host's filter cannot tell sockets apart"),
    FindingKind("host-skips-hid", NOTE, "The host's filter does not look at some interfaces"),
)
"""What the checks of a plan prove (``policy.checks``)."""

SECRETS: tuple[FindingKind, ...] = (
    FindingKind("certificate-ended", ERROR, "A certificate is no longer valid"),
    FindingKind("certificate-names", ERROR, "A host has no certificate for its address"),
    FindingKind("certificate-ends", WARNING, "A certificate ends soon"),
)
"""What a check sees of the certificates beside a site, on the day it is asked."""

STAGES: tuple[tuple[FindingKind, ...], ...] = (FORM, MEANING, ALLOCATIONS, PLAN, POLICY, SECRETS)
"""In the order in which they are looked for; an error in one keeps the later from being found."""

CATALOGUE: tuple[FindingKind, ...] = tuple(kind for stage in STAGES for kind in stage)

BY_SLUG: Mapping[str, FindingKind] = {kind.slug: kind for kind in CATALOGUE}


def finding(
    slug: str,
    place: Place,
    message: str,
    hint: str = "",
    also: Iterable[tuple[Place, str]] = (),
    witness: Mapping[str, object] | None = None,
) -> Finding:
    """A finding with the catalogue's severity; KeyError for a slug that is not in it."""
    return Finding(slug, BY_SLUG[slug].severity, place, message, hint, tuple(also), witness)


def with_severities(findings: Iterable[Finding], severities: Mapping[str, str]) -> list[Finding]:
    """The findings with the severities that a site chose (``settings.findings``)."""
    return [
        replace(found, severity=Severity(severities[found.slug]))
        if found.slug in severities and BY_SLUG[found.slug].settable
        else found
        for found in findings
    ]
