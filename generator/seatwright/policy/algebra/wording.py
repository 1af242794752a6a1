"""What the algebra found, in words a person can check.

Rules are counted from 1 here. Names of classes and devices are the caller's (see :class:`Names`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, groupby, islice
from itertools import product as pairs

from seatwright.policy.algebra.reach import Fate, Reach
from seatwright.policy.algebra.regions import IdBox, Region
from seatwright.policy.algebra.sets import ValueSet
from seatwright.policy.algebra.space import FIELDS, USB, AnyRule, Point
from seatwright.policy.algebra.through import Through
from seatwright.usb.device import Device, Interface

MOST = 6
"""How many single things are listed before the rest is only counted."""


def _plain_class(usb_class: int) -> str:
    return f"0x{usb_class:02x}"


def _plain_device(vendor: int, product: int) -> str:
    return f"{vendor:04x}:{product:04x}"


def _plain_vendor(vendor: int) -> str:
    return f"{vendor:04x}:*"


@dataclass(frozen=True, slots=True)
class Names:
    """How things are called: numbers unless the caller knows better."""

    usb_class: Callable[[int], str] = _plain_class
    device: Callable[[int, int], str] = _plain_device
    vendor: Callable[[int], str] = _plain_vendor


NUMBERS = Names()
"""No names, only numbers."""


def fate_words(fate: Fate, rules: Sequence[AnyRule], names: Names = NUMBERS) -> str:
    """What becomes of a rule, in one sentence."""
    if fate.reach is Reach.EMPTY:
        return f"met by no device: {_empty_field(rules[fate.rule])}"
    if fate.witness is None:
        adverb = "together already" if len(fate.cover) > 1 else "already"
        verb = _verb(rules[fate.rule].allow, many=len(fate.cover) > 1)
        return f"never reached: {_rules(fate.cover)} {adverb} {verb[0]} all of it{verb[1]}"
    witness = point_words(fate.witness, names)
    if fate.contradicted_by is None:
        return f"reached, for instance by {witness}"
    first = f"rule {fate.contradicted_by + 1}"
    if len(fate.cover) > 1:
        cause = f"{_rules(fate.cover)} together cover it, and {first}"
    else:
        cause = f"{first} comes first and"
    does = "keeps" if rules[fate.rule].allow else "lets through"
    would = "let through" if rules[fate.rule].allow else "keep"
    return f"never reached: {cause} {does} what this rule would {would}, for instance {witness}"


def _verb(allow: bool, many: bool) -> tuple[str, str]:
    """The verb, and what of it comes after the object."""
    ending = "" if many else "s"
    return (f"let{ending}", " through") if allow else (f"keep{ending}", "")


def _empty_field(rule: AnyRule) -> str:
    for field, size in zip(FIELDS, USB.sizes, strict=True):
        value = getattr(rule, field)
        if value >= size:
            return f"{field} is {value:#x}, above {size - 1:#x}"
    return "a field is above its highest value"


def _rules(rules: Sequence[int]) -> str:
    """Rule numbers, neighbours as a range: ``rules 1 to 255 and 257``."""
    if len(rules) == 1:
        return f"rule {rules[0] + 1}"
    runs = []
    for _, run in groupby(enumerate(rules), key=lambda pair: pair[1] - pair[0]):
        numbers = [rule + 1 for _, rule in run]
        if len(numbers) > 2:
            runs.append(f"{numbers[0]} to {numbers[-1]}")
        else:
            runs.extend(map(str, numbers))
    return f"rules {_listed(runs)}"


def point_words(point: Point, names: Names = NUMBERS) -> str:
    """A point as a device: ``a printer device 1209:0004 version 1.10``."""
    usb_class = _class_adjective(point.usb_class, names)
    article = "an" if usb_class[0] in "aeio" else "a"
    return f"{article} {usb_class} device {_id_and_version(point, names)}"


def device_words(device: Device, names: Names = NUMBERS) -> str:
    """A device with what a filter looks at: ``1209:0005 version 1.10 with audio and hid 3/0/0``."""
    point = Point(device.device_class, device.vendor, device.product, device.bcd_device)
    words = _id_and_version(point, names)
    if device.device_class not in (0x00, 0xEF):
        words += f", device class {names.usb_class(device.device_class)},"
    if not device.interfaces:
        return f"{words} without interfaces"
    interfaces = [_interface_words(one, names) for one in device.interfaces]
    return f"{words} with {_listed(interfaces)}"


def _interface_words(interface: Interface, names: Names) -> str:
    """The class; with subclass and protocol where they decide (3/0/0 HID)."""
    name = names.usb_class(interface.usb_class)
    zeros = (interface.usb_class, interface.subclass, interface.protocol) == (0x03, 0, 0)
    return f"{name} 3/0/0" if zeros else name


def _id_and_version(point: Point, names: Names) -> str:
    return f"{names.device(point.vendor, point.product)} version {version_words(point.version)}"


def version_words(version: int) -> str:
    """A bcdDevice as it is printed everywhere: 0x0110 is ``1.10``."""
    return f"{version >> 8:x}.{version & 0xFF:02x}"


def region_words(region: Region, names: Names = NUMBERS) -> str:
    """A region: ``image devices of 1209:0004, any version``."""
    classes = _class_words(region.classes, names)
    ids = _id_words(region.ids, names)
    versions = _version_set_words(region.versions)
    return f"{classes} of {ids}, {versions}"


def through_words(through: Through, names: Names = NUMBERS) -> str:
    """The answer to a pattern, with a device each way where it depends."""
    if through.witness_through is None or through.witness_kept is None:
        return f"{through.passing} through"
    passing = device_words(through.witness_through, names)
    kept = device_words(through.witness_kept, names)
    return f"{through.passing}: through as {passing}, kept as {kept}"


def _class_words(classes: ValueSet, names: Names) -> str:
    if classes.is_all:
        return "devices"
    if classes.inverted:
        return f"devices of any class but {_some_of(classes.listed, names.usb_class)}"
    if len(classes) == 1:
        return f"{_class_adjective(next(iter(classes)), names)} devices"
    return f"devices of the classes {_some_of(classes.listed, names.usb_class)}"


def _class_adjective(usb_class: int, names: Names) -> str:
    name = names.usb_class(usb_class)
    return f"class {name}" if name.startswith("0x") else name


def _version_set_words(versions: ValueSet) -> str:
    if versions.is_all:
        return "any version"
    some = _some_of(versions.listed, version_words)
    return f"any version but {some}" if versions.inverted else f"version {some}"


def _id_words(ids: Sequence[IdBox], names: Names) -> str:
    """Ids as a list, or as "any id but" with the exceptions of all vendors together."""
    wide = next((box for box in ids if box.vendors.inverted and box.products.is_all), None)
    if wide is None:
        return _some(chain.from_iterable(_box_words(box, names) for box in ids), _how_many(ids))
    partly = {
        vendor: box.products.listed
        for box in ids
        if box is not wide and box.products.inverted
        for vendor in box.vendors
    }
    words = "any id"
    excepted = list(_excepted(wide.vendors.listed, partly, names))
    if excepted:
        words += f" but {_some(excepted, len(excepted))}"
    others = [box for box in ids if not box.products.inverted]
    if others:
        words += f", and of {_id_words(others, names)}"
    return words


def _excepted(
    vendors: Iterable[int], partly: Mapping[int, frozenset[int]], names: Names
) -> Iterator[str]:
    """Whole vendors, and single products of those that are excepted in part."""
    for vendor in sorted(vendors):
        if vendor in partly:
            yield from (names.device(vendor, product) for product in sorted(partly[vendor]))
        else:
            yield names.vendor(vendor)


def _box_words(box: IdBox, names: Names) -> Iterator[str]:
    """A phrase for each single id or vendor of a box, or one for all it has."""
    products = [f"{product:04x}" for product in sorted(box.products.listed)[: MOST + 1]]
    if box.vendors.inverted:
        but = f" but {_some_of(box.vendors.listed, names.vendor)}" if box.vendors.listed else ""
        which = "all products but" if box.products.inverted else "product"
        yield f"{which} {_some(products, len(box.products.listed))} of any vendor{but}"
    elif box.products.inverted:
        but = f" but {_some(products, len(box.products.listed))}" if products else ""
        yield from (names.vendor(vendor) + but for vendor in box.vendors)
    else:
        yield from (names.device(*one) for one in pairs(box.vendors, box.products))


def _how_many(ids: Sequence[IdBox]) -> int:
    """How many phrases :func:`_box_words` makes of boxes."""
    return sum(
        1
        if box.vendors.inverted
        else len(box.vendors) * (1 if box.products.inverted else len(box.products))
        for box in ids
    )


def _some_of(values: Iterable[int], word: Callable[[int], str]) -> str:
    """Single values in rising order."""
    rising = sorted(values)
    return _some(map(word, rising), len(rising))


def _some(words: Iterable[str], total: int) -> str:
    """The first few words of a list, and how many more there are."""
    shown = list(islice(words, MOST if total > MOST + 1 else total))
    if total > len(shown):
        shown.append(f"{total - len(shown):,} more")
    return _listed(shown)


def _listed(words: Sequence[str]) -> str:
    """``a, b and c``."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
