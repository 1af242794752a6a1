"""A trace as a person reads it in the terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from seatwright.findings.words import printable
from seatwright.policy.words import id_words
from seatwright.trace.types import (
    Answer,
    Group,
    Layer,
    Question,
    Trace,
    TracedDevice,
    TracedInterface,
    TraceDocument,
    TracedRule,
    Variant,
)
from seatwright.trace.words import seats_words

UsbName = Callable[[int, int], str]
"""The name that this machine's usb.ids has for vendor and product; empty where it has none."""

FOLDED = 3
"""So many rules in a row that do not match, and more, become one line."""

WIDTH = 28
"""Columns for the text of a rule."""


def format_text(document: TraceDocument, usb_name: UsbName) -> str:
    """All traces, ending in a line end; what is told first, then how it comes about."""
    return "\n\n".join("\n".join(_trace(one, usb_name)) for one in document.traces) + "\n"


def _trace(trace: Trace, usb_name: UsbName) -> Iterator[str]:
    for variant in trace.variants:
        for sentence in variant.sentences:
            yield printable(sentence)
    yield ""
    yield from _device(trace.device, usb_name)
    for note in trace.notes:
        yield f"  note: {printable(note)}"
    for variant in trace.variants:
        for group in variant.groups:
            yield ""
            yield from _group(group, variant, trace.device)


def _device(device: TracedDevice, usb_name: UsbName) -> Iterator[str]:
    ids = id_words(device.vendor, device.product, device.bcd_device)
    version = "" if device.bcd_device is not None else ", any version"
    name = f"{device.peripheral}, " if device.peripheral else ""
    where = f" ({printable(device.source)})" if device.source else ""
    yield f"Device: {name}{ids}{version}{where}"
    if device.own_words:
        yield f'  calls itself "{printable(device.own_words)}"'
    if known := usb_name(device.vendor, device.product):
        yield f'  in this machine\'s usb.ids: "{printable(known)}"'
    if device.device_class not in (0x00, 0xEF):
        yield f"  device class 0x{device.device_class:02x}"
    if not device.configured:
        yield "  no active configuration"
    elif device.interfaces is None:
        yield "  interfaces not known"
    yield from _interfaces(device.interfaces or ())


def _interfaces(interfaces: Sequence[TracedInterface]) -> Iterator[str]:
    for number, one in enumerate(interfaces):
        known = one.subclass is not None and one.protocol is not None
        triple = f" {one.usb_class}/{one.subclass}/{one.protocol}" if known else ""
        yield f"  interface {number}: {one.class_name}{triple}"


def _group(group: Group, variant: Variant, device: TracedDevice) -> Iterator[str]:
    form = f", {variant.form}" if variant.form else ""
    end = "" if group.stopped_by is None else f" (stopped by: {group.stopped_by})"
    yield f"{seats_words(group.seats)}, {group.places.words}{form}: {group.verdict}{end}"
    if len(group.cells) > 1:
        yield f"  (the rules are those of {group.cells[0]}; the others tell the same)"
    shown: dict[tuple[TracedRule, ...], str] = {}
    for layer in group.layers:
        yield from _layer(layer, shown)


def _layer(layer: Layer, shown: dict[tuple[TracedRule, ...], str]) -> Iterator[str]:
    """A layer; rules that an earlier layer has shown already are not shown again."""
    yield f"  {layer.name:<18}{'passes' if layer.passes else 'stops':<8}{printable(layer.words)}"
    if layer.difference:
        yield f"  {'':<26}{printable(layer.difference)}"
    if not layer.rules:
        return
    same = shown.setdefault(layer.rules, layer.name)
    if same != layer.name:
        yield f"      the rules are those of {same}"
        return
    answer = layer.plain if layer.name == "host" else layer.strict
    yield from _rules(layer.rules, answer)


def _rules(rules: Sequence[TracedRule], answer: Answer | None) -> Iterator[str]:
    """Every rule, those that match with what asked; long runs of others folded."""
    asked: dict[int, list[Question]] = {}
    for question in answer.questions if answer else ():
        if question.rule is not None:
            asked.setdefault(question.rule, []).append(question)
    unmatched = [one for one in answer.questions if one.rule is None] if answer else []
    width = max(len(rule.text) for rule in rules)
    waiting: list[str] = []
    for rule in rules:
        line = f"    {rule.number:>3}  {rule.text:<{min(width, WIDTH)}}  {printable(rule.words)}"
        if rule.number not in asked:
            waiting.append(line)
            continue
        yield from _folded(waiting, rule.number, "speak of other devices")
        waiting = []
        yield line
        yield from _matches(rule, asked[rule.number])
    rest = "speak of other devices" if unmatched else "are not asked any more"
    if not answer or not answer.questions:
        rest = "are not asked"
    yield from _folded(waiting, len(rules) + 1, rest)
    for question in unmatched:
        yield f"    {'':>3}  ^ no rule: {_part(question)}{_decides([question])}"


def _folded(waiting: Sequence[str], before: int, what: str) -> Iterator[str]:
    """Lines of rules up to the one numbered ``before``; many of them as one line."""
    if len(waiting) < FOLDED:
        yield from waiting
        return
    yield f"    {'':>3}  {before - len(waiting)} to {before - 1} {what}"


def _matches(rule: TracedRule, questions: Sequence[Question]) -> Iterator[str]:
    said = f"; because of {rule.place}" if rule.place else ""
    written = f' "{printable(rule.written)}"' if rule.written else ""
    parts = ", ".join(_part(one) for one in questions)
    yield f"    {'':>3}  ^ {parts}{printable(said)}{written}{_decides(questions)}"


def _decides(questions: Sequence[Question]) -> str:
    """Marks what decided: the check that failed. Where all pass, all of them do."""
    return "  <- decides" if any(one.decides and not one.allowed for one in questions) else ""


def _part(question: Question) -> str:
    if question.interface is None:
        return f"device class ({question.class_name})"
    return f"interface {question.interface} ({question.class_name})"
