"""The guest_ports module run alone, as a host runs it: Debian's Python, its libvirt and lxml."""

from __future__ import annotations

import json
import subprocess
import sysconfig
from pathlib import Path
from typing import Any

from seatwright.capacity.ports import KINDS, RESERVED, plan_ports
from support.libvirtd import Daemon

ROLE = Path(__file__).parents[2] / "templates" / "roles" / "guest_ports"
PYTHON = "/usr/bin/python3"
RUNNER = """
import runpy, sys
import ansible.module_utils
from ansible.module_utils import basic
ansible.module_utils.__path__.append(sys.argv[1] + "/module_utils")
basic._ANSIBLE_ARGS = sys.stdin.buffer.read()
basic._ANSIBLE_PROFILE = "legacy"
runpy.run_path(sys.argv[1] + "/library/guest_ports.py", run_name="__main__")
"""

NOTHING: list[dict[str, Any]] = [
    {"class": -1, "vendor": -1, "product": -1, "version": -1, "allow": False}
]


def planned(
    name: str,
    spice_port: int,
    ports: int = 2,
    kind: str = "xhci",
    rules: str = "none",
    own: int = RESERVED,
) -> dict[str, Any]:
    """A guest as the inventory has it; ``own`` USB devices of its own come before the ports."""
    plan = plan_ports(ports, KINDS[kind], own)
    return {
        "name": name,
        "seat": name,
        "spice_port": spice_port,
        "filter": rules,
        "controllers": [
            {"index": one.index, "kind": one.kind, "ports": one.ports} for one in plan.controllers
        ],
        "ports": [{"number": p.number, "bus": p.bus, "port": p.port} for p in plan.ports],
    }


def begin(
    daemon: Daemon, guests: list[dict[str, Any]], *, check: bool = False, **options: object
) -> subprocess.Popen[str]:
    """Start a run of the module; ``options`` are its parameters."""
    arguments = {
        "uri": daemon.uri,
        "listen": "127.0.0.1",
        "filters": {"none": NOTHING},
        "guests": json.dumps(guests),
        "_ansible_check_mode": check,
        "_ansible_diff": True,
        "_ansible_tmpdir": str(daemon.folder),
        "_ansible_remote_tmp": str(daemon.folder),
        **options,
    }
    run = subprocess.Popen(
        [PYTHON, "-c", RUNNER, str(ROLE)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": sysconfig.get_paths()["purelib"], "PATH": "/usr/sbin:/usr/bin"},
    )
    assert run.stdin is not None
    run.stdin.write(json.dumps({"ANSIBLE_MODULE_ARGS": arguments}))
    run.stdin.close()
    run.stdin = None
    return run


def result(run: subprocess.Popen[str]) -> dict[str, Any]:
    """What the module gave back; ``text`` is all that it printed."""
    output, errors = run.communicate(timeout=300)
    assert output.lstrip().startswith("{"), output + errors
    value = json.loads(output)
    assert isinstance(value, dict)
    return {**value, "text": output + errors}


def bring(daemon: Daemon, guests: list[dict[str, Any]], **options: Any) -> dict[str, Any]:
    """A whole run of the module."""
    return result(begin(daemon, guests, **options))
