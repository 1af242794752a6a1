"""What the role owns of a domain changes, and nothing else does: over many shapes of domains.

References: libvirt's own RNG schema of a domain (Debian package libvirt0), and canonical XML for
"the same in meaning".
"""

from __future__ import annotations

import copy
import importlib
from functools import lru_cache
from pathlib import Path
from typing import Any

import ansible.module_utils
import pytest
from ansible.parsing.dataloader import DataLoader
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from seatwright.capacity.ports import KINDS
from support.guest_module import ROLE, planned

if str(ROLE / "module_utils") not in ansible.module_utils.__path__:
    ansible.module_utils.__path__.append(str(ROLE / "module_utils"))
guest_xml = importlib.import_module("ansible.module_utils.guest_xml")

SCHEMA = Path("/usr/share/libvirt/schemas/domain.rng")
RULES = [
    {"class": 9, "vendor": -1, "product": -1, "version": -1, "allow": False},
    {"class": 8, "vendor": 0x1209, "product": 3, "version": 0x0110, "allow": True},
]

PCI = "<address type='pci' domain='0x0000' bus='0x00' slot='0x{:02x}' function='0x{:x}'{}/>"
DEVICES = (
    "<disk type='file' device='disk'><driver name='qemu' type='qcow2' cache='none'/>"
    "<source file='/guests/a &amp; b.qcow2'/>"
    "<target dev='vda' bus='virtio'/><boot order='1'/></disk>",
    "<disk type='block' device='cdrom'><target dev='sda' bus='sata'/><readonly/></disk>",
    "<controller type='pci' index='0' model='pcie-root'/>",
    "<controller type='sata' index='0'/>",
    "<controller type='virtio-serial' index='0'/>",
    "<interface type='network'><mac address='52:54:00:12:34:56'/><source network='default'/>"
    "<model type='virtio'/></interface>",
    "<interface type='bridge'><source bridge='br0'/><virtualport type='openvswitch'/></interface>",
    "<serial type='pty'><target port='0'/></serial>",
    "<channel type='spicevmc'><target type='virtio' name='com.redhat.spice.0'/></channel>",
    "<channel type='unix'><target type='virtio' name='org.qemu.guest_agent.0'/></channel>",
    "<sound model='ich9'/>",
    "<video><model type='qxl' ram='65536' vram='65536' heads='2'/></video>",
    "<graphics type='vnc' port='5999' autoport='no' listen='127.0.0.1'/>",
    "<memballoon model='none'/>",
    "<rng model='virtio'><backend model='random'>/dev/urandom</backend></rng>",
    "<hostdev mode='subsystem' type='pci' managed='yes'><source>"
    "<address domain='0x0000' bus='0x06' slot='0x02' function='0x0'/></source></hostdev>",
    "<redirdev bus='usb' type='tcp'><source mode='connect' host='localhost' service='4000'/>"
    "<protocol type='raw'/></redirdev>",
    "<watchdog model='i6300esb' action='poweroff'/>",
    "<!-- the archive's own: ask before changing -->",
    "<input type='tablet' bus='usb'><address type='usb' bus='0' port='1'/></input>",
    "<input type='keyboard' bus='ps2'/>",
)
OURS = (
    "<controller type='usb' index='0' model='piix3-uhci'/>",
    "<controller type='usb' index='0' model='qemu-xhci' ports='4'>"
    + PCI.format(3, 0, "")
    + "</controller>",
    "<controller type='usb' index='0' model='ich9-ehci1'>"
    + PCI.format(4, 7, "")
    + "</controller><controller type='usb' index='0' model='ich9-uhci1'><master startport='0'/>"
    + PCI.format(4, 0, " multifunction='on'")
    + "</controller>",
    "<redirdev bus='usb' type='spicevmc'/>",
    "<redirdev bus='usb' type='spicevmc'><alias name='ua-left'/>"
    "<address type='usb' bus='0' port='2'/></redirdev>",
    "<redirfilter><usbdev class='0x08' allow='yes'/><usbdev allow='no'/></redirfilter>",
)
GRAPHICS = (
    "",
    "<graphics type='spice'/>",
    "<graphics type='spice' port='5901' tlsPort='5902' autoport='no' passwd='x' keymap='de'>"
    "<listen type='address' address='0.0.0.0'/><channel name='main' mode='insecure'/>"
    "<channel name='display' mode='secure'/><image compression='auto_glz'/>"
    "<clipboard copypaste='no'/><streaming mode='filter'/></graphics>",
)
OUTSIDE = (
    "<metadata><own:note xmlns:own='urn:fennmoor:notes' own:room='reading'>kept &amp; "
    "<own:b/></own:note></metadata>",
    "<description>Two  blanks,\n  and a line.</description>",
    "<iothreads>2</iothreads>",
    "<cpu mode='host-passthrough'><topology sockets='1' dies='1' cores='2' threads='1'/></cpu>",
    "<clock offset='utc'><timer name='rtc' tickpolicy='catchup'/></clock>",
    "<features><acpi/><apic/></features>",
    "<on_crash>destroy</on_crash>",
    "<qemu:commandline xmlns:qemu='http://libvirt.org/schemas/domain/qemu/1.0'>"
    "<qemu:arg value='-no-hpet'/></qemu:commandline>",
)


@st.composite
def domains(draw: st.DrawFn) -> str:
    """A domain as a person or a program may have left it."""
    own = draw(st.lists(st.sampled_from(OURS), max_size=4, unique=True))
    others = draw(st.lists(st.sampled_from(DEVICES), max_size=8, unique=True))
    devices = [*own, *others, draw(st.sampled_from(GRAPHICS))]
    inside = draw(st.permutations(devices))
    outside = draw(st.permutations(draw(st.lists(st.sampled_from(OUTSIDE), unique=True))))
    gap = draw(st.sampled_from(("", "\n    ")))
    return (
        "<domain type='kvm'><name>rr-01</name><memory unit='KiB'>1048576</memory>"
        "<os><type arch='x86_64' machine='q35'>hvm</type></os>"
        f"{gap.join(outside)}<devices>{gap.join(inside)}</devices></domain>"
    )


def guest(kind: str, ports: int) -> dict[str, Any]:
    """A guest with its place and filter, and a password from the vault."""
    one = planned("rr-01", 5907, ports, kind)
    return {**one, "listen": "::", "filter": RULES, "password": "from the vault"}


OWN_ATTRIBUTES = ("autoport", "port", "tlsPort", "listen", "defaultMode", "passwd", "passwdValidTo")


def without_ours(domain: etree._Element, had_graphics: bool) -> bytes:
    """Canonical XML of all that the role does not own; blanks between elements do not count."""
    rest = copy.deepcopy(domain)
    for devices in rest.findall("devices"):
        owned = [
            *devices.findall("controller[@type='usb']"),
            *devices.findall("redirdev[@type='spicevmc']"),
            *devices.findall("redirfilter"),
        ]
        for graphics in devices.findall("graphics[@type='spice']"):
            if not had_graphics:
                owned.append(graphics)
            for name in OWN_ATTRIBUTES:
                graphics.attrib.pop(name, None)
            for child in (*graphics.findall("listen"), *graphics.findall("channel")):
                if child.tag == "listen" or child.get("mode") != "secure":
                    graphics.remove(child)
        for element in owned:
            devices.remove(element)
    for element in rest.iter():
        if len(element) or not (element.text or "").strip():
            element.text = None
        element.tail = None
    return etree.tostring(rest, method="c14n", with_comments=True)


@lru_cache(1)
def schema() -> etree.RelaxNG:
    return etree.RelaxNG(etree.parse(str(SCHEMA)))


@settings(max_examples=300)
@given(domains(), st.sampled_from(("xhci", "ehci")), st.integers(0, 20))
def test_what_is_not_ours_keeps_its_meaning(text: str, kind: str, ports: int) -> None:
    domain = etree.fromstring(text)
    before = etree.fromstring(text)
    wanted = guest(kind, ports)
    had_graphics = before.find("devices/graphics[@type='spice']") is not None
    if not ports and domain.find("devices/input[@bus='usb']") is not None:
        with pytest.raises(guest_xml.Conflict):  # its tablet would lose its controller
            guest_xml.apply(domain, wanted)
        assert etree.tostring(domain) == etree.tostring(before)
        return
    guest_xml.apply(domain, wanted)
    assert without_ours(domain, had_graphics) == without_ours(before, had_graphics)
    assert guest_xml.current_view(domain, wanted) == guest_xml.wanted_view(wanted)
    once = etree.tostring(domain)
    guest_xml.apply(domain, wanted)
    assert etree.tostring(domain) == once


@settings(max_examples=120)
@given(domains(), st.sampled_from(("xhci", "ehci")), st.integers(1, 20))
def test_every_domain_is_one_that_libvirt_s_schema_takes(text: str, kind: str, ports: int) -> None:
    """Where the schema took it before: some of the shapes above are only nearly right."""
    domain = etree.fromstring(text)
    if not schema().validate(domain):
        return
    guest_xml.apply(domain, guest(kind, ports))
    assert schema().validate(domain), schema().error_log


def test_the_schema_takes_most_shapes_so_that_the_test_above_says_something() -> None:
    for devices in (DEVICES, OURS[1:2], GRAPHICS[2:]):
        for one in devices:
            text = (
                "<domain type='kvm'><name>a</name><memory>1</memory><os><type>hvm</type></os>"
                f"<devices>{one}</devices></domain>"
            )
            assert schema().validate(etree.fromstring(text)), (one, schema().error_log)


def test_every_guest_of_the_demo_gets_a_domain_that_the_schema_takes() -> None:
    rendered = Path(__file__).parents[2] / "inventories/fennmoor/rendered"
    seen = 0
    for path in rendered.glob("host_vars/*.yml"):
        told = DataLoader().load_from_file(str(path))
        for one in told.get("guest_ports_guests", ()):  # of the hosts with libvirt
            domain = etree.fromstring(
                f"<domain type='kvm'><name>{one['name']}</name><memory>1</memory>"
                "<os><type>hvm</type></os><devices/></domain>"
            )
            rules = told["guest_ports_filters"][one["filter"]]
            listen = told["guest_ports_listen"]
            wanted = {**one, "filter": rules, "listen": listen, "password": "x"}
            guest_xml.apply(domain, wanted)
            assert schema().validate(domain), (one["name"], schema().error_log)
            seen += 1
    assert seen >= 35


def test_one_more_port_moves_no_other_over_a_second_controller() -> None:
    domain = etree.fromstring("<domain><devices/></domain>")
    places = []
    for ports in range(1, 2 * KINDS["xhci"].ports):
        guest_xml.apply(domain, guest("xhci", ports))
        now = [
            (one.get("bus"), one.get("port")) for one in domain.iterfind("devices/redirdev/address")
        ]
        assert now[:-1] == places
        places = now
