#!/usr/bin/python3
"""Ansible module: bring the guests of one host to their planned redirection ports."""

from __future__ import annotations

DOCUMENTATION = r"""
module: guest_ports
short_description: Bring libvirt guests to their planned redirection ports
description:
  - Owns, per guest, the USB controllers, the redirection ports, the redirection filter and the
    transport settings of the SPICE graphics (TLS port, listen address, TLS only). Every other
    element of the definition stays as it is.
  - Changes the stored definition only. A running guest is never touched; where it is behind
    its definition, that is reported, and it catches up when it is next shut down and started.
  - Uses one connection for all guests and goes on when one fails; the message at the end says
    which guests are done and which are not.
options:
  uri:
    description: The libvirt connection URI, as the host itself opens it.
    type: str
    required: true
  listen:
    description: The address the guests' displays are bound to.
    type: str
    required: true
  filters:
    description:
      - By name, a list of rules in order, first match decides.
      - Each has C(class), C(vendor), C(product), C(version), numbers of which -1 is any, and
        C(allow).
    type: dict
    required: true
  guests:
    description: The guests as the plan has them.
    type: list
    elements: dict
    required: true
    suboptions:
      name: {description: Name of the libvirt domain., type: str, required: true}
      seat: {description: The seat that shows it., type: str, required: true}
      spice_port: {description: The TLS port., type: int, required: true}
      filter: {description: Which of the filters it has., type: str, required: true}
      controllers: {description: "USB controllers (index, kind, ports).", type: list,
        elements: dict, required: true}
      ports: {description: "Redirection ports (number, bus, port).", type: list,
        elements: dict, required: true}
"""

EXAMPLES = r"""
- name: Bring the guests to their planned redirection ports
  guest_ports:
    uri: qemu:///system
    listen: "{{ guest_ports_listen }}"
    filters: "{{ guest_ports_filters }}"
    guests: "{{ guest_ports_guests }}"
"""

RETURN = r"""
guests:
  description: Per guest C(changed), C(running) and C(behind), the lines in which the running guest
    differs from the plan.
  returned: always
  type: dict
failed_guests:
  description: Per guest that could not be brought to the plan, the reason.
  returned: always
  type: dict
"""

import difflib

from ansible.module_utils.basic import AnsibleModule, missing_required_lib

try:
    import libvirt
    from ansible.module_utils import guest_xml
    from lxml import etree
except ImportError as problem:  # reported in main(), where Ansible can say it
    MISSING = problem
else:
    MISSING = None


def main() -> None:
    module = AnsibleModule(
        argument_spec={
            "uri": {"type": "str", "required": True},
            "listen": {"type": "str", "required": True},
            "filters": {"type": "dict", "required": True},
            "guests": {
                "type": "list",
                "elements": "dict",
                "required": True,
                "options": {
                    "name": {"type": "str", "required": True},
                    "seat": {"type": "str", "required": True},
                    "spice_port": {"type": "int", "required": True},
                    "filter": {"type": "str", "required": True},
                    "controllers": {"type": "list", "elements": "dict", "required": True},
                    "ports": {"type": "list", "elements": "dict", "required": True},
                },
            },
        },
        supports_check_mode=True,
    )
    if MISSING is not None and module.check_mode:
        # An earlier task would install it; what the guests have cannot be known before that.
        module.exit_json(changed=True, guests={}, failed_guests={}, msg=f"not looked: {MISSING}")
    if MISSING is not None:
        module.fail_json(msg=missing_required_lib(getattr(MISSING, "name", "python3-libvirt")))
    connection = _connect(module)
    try:
        result = _bring_all(connection, _guests(module.params), module.check_mode)
    finally:
        connection.close()
    if result["failed_guests"]:
        module.fail_json(msg=_failure(result), **result)
    module.exit_json(**result)


def _guests(params: dict) -> list[dict]:
    """Each guest with its listen address and the rules of its filter."""
    return [
        {**guest, "listen": params["listen"], "filter": params["filters"][guest["filter"]]}
        for guest in params["guests"]
    ]


def _connect(module: AnsibleModule) -> libvirt.virConnect:
    # libvirt prints every error to stderr by itself; ours are in the result.
    libvirt.registerErrorHandler(lambda _context, _error: None, None)
    try:
        return libvirt.open(module.params["uri"])
    except libvirt.libvirtError as problem:
        module.fail_json(msg=f"cannot open {module.params['uri']}: {problem}")


def _bring_all(connection: libvirt.virConnect, guests: list[dict], check: bool) -> dict:
    domains = {domain.name(): domain for domain in connection.listAllDomains()}
    result: dict = {"changed": False, "guests": {}, "failed_guests": {}, "diff": []}
    for guest in guests:
        try:
            done, diff = _bring(connection, domains.get(guest["name"]), guest, check)
        except (guest_xml.Conflict, libvirt.libvirtError) as problem:
            result["failed_guests"][guest["name"]] = str(problem)
            continue
        result["guests"][guest["name"]] = done
        if done["changed"]:
            result["changed"] = True
            result["diff"].append(diff)
    return result


def _bring(
    connection: libvirt.virConnect, domain: libvirt.virDomain | None, guest: dict, check: bool
) -> tuple[dict, dict]:
    if domain is None:
        raise guest_xml.Conflict(
            "there is no such guest on this host; create it first, this role only owns its ports"
        )
    # Without the secure flag the password would be lost when the definition is stored again.
    stored = _parse(domain, libvirt.VIR_DOMAIN_XML_INACTIVE | libvirt.VIR_DOMAIN_XML_SECURE)
    wanted = guest_xml.wanted_view(guest)
    current = guest_xml.current_view(stored)
    changed = current != wanted
    if changed:
        guest_xml.apply(stored, guest)
        if not check:
            text = etree.tostring(stored, encoding="unicode")
            connection.defineXMLFlags(text, libvirt.VIR_DOMAIN_DEFINE_VALIDATE)
    running = bool(domain.isActive())
    behind = _behind(_parse(domain, 0), wanted) if running else []
    return {"changed": changed, "running": running, "behind": behind}, _diff(
        guest["name"], current, wanted
    )


def _parse(domain: libvirt.virDomain, flags: int) -> etree._Element:
    return etree.fromstring(domain.XMLDesc(flags))


def _behind(live: etree._Element, wanted: list[str]) -> list[str]:
    lines = difflib.ndiff(guest_xml.current_view(live), wanted)
    return [line for line in lines if line[0] in "+-"]


def _diff(name: str, current: list[str], wanted: list[str]) -> dict:
    return {
        "before_header": f"{name} (stored definition)",
        "after_header": f"{name} (planned)",
        "before": "".join(f"{line}\n" for line in current),
        "after": "".join(f"{line}\n" for line in wanted),
    }


def _failure(result: dict) -> str:
    reasons = "; ".join(f"{name}: {why}" for name, why in result["failed_guests"].items())
    done, failed = len(result["guests"]), len(result["failed_guests"])
    return f"guests done: {done}, not done: {failed} ({reasons})"


if __name__ == "__main__":
    main()
