"""The guest_ports module over many guests of one host, beside a plain dump of their XML.

libvirt's test driver behind a daemon of its own.  Figures: the first run; an unchanged run; one
where one room's filter changed; an unchanged run beside dumping all definitions with one
connection; the module's memory for few and for many guests.  Times are of whole processes, from
their start to their end: the module's own beginning is Ansible's, and is measured as well.

    PYTHONPATH=generator:tests .venv/bin/python tests/bench/bench_guests.py
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sysconfig
import tempfile
import time
from pathlib import Path

from support.guest_module import NOTHING, PYTHON, begin, planned, result
from support.libvirtd import Daemon, held_open, libvirtd

GUESTS = 1_000
FEW = 100
ROOM = 20
TRIES = 5

DUMP = """
import sys
import libvirt
connection = libvirt.open(sys.argv[1])
for one in connection.listAllDomains():
    one.XMLDesc(libvirt.VIR_DOMAIN_XML_INACTIVE)
"""
IMPORTS = """
import lxml.etree
from ansible.module_utils.basic import AnsibleModule
"""

DOMAIN = """<domain type='test'><name>{}</name><memory>65536</memory><os><type>hvm</type></os>
<devices><disk type='file'><source file='/guests/{}'/><target dev='vda' bus='virtio'/></disk>
<graphics type='spice' autoport='yes' passwd='x'/><video><model type='virtio'/></video></devices>
</domain>"""

DEFINE = """
import sys, libvirt
connection = libvirt.open(sys.argv[1])
for number in range(int(sys.argv[2])):
    name = f"guest-{number:04}"
    connection.defineXML(sys.argv[3].format(name, name))
"""


def guests(count: int, room_filter: str = "none") -> list[dict]:
    """As planned; the last room's guests have a filter of their own."""
    return [
        planned(f"guest-{number:04}", 5901 + number, 4, rules=room_filter if last else "none")
        for number in range(count)
        for last in [number >= count - ROOM]
    ]


def run(daemon: Daemon, all_: list[dict], filters: dict) -> tuple[float, int, int]:
    """Seconds of a run, guests that it changed, and the most memory that it took, in kB."""
    begun = time.perf_counter()
    passwords = {one["name"]: {"password": f"its-own-{one['name']}"} for one in all_}
    process = begin(daemon, all_, filters=filters, passwords=json.dumps(passwords))
    told = result(process)
    took = time.perf_counter() - begun
    assert not told["failed_guests"] and told["done"] == len(all_), told["failed_guests"]
    return took, sum(one["changed"] for one in told["guests"].values()), peak()


def peak() -> int:
    """The most memory that any program here took so far, in kB: the larger run goes last."""
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss


def seconds(daemon: Daemon, program: str) -> float:
    """How long a program with one connection takes, from its start to its end."""
    begun = time.perf_counter()
    environment = {"PYTHONPATH": sysconfig.get_paths()["purelib"], "PATH": "/usr/bin"}
    command = [PYTHON, "-c", program, daemon.uri]
    subprocess.run(command, env=environment, check=True, capture_output=True)
    return time.perf_counter() - begun


def main() -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        libvirtd(Path(folder), "test") as daemon,
        held_open(daemon),
    ):
        measure(daemon)


def measure(daemon: Daemon) -> None:
    subprocess.run([PYTHON, "-c", DEFINE, daemon.uri, str(GUESTS), DOMAIN], check=True)
    filters = {"none": NOTHING, "room": [*NOTHING, *NOTHING]}
    _, _, few = run(daemon, guests(FEW), filters)
    first, changed, many = run(daemon, guests(GUESTS), filters)
    print(f"first run over {GUESTS} guests: {first:.1f} s, {changed} changed")
    print(f"most memory: {few / 1024:.0f} MB over {FEW} guests, {many / 1024:.0f} MB over {GUESTS}")
    room, changed, _ = run(daemon, guests(GUESTS, "room"), filters)
    print(f"one room's filter: {room:.2f} s, {changed} changed")
    ratios, alone = [], []
    for _ in range(TRIES):
        dump, bare = seconds(daemon, DUMP), seconds(daemon, IMPORTS)
        same, changed, _ = run(daemon, guests(GUESTS, "room"), filters)
        assert changed == 0
        ratios.append(same / dump)
        alone.append((same - bare) / dump)
        print(f"unchanged {same:.2f} s, dump {dump:.2f} s, imports alone {bare:.2f} s")
    print(f"unchanged run over dump: {statistics.median(ratios):.1f} times")
    print(f"  without what Ansible's own module code takes to load: {statistics.median(alone):.1f}")


if __name__ == "__main__":
    main()
