"""The parts of a libvirt domain that seatwright owns: read, compare, write.

Owned are the USB controllers, the redirection ports, the redirection filter, the transport
settings of the SPICE graphics and its password.  Everything else in the domain, and its order,
stays as it is.  No line of a view holds a password.
Formats: libvirt's domain XML (formatdomain: controllers, redirdev, redirfilter, graphics).
"""

from __future__ import annotations

from functools import cache

from lxml import etree

EHCI = "ich9-ehci1"
COMPANIONS = (("ich9-uhci1", "0"), ("ich9-uhci2", "2"), ("ich9-uhci3", "4"))
ANY = -1
RULE_FIELDS = ("class", "vendor", "product", "version", "allow")


class Conflict(Exception):
    """Something that is not ours stands where the plan wants to build."""


def wanted_view(guest: dict) -> list[str]:
    """The owned parts as the plan has them, a line each, for comparison and diff.

    ``guest`` has ``spice_port``, ``listen``, ``controllers`` (index, kind, ports), ``ports``
    (number, bus, port) and ``filter``, a list of rules (class, vendor, product, version, allow;
    -1 is any); ``password`` and ``valid_until`` (UTC, YYYY-MM-DDTHH:MM:SS) may be absent:
    then the password that the guest has stays.
    """
    lines = [_controller_line(c["index"], c["kind"], c["ports"]) for c in guest["controllers"]]
    lines += [port_line(port) for port in guest["ports"]]
    lines += [_rule_line(*map(rule.get, RULE_FIELDS)) for rule in guest["filter"]]
    lines.append(_graphics_line(str(guest["spice_port"]), None, guest["listen"], "secure", ()))
    lines.append(_password_line("as planned", guest.get("valid_until")))
    return lines


def current_view(domain: etree._Element, guest: dict) -> list[str]:
    """The owned parts as the domain has them, in the same lines as :func:`wanted_view`.

    Of ``guest`` only the password counts, which is compared here and never shown.
    """
    devices = domain.find("devices")
    if devices is None:
        return []
    lines = _current_controllers(devices)
    lines += [_port_line(*_address(port)) for port in _redirection_ports(devices)]
    for redirfilter in devices.iterchildren("redirfilter"):
        rules = redirfilter.iterchildren("usbdev")
        lines += [_line_of_rule(*map(rule.get, RULE_FIELDS)) for rule in rules]
    for graphics in _of_type(devices, "graphics", "spice"):
        lines += [_current_graphics(graphics), _current_password(graphics, guest)]
    return lines


def conflicts(domain: etree._Element, guest: dict) -> list[str]:
    """Sentences about devices that are not ours and sit where the plan builds."""
    planned = {(str(p["bus"]), str(p["port"])): p["number"] for p in guest["ports"]}
    buses = {str(c["index"]) for c in guest["controllers"]}
    found = []
    for device in domain.iterfind("devices/*"):
        if device.tag == "controller" or device.get("type") == "spicevmc":
            continue
        bus, port = _address(device)
        if bus is None:
            continue
        if (bus, port) in planned:
            found.append(
                f"its {device.tag} sits on USB controller {bus} port {port}, "
                f"where redirection port {planned[bus, port]} is planned"
            )
        elif bus not in buses:
            found.append(
                f"its {device.tag} sits on USB controller {bus}, which the plan does not have"
            )
    return found


def apply(domain: etree._Element, guest: dict) -> None:
    """Bring the owned parts of ``domain`` to what the plan says, in place.

    Raises :class:`Conflict` before anything is touched.
    """
    found = conflicts(domain, guest)
    if not guest.get("password") and not has_password(domain):
        found.append(
            "its display has no password, so anybody who reaches the host could open it; make one "
            "(seatwright secrets) and give the file with -i"
        )
    if found:
        raise Conflict("; ".join(found))
    devices = domain.find("devices")
    if devices is None:
        devices = etree.SubElement(domain, "devices")
    _set_controllers(devices, guest["controllers"])
    _set_ports(devices, guest["ports"])
    _set_filter(devices, guest["filter"])
    _set_graphics(devices, guest)


# --- lines -------------------------------------------------------------------------------------


def _controller_line(index: int | str, kind: str, ports: int | str | None) -> str:
    size = "" if kind == EHCI else f", {ports} ports" if ports else ", ports not stated"
    return f"controller {index}: {kind}{' with companions' if kind == EHCI else ''}{size}"


def port_line(port: dict) -> str:
    """The line of a planned port."""
    return _port_line(port["bus"], port["port"])


def _port_line(bus: int | str | None, port: str | None) -> str:
    where = "no address" if port is None else f"controller {bus} port {port}"
    return f"redirection port: {where}"


@cache
def _rule_line(class_: int, vendor: int, product: int, version: int, allow: bool) -> str:
    """Kept, as are the lines of attributes below: of a host's rules few are not the same."""
    fields = [
        f"{name} {number:#0{width}x}"
        for name, width, number in (
            ("class", 4, class_),
            ("vendor", 6, vendor),
            ("product", 6, product),
            ("version", 6, version),
        )
        if number != ANY
    ]
    return f"filter: {'allow' if allow else 'deny'} {', '.join(fields) or 'anything'}"


def _graphics_line(
    tls: str | None, plain: str | None, listen: str | None, mode: str | None, open_channels: tuple
) -> str:
    line = f"graphics: TLS port {tls or 'none'}, listens on {listen or 'the default'}"
    line += ", TLS only" if mode == "secure" else ", TLS not required"
    if plain:
        line += f", plain port {plain}"
    if open_channels:
        line += f", without TLS: {' '.join(open_channels)}"
    return line


def _password_line(state: str, until: str | None) -> str:
    return f"password: {state}" + (f", valid until {until} UTC" if until else "")


# --- reading -----------------------------------------------------------------------------------


def _of_type(parent: etree._Element, tag: str, kind: str) -> list[etree._Element]:
    """Children by name and type; a path expression takes several times as long."""
    return [child for child in parent.iterchildren(tag) if child.get("type") == kind]


def _usb_controllers(devices: etree._Element) -> list[etree._Element]:
    return _of_type(devices, "controller", "usb")


def _redirection_ports(devices: etree._Element) -> list[etree._Element]:
    """Those that lead to the seat; one that a person led to another program is not ours."""
    return _of_type(devices, "redirdev", "spicevmc")


def _current_controllers(devices: etree._Element) -> list[str]:
    companions = {model for model, _ in COMPANIONS}
    named: dict[str, etree._Element] = {}
    for controller in _usb_controllers(devices):
        if controller.get("model") not in companions:
            named[controller.get("index", "0")] = controller
    ordered = sorted(named.items(), key=lambda item: int(item[0]))
    return [
        _controller_line(index, c.get("model", "model not stated"), c.get("ports"))
        for index, c in ordered
    ]


def _address(device: etree._Element) -> tuple[str | None, str | None]:
    for address in _of_type(device, "address", "usb"):
        return address.get("bus", "0"), address.get("port")
    return None, None


@cache
def _line_of_rule(
    class_: str | None,
    vendor: str | None,
    product: str | None,
    version: str | None,
    allow: str | None,
) -> str:
    numbers = _number(class_), _number(vendor), _number(product), _bcd(version)
    return _rule_line(*numbers, allow == "yes")


def _number(text: str | None) -> int:
    return ANY if text in (None, "-1") else int(text, 16)


def _bcd(text: str | None) -> int:
    if text in (None, "-1"):
        return ANY
    major, _, minor = text.partition(".")
    return int(f"{major}{minor:0<2}", 16)


def _current_graphics(graphics: etree._Element) -> str:
    listens = _of_type(graphics, "listen", "address")
    plain = graphics.get("port")
    if graphics.get("autoport") == "yes":
        plain = "chosen at start"
    return _graphics_line(
        graphics.get("tlsPort"),
        None if plain in (None, "-1", "0") else plain,
        listens[0].get("address") if listens else graphics.get("listen"),
        graphics.get("defaultMode"),
        tuple(
            channel.get("name", "")
            for channel in graphics.iterchildren("channel")
            if channel.get("mode") != "secure"
        ),
    )


def graphics_of(domain: etree._Element) -> etree._Element | None:
    """The SPICE graphics of a domain."""
    return domain.find("devices/graphics[@type='spice']")


def has_password(domain: etree._Element) -> bool:
    """Whether the display asks for one; ``domain`` was read with its secrets."""
    graphics = graphics_of(domain)
    return graphics is not None and bool(graphics.get("passwd"))


def _current_password(graphics: etree._Element, guest: dict) -> str:
    has = graphics.get("passwd")
    wanted = guest.get("password")
    if not has:
        return _password_line("none", None)
    if wanted and has != wanted:
        return _password_line("another one", None)
    # Without a planned one, whatever the guest has is as planned, for as long as it is valid.
    return _password_line("as planned", graphics.get("passwdValidTo") if wanted else None)


def set_password(graphics: etree._Element, guest: dict) -> None:
    """The planned password and its end; nothing where none is planned."""
    if not guest.get("password"):
        return
    graphics.set("passwd", guest["password"])
    graphics.attrib.pop("passwdValidTo", None)
    if guest.get("valid_until"):
        graphics.set("passwdValidTo", guest["valid_until"])


# --- writing -----------------------------------------------------------------------------------


def _set_controllers(devices: etree._Element, controllers: list[dict]) -> None:
    """Keep a controller that is already right, with its PCI address; replace the others."""
    present: dict[tuple[str, str], etree._Element] = {}
    for controller in _usb_controllers(devices):
        present[controller.get("index", "0"), controller.get("model", "")] = controller
    wanted: list[etree._Element] = []
    for planned in controllers:
        wanted += _controller_elements(planned, present)
    _replace(devices, _usb_controllers(devices), wanted, after="emulator")


def _controller_elements(
    planned: dict, present: dict[tuple[str, str], etree._Element]
) -> list[etree._Element]:
    index = str(planned["index"])
    element = _kept_or_new(index, planned["kind"], present)
    if planned["kind"] != EHCI:
        element.set("ports", str(planned["ports"]))
        return [element]
    elements = [element]
    for model, start in COMPANIONS:
        companion = _kept_or_new(index, model, present)
        if companion.find("master") is None:
            etree.SubElement(companion, "master", startport=start)
        elements.append(companion)
    return elements


def _kept_or_new(
    index: str, model: str, present: dict[tuple[str, str], etree._Element]
) -> etree._Element:
    kept = present.get((index, model))
    if kept is not None:
        return kept
    return etree.Element("controller", type="usb", index=index, model=model)


def _set_ports(devices: etree._Element, ports: list[dict]) -> None:
    kept = {_address(port): port for port in _redirection_ports(devices)}
    wanted = []
    for planned in ports:
        where = (str(planned["bus"]), str(planned["port"]))
        port = kept.get(where)
        wanted.append(port_element(planned) if port is None else port)
    _replace(devices, _redirection_ports(devices), wanted, after=None)


def port_element(planned: dict) -> etree._Element:
    """A redirection port as libvirt writes it."""
    port = etree.Element("redirdev", bus="usb", type="spicevmc")
    where = {"bus": str(planned["bus"]), "port": str(planned["port"])}
    etree.SubElement(port, "address", type="usb", **where)
    return port


def ports_to_add(live: etree._Element, guest: dict) -> list[dict]:
    """Planned ports that a running guest lacks and that its controllers have room for."""
    devices = live.find("devices")
    if devices is None:
        return []
    room = {
        (c.get("index", "0"), c.get("model")): int(c.get("ports") or 0)
        for c in _usb_controllers(devices)
    }
    kinds = {str(c["index"]): (c["kind"], c["ports"]) for c in guest["controllers"]}
    taken = {_address(device) for device in devices.iterfind("*")}
    return [port for port in guest["ports"] if _fits(port, room, kinds, taken)]


def _fits(port: dict, room: dict, kinds: dict, taken: set) -> bool:
    bus, number = str(port["bus"]), str(port["port"])
    kind, planned = kinds[bus]
    has = room.get((bus, kind))
    if has is None or (bus, number) in taken:
        return False
    return int(number) <= (has or (planned if kind == EHCI else 0))


def _set_filter(devices: etree._Element, rules: list[dict]) -> None:
    element = etree.Element("redirfilter")
    for rule in rules:
        etree.SubElement(element, "usbdev", _rule_attributes(rule))
    _replace(devices, devices.findall("redirfilter"), [element], after="redirdev")


def _rule_attributes(rule: dict) -> dict[str, str]:
    attributes = {}
    if rule["class"] != ANY:
        attributes["class"] = f"0x{rule['class']:02X}"
    if rule["vendor"] != ANY:
        attributes["vendor"] = f"0x{rule['vendor']:04X}"
    if rule["product"] != ANY:
        attributes["product"] = f"0x{rule['product']:04X}"
    if rule["version"] != ANY:
        attributes["version"] = _decimal_bcd(rule["version"])
    attributes["allow"] = "yes" if rule["allow"] else "no"
    return attributes


def _decimal_bcd(version: int) -> str:
    """libvirt writes bcdDevice as decimal ``major.minor``: digits above 9 cannot be said."""
    digits = f"{version:04x}"
    if not digits.isdecimal():
        raise Conflict(
            f"bcdDevice {digits[:2]}.{digits[2:]} has a digit above 9, which libvirt cannot write; "
            "name the device without its bcdDevice"
        )
    return f"{int(digits[:2])}.{digits[2:]}"


def _set_graphics(devices: etree._Element, guest: dict) -> None:
    graphics = devices.find("graphics[@type='spice']")
    if graphics is None:
        graphics = etree.SubElement(devices, "graphics", type="spice")
    graphics.set("autoport", "no")
    graphics.set("tlsPort", str(guest["spice_port"]))
    graphics.set("listen", guest["listen"])
    graphics.set("defaultMode", "secure")
    graphics.attrib.pop("port", None)
    set_password(graphics, guest)
    for child in graphics.findall("listen"):
        graphics.remove(child)
    graphics.insert(0, etree.Element("listen", type="address", address=guest["listen"]))
    for channel in graphics.findall("channel"):
        if channel.get("mode") != "secure":
            graphics.remove(channel)


def _replace(
    devices: etree._Element,
    old: list[etree._Element],
    new: list[etree._Element],
    after: str | None,
) -> None:
    """Put ``new`` where the first of ``old`` stood, else after the last element named ``after``."""
    at = len(devices)
    if old:
        at = devices.index(old[0])
    elif after is not None:
        named = devices.findall(after)
        at = devices.index(named[-1]) + 1 if named else len(devices)
    for element in old:
        devices.remove(element)
    for offset, element in enumerate(new):
        devices.insert(at + offset, element)
