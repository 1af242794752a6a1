#!/usr/bin/python3
"""Ansible module: bring the guests of one host to their planned redirection ports."""

from __future__ import annotations

DOCUMENTATION = r"""
module: guest_ports
short_description: Bring libvirt guests to their planned redirection ports
description:
  - Owns, per guest, the USB controllers, the redirection ports, the redirection filter, the
    transport settings of the SPICE graphics (TLS port, listen address, TLS only) and its password.
    Every other element of the definition stays as it is.
  - Changes the stored definition, and the password of a running guest. Where a running guest is
    otherwise behind its definition, that is reported, with what could be done while it runs; ports
    are added to it, or it is restarted, where that is asked for.
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
    description:
      - The guests as the plan has them, a list or its JSON text, which is much faster for many.
      - Each has C(name) (of the libvirt domain), C(seat), C(spice_port) (for TLS), C(filter) (which
        of the filters), C(controllers) (index, kind, ports) and C(ports) (number, bus, port).
    type: json
    required: true
  passwords:
    description:
      - By guest, C(password) and, where it ends, C(valid_until) (UTC, YYYY-MM-DDTHH:MM:SS).
      - A guest that is not named keeps the password it has; one that has none is refused.
    type: dict
    default: {}
  live_ports:
    description: Add ports that are missing to running guests.
    type: bool
    default: false
  restart:
    description:
      - Whether a running guest that is behind is restarted, one guest at a time, and never while
        somebody is connected to its display.
      - C(if-idle) asks it to shut down, and leaves it on where it does not; C(now) then switches
        it off.
    type: str
    choices: [never, if-idle, now]
    default: never
  restart_connected:
    description: Restart a guest even while somebody is connected to its display.
    type: bool
    default: false
  shutdown_seconds:
    description: How long a guest that was asked to shut down may take.
    type: int
    default: 120
"""

EXAMPLES = r"""
- name: Bring the guests to their planned redirection ports
  guest_ports:
    uri: qemu:///system
    listen: "{{ guest_ports_listen }}"
    filters: "{{ guest_ports_filters }}"
    guests: "{{ guest_ports_guests | to_json }}"
"""

RETURN = r"""
guests:
  description: Per guest C(changed), C(running), C(behind), the lines in which the running guest
    still differs from the plan, C(live), those of them that can be done while it runs, and C(said),
    what became of a restart that was asked for.
  returned: always
  type: dict
failed_guests:
  description: Per guest that could not be brought to the plan, the reason.
  returned: always
  type: dict
"""

import json

from ansible.module_utils.basic import AnsibleModule, missing_required_lib

try:
    import libvirt
    from ansible.module_utils import guest_live, guest_xml
    from lxml import etree
except ImportError as problem:  # reported in main(), where Ansible can say it
    MISSING = problem
else:
    MISSING = None

ARGUMENTS = {
    "uri": {"type": "str", "required": True},
    "listen": {"type": "str", "required": True},
    "filters": {"type": "dict", "required": True},
    # As JSON text: Ansible copies and looks through every value of a list several times.
    "guests": {"type": "json", "required": True},
    "passwords": {"type": "dict", "default": {}, "no_log": True},
    "live_ports": {"type": "bool", "default": False},
    "restart": {"type": "str", "choices": ["never", "if-idle", "now"], "default": "never"},
    "restart_connected": {"type": "bool", "default": False},
    "shutdown_seconds": {"type": "int", "default": 120},
}
LONGEST_PASSWORD = 59
"""What SPICE takes: its ticket is 60 bytes with the end (spice-protocol, SPICE_MAX_PASSWORD_LENGTH)."""


def main() -> None:
    module = AnsibleModule(argument_spec=ARGUMENTS, supports_check_mode=True)
    if MISSING is not None and module.check_mode:
        # An earlier task would install it; what the guests have cannot be known before that.
        module.exit_json(changed=True, guests={}, failed_guests={}, msg=f"not looked: {MISSING}")
    if MISSING is not None:
        module.fail_json(msg=missing_required_lib(getattr(MISSING, "name", "python3-libvirt")))
    connection = _connect(module)
    try:
        result = _bring_all(connection, module)
    finally:
        guest_live.close(connection)
    if result["failed_guests"]:
        module.fail_json(msg=_failure(result), **result)
    module.exit_json(**result)


def _guests(params: dict) -> list[dict]:
    """Each guest with its listen address, the rules of its filter and its password."""
    return [
        {
            **guest,
            "listen": params["listen"],
            "filter": params["filters"][guest["filter"]],
            **params["passwords"].get(guest["name"], {}),
        }
        for guest in json.loads(params["guests"])
    ]


def _connect(module: AnsibleModule) -> libvirt.virConnect:
    # libvirt prints every error to stderr by itself; ours are in the result.
    libvirt.registerErrorHandler(lambda _context, _error: None, None)
    try:
        return libvirt.open(module.params["uri"])
    except libvirt.libvirtError as problem:
        names = ", ".join(guest["name"] for guest in _guests(module.params))
        module.fail_json(
            msg=f"cannot open {module.params['uri']}: {problem}; guests not done: {names}"
        )


def _bring_all(connection: libvirt.virConnect, module: AnsibleModule) -> dict:
    """Every guest to its definition, then, one at a time, those that are behind it."""
    result: dict = {"changed": False, "guests": {}, "failed_guests": {}, "diff": []}
    restarts = guest_live.Restarts.of(module.params)
    try:
        domains = {domain.name(): domain for domain in connection.listAllDomains()}
        active = connection.listAllDomains(libvirt.VIR_CONNECT_LIST_DOMAINS_ACTIVE)
        running = {domain.name() for domain in active}
    except libvirt.libvirtError as problem:
        module.fail_json(msg=f"cannot list the guests: {problem}")
    for guest in _guests(module.params):
        if not guest_live.is_alive(connection):
            result["failed_guests"][guest["name"]] = "not tried: the connection to libvirt is lost"
            continue
        try:
            domain = _domain(domains, guest)
            done, diff = _bring(connection, domain, guest, guest["name"] in running, module)
            done |= restarts.catch_up(connection, domain, guest, done, module.check_mode)
        except (guest_xml.Conflict, guest_live.NotStarted, libvirt.libvirtError) as problem:
            result["failed_guests"][guest["name"]] = str(problem)
            continue
        result["guests"][guest["name"]] = done
        result["changed"] = result["changed"] or done["changed"]
        if done["changed"]:
            result["diff"].append(diff)
    return result


def _domain(domains: dict, guest: dict) -> libvirt.virDomain:
    if len(guest.get("password") or "") > LONGEST_PASSWORD:
        raise guest_xml.Conflict(f"its password has more than {LONGEST_PASSWORD} characters")
    domain = domains.get(guest["name"])
    if domain is None:
        raise guest_xml.Conflict(
            "there is no such guest on this host; create it first, this role only owns its ports"
        )
    return domain


def _bring(
    connection: libvirt.virConnect,
    domain: libvirt.virDomain,
    guest: dict,
    running: bool,
    module: AnsibleModule,
) -> tuple[dict, dict]:
    """The stored definition, and what of the running guest can be had without a restart."""
    # Without the secure flag the password would be lost when the definition is stored again.
    stored = guest_live.read(domain, libvirt.VIR_DOMAIN_XML_INACTIVE)
    wanted = guest_xml.wanted_view(guest)
    current = guest_xml.current_view(stored, guest)
    changed = current != wanted
    if changed:
        guest_xml.apply(stored, guest)
        if not module.check_mode:
            text = etree.tostring(stored, encoding="unicode")
            connection.defineXMLFlags(text, libvirt.VIR_DOMAIN_DEFINE_VALIDATE)
    done = {"changed": changed, "running": running, "behind": [], "live": []}
    if running:
        live = guest_live.Live(domain, guest, module.check_mode)
        moved = live.set_password()
        moved = (module.params["live_ports"] and live.add_ports()) or moved
        done |= {"changed": changed or moved, "behind": live.behind(), "live": live.possible()}
    return done, _diff(guest["name"], current, wanted)


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
