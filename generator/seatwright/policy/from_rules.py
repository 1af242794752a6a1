"""Policy lines that decide as filter strings do, with the proof.

Two strings are turned into one policy: what the first lets through goes to the guest by itself
(redirect), what only the second lets through goes when somebody picks it (offer), and what the
second keeps is kept whatever the first says.  In rules the first match decides, in policy lines
the most specific, so for each id that a rule names the question is: which verdict does each class
get, and can lines for the id say so where the less specific lines say otherwise?

They cannot in two cases, and then what can be said is said, never more than the strings let through
at that id, and the place is named:

* a rule for a class stands before one for an id, so the id's devices are treated alike but for
  some classes: a line for the id speaks of all classes or of those it lists, and two lines of one
  rank may not contradict each other, so nearly all classes would have to be listed;
* a rule names a product of any vendor, or a bcdDevice of any product: no line can.

Whether anything is lost or gained is not taken from this reasoning: the lines are compiled as those
of a site are, and compared with the strings by ``policy.algebra``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from seatwright.plan import PlannedLine, PlannedModel, PlannedPolicy, VerdictWord
from seatwright.policy.algebra import Outcome, Point, Region, compare, outcome
from seatwright.policy.algebra.outcome import LEVELS
from seatwright.policy.algebra.sets import bit_places
from seatwright.policy.compile import compile_rules
from seatwright.policy.table import ROOT, Key, lineage
from seatwright.site.build import line_text
from seatwright.site.lines import EVERYTHING
from seatwright.usb.classes import HUB, class_name
from seatwright.usb.filter import ANY, Rule

MOST_CLASSES = 32
"""Classes that a line lists at most: more would be exact, but nobody could read it."""

_SAID = ((1 << 256) - 1) & ~(1 << HUB)
"""The classes that policy lines decide; hubs are always kept."""

_VERDICTS: tuple[VerdictWord, ...] = ("redirect", "offer", "keep")


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Classes by what happens to them, one bit each; those in neither are kept."""

    redirect: int
    offer: int

    def bits(self, verdict: VerdictWord) -> int:
        """The classes with a verdict, the hub class left out."""
        if verdict == "keep":
            return _SAID & ~(self.redirect | self.offer)
        return _SAID & (self.redirect if verdict == "redirect" else self.offer)

    def differing(self, other: Verdicts) -> int:
        """The classes that get another verdict there."""
        return _SAID & (self.redirect ^ other.redirect | self.offer ^ other.offer)

    def only(self) -> VerdictWord | None:
        """The verdict that all classes get."""
        return next((word for word in _VERDICTS if self.bits(word) == _SAID), None)

    def least(self) -> VerdictWord:
        """The least permissive verdict that a class gets."""
        return next(word for word in reversed(_VERDICTS) if self.bits(word))

    def changed(self, said: Mapping[VerdictWord, int]) -> Verdicts:
        """After some classes were given other verdicts."""
        spoken_of = said.get("redirect", 0) | said.get("offer", 0) | said.get("keep", 0)
        return Verdicts(
            self.redirect & ~spoken_of | said.get("redirect", 0),
            self.offer & ~spoken_of | said.get("offer", 0),
        )


NOTHING_SAID = Verdicts(0, 0)


@dataclass(frozen=True, slots=True)
class Limit:
    """An id whose verdicts no lines can say, and what they are.

    ``place`` is an id and bcdDevice that stands for the key.
    """

    key: Key
    wanted: Verdicts
    place: tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Difference:
    """Points at which lines decide otherwise than the string called ``string``.

    ``gained``: the lines let them through and the string keeps them; else the other way round.
    ``rule`` is the string's rule that decides at the region's witness, None where none matches.
    """

    string: str
    gained: bool
    region: Region
    rule: int | None


@dataclass(frozen=True, slots=True)
class FromRules:
    """The lines, where they fall short, and the proof: without differences they are equal.

    ``hubs``: the strings let hubs through, which no policy does.
    ``refused``: what the redirect string lets through and the permitted one keeps.
    """

    lines: tuple[PlannedLine, ...]
    limits: tuple[Limit, ...]
    differences: tuple[Difference, ...]
    hubs: bool
    refused: tuple[Region, ...]


def from_rules(redirect: Sequence[Rule] | None, permitted: Sequence[Rule] | None) -> FromRules:
    """Lines for a redirect list, a permitted list or both (at least one).

    Without ``permitted`` all that is redirected is permitted; without ``redirect`` nothing goes
    by itself. TooLarge where a list cannot be held (see ``policy.algebra``).
    """
    by_itself = tuple(redirect or ())
    at_all = by_itself if permitted is None else tuple(permitted)
    passing = outcome(at_all)
    without = passing if permitted is None else outcome(by_itself, passing.forest)
    given = {"redirect": _within(without, passing), "permitted": passing}
    strings = {
        name: rules
        for name, rules in (("redirect", redirect), ("permitted", permitted))
        if rules is not None
    }
    lines, limits = _lines(given, (*by_itself, *at_all))
    return FromRules(
        lines=lines,
        limits=limits,
        differences=tuple(_differences(given, lines, strings)),
        hubs=_lets_hubs_through(given["permitted"]),
        refused=compare(passing, without).gained,
    )


def _within(inner: Outcome, outer: Outcome) -> Outcome:
    """What both let through."""
    forest = inner.forest
    known: dict[tuple[int, int], int] = {}

    def both(level: int, one: int, two: int) -> int:
        if one == two:
            return one
        if level == len(LEVELS):
            return forest.leaf(forest.classes_at(one) & forest.classes_at(two))
        if (one, two) not in known:
            first, second = forest.branch_at(one), forest.branch_at(two)
            cases = {
                value: both(
                    level + 1,
                    first.cases.get(value, first.rest),
                    second.cases.get(value, second.rest),
                )
                for value in {**first.cases, **second.cases}
            }
            known[one, two] = forest.branch(cases, both(level + 1, first.rest, second.rest))
        return known[one, two]

    return Outcome((), forest, both(0, inner.root, outer.root))


def _lines(
    given: Mapping[str, Outcome], rules: Sequence[Rule]
) -> tuple[tuple[PlannedLine, ...], tuple[Limit, ...]]:
    """Lines for every key that rules name, the least specific first, and what they cannot say."""
    places = _Places(rules)
    said: dict[Key, Verdicts] = {}
    lines: list[PlannedLine] = []
    limits: list[Limit] = []
    for key in places.in_order():
        wanted = places.wanted(given, key)
        above = next((said[upper] for upper in lineage(key)[1:] if upper in said), NOTHING_SAID)
        new, effect = _node_lines(key, wanted, above, places.classes)
        said[key] = effect
        lines.extend(new)
        if effect.differing(wanted):
            limits.append(Limit(key, wanted, places.standing_for(key)))
    order = {word: place for place, word in enumerate(_VERDICTS)}
    lines.sort(key=lambda line: order[line.verdict])
    return tuple(lines), tuple(limits)


class _Places:
    """The keys that rules name, and an id and version that stands for each."""

    def __init__(self, rules: Sequence[Rule]) -> None:
        self._named = (
            {rule.vendor for rule in rules},
            {rule.product for rule in rules},
            {rule.version for rule in rules},
        )
        self.classes = sum(1 << code for code in {rule.usb_class for rule in rules} - {ANY})
        self._keys = {
            upper
            for rule in rules
            if rule.vendor != ANY and (rule.product != ANY or rule.version == ANY)
            for upper in lineage((rule.vendor, rule.product, rule.version))
        }

    def in_order(self) -> list[Key]:
        """The least specific first, then rising; so a key comes after those above it."""
        return sorted(self._keys | {ROOT}, key=lambda key: (-key.count(ANY), key))

    def standing_for(self, key: Key) -> tuple[int, int, int]:
        """An id and bcdDevice of a key, with values that no rule names where it leaves one open.

        Should rules name all values of a field, zero stands for it, and the proof has the last
        word.
        """
        vendor, product, version = (
            next((value for value in range(0x10000) if value not in named), 0)
            if part == ANY
            else part
            for part, named in zip(key, self._named, strict=True)
        )
        return vendor, product, version

    def wanted(self, given: Mapping[str, Outcome], key: Key) -> Verdicts:
        """What the strings say at a key."""
        place = self.standing_for(key)
        by_itself = given["redirect"].classes(*place)
        return Verdicts(by_itself, given["permitted"].classes(*place) & ~by_itself)


def _node_lines(
    key: Key, wanted: Verdicts, above: Verdicts, named: int
) -> tuple[list[PlannedLine], Verdicts]:
    """The lines for one key, and what they make of its classes."""
    differing = wanted.differing(above)
    whole = wanted.only()
    if not differing:
        return [], above
    if key == ROOT:
        return _root_lines(wanted), wanted
    if whole is not None:
        return [_line(whole, key, 0)], wanted
    if differing.bit_count() > MOST_CLASSES:
        return _safe_lines(key, wanted, above, named)
    return _class_lines(key, wanted, above, differing)


def _root_lines(wanted: Verdicts) -> list[PlannedLine]:
    """``everything`` for what most classes get, unless kept, and a line for each exception."""
    most = max(_VERDICTS, key=lambda word: wanted.bits(word).bit_count())
    lines = [] if most == "keep" else [_line(most, ROOT, 0)]
    for word in _VERDICTS:
        if word != most:
            lines.extend(_line(word, ROOT, 1 << code) for code in bit_places(wanted.bits(word)))
    return lines


def _class_lines(
    key: Key, wanted: Verdicts, above: Verdicts, classes: int
) -> tuple[list[PlannedLine], Verdicts]:
    """One line for each verdict, with the classes that get it."""
    said = {word: wanted.bits(word) & classes for word in _VERDICTS if wanted.bits(word) & classes}
    return [_line(word, key, bits) for word, bits in said.items()], above.changed(said)


def _safe_lines(
    key: Key, wanted: Verdicts, above: Verdicts, named: int
) -> tuple[list[PlannedLine], Verdicts]:
    """Never more than is wanted: lines for the classes that rules name if the other classes get no
    more from above than they should, else one line with the least that a class gets.
    """
    unnamed = _SAID & ~named
    too_much = above.redirect & ~wanted.redirect | above.offer & wanted.bits("keep")
    if too_much & unnamed:
        least = wanted.least()
        return [_line(least, key, 0)], NOTHING_SAID.changed({least: _SAID})
    return _class_lines(key, wanted, above, wanted.differing(above) & named)


def _line(verdict: VerdictWord, key: Key, classes: int) -> PlannedLine:
    """A line as the site would have it; no classes are all."""
    vendor, product, version = (None if part == ANY else part for part in key)
    codes = tuple(bit_places(classes))
    text = EVERYTHING if not codes else class_name(codes[0])
    if vendor is not None:
        shown_product = "*" if product is None else f"{product:04x}"
        written = {"id": (vendor, product), "bcdDevice": version, "class": codes or None}
        short = version is None and not codes
        text = f"{vendor:04x}:{shown_product}" if short else line_text(written)
    return PlannedLine(
        verdict=verdict,
        text=text,
        vendor=vendor,
        product=product,
        bcd_device=version,
        usb_classes=codes,
        peripheral=None,
        socket=None,
        origin=f"lines/{verdict}/{text}",
    )


def _differences(
    given: Mapping[str, Outcome],
    lines: Sequence[PlannedLine],
    strings: Mapping[str, Sequence[Rule]],
) -> Iterator[Difference]:
    """The proof: the lines compiled as those of a site, against the strings, hubs aside."""
    policy = PlannedPolicy(name="lines", title="", lines=tuple(lines), origin="lines")
    bare = PlannedModel(
        name="none", title="", arch="amd64", link=1, network="internal", onboard=(), sockets=(),
        origin="none",
    )  # fmt: skip
    compiled = compile_rules(policy, bare, frozenset())
    ours = {"redirect": compiled.redirect, "permitted": compiled.permitted}
    for string, rules in strings.items():
        wanted = _without_hubs(given[string])
        found = compare(wanted, ours[string], wanted.forest)
        for gained, regions in ((True, found.gained), (False, found.lost)):
            for region in regions:
                yield Difference(string, gained, region, deciding_rule(rules, region.witness))


def _without_hubs(given: Outcome) -> Outcome:
    return _within(given, outcome([Rule(HUB), Rule(allow=True)], given.forest))


def deciding_rule(rules: Sequence[Rule], point: Point) -> int | None:
    """The first rule that matches at a point."""
    for index, rule in enumerate(rules):
        if (
            rule.usb_class in (ANY, point.usb_class)
            and rule.vendor in (ANY, point.vendor)
            and rule.product in (ANY, point.product)
            and rule.version in (ANY, point.version)
        ):
            return index
    return None


def _lets_hubs_through(permitted: Outcome) -> bool:
    """Whether a hub of any id passes."""
    return _without_hubs(permitted).root != permitted.root
