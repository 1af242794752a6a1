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
      - By guest, C(password) and, where it ends, C(valid_until) (UTC, YYYY-MM-DDTHH:MM:SS); a
        dictionary or its JSON text.
      - A guest that is not named keeps the password it has; one that has none is refused.
    type: json
    default: "{}"
  certificate:
    description:
      - What the displays are to show, as PEM. A running guest whose display shows another one was
        started before that was there, and is behind; empty, nobody looks.
    type: str
    default: ""
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
    passwords: "{{ guest_ports_passwords | to_json }}"
"""

RETURN = r"""
guests:
  description: Per guest that was changed or is behind C(changed), C(running), C(behind), the lines
    in which the running guest still differs from the plan, C(live), those of them that can be done
    while it runs, and C(said), what became of a restart that was asked for.
  returned: always
  type: dict
done:
  description: How many guests have the planned definition now; all that did not fail.
  returned: always
  type: int
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
    # As JSON text: Ansible copies and looks through every value of a list several times, and
    # through everything else for each value in a dictionary that is not to be logged.
    "guests": {"type": "json", "required": True},
    "passwords": {"type": "json", "default": "{}", "no_log": True},
    "certificate": {"type": "str", "default": ""},
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
        nothing: dict = {"guests": {}, "failed_guests": {}, "done": 0}
        module.exit_json(changed=True, msg=f"not looked: {MISSING}", **nothing)
    if MISSING is not None:
        module.fail_json(msg=missing_required_lib(getattr(MISSING, "name", "python3-libvirt")))
    guests = _guests(module.params)
    connection = _connect(module, guests)
    try:
        result = _bring_all(connection, guests, module)
    finally:
        guest_live.close(connection)
    if result["failed_guests"]:
        module.fail_json(msg=_failure(result), **result)
    module.exit_json(**result)


def _guests(params: dict) -> list[dict]:
    """Each guest with its listen address, the rules of its filter and its password."""
    # Taken out of the parameters, of which Ansible would give back all in the result.
    planned, passwords = json.loads(params.pop("guests")), json.loads(params["passwords"])
    return [
        {
            **guest,
            "listen": params["listen"],
            "certificate": params["certificate"],
            "filter": params["filters"][guest["filter"]],
            **passwords.get(guest["name"], {}),
        }
        for guest in planned
    ]


def _connect(module: AnsibleModule, guests: list[dict]) -> libvirt.virConnect:
    # libvirt prints every error to stderr by itself; ours are in the result.
    libvirt.registerErrorHandler(lambda _context, _error: None, None)
    try:
        return libvirt.open(module.params["uri"])
    except libvirt.libvirtError as problem:
        names = ", ".join(guest["name"] for guest in guests)
        module.fail_json(
            msg=f"cannot open {module.params['uri']}: {problem}; guests not done: {names}"
        )


def _bring_all(
    connection: libvirt.virConnect, guests: list[dict], module: AnsibleModule
) -> dict:
    """Every guest to its definition, then, one at a time, those that are behind it."""
    result: dict = {"changed": False, "guests": {}, "failed_guests": {}, "done": 0, "diff": []}
    restarts = guest_live.Restarts.of(module.params)
    try:
        domains = {domain.name(): domain for domain in connection.listAllDomains()}
    except libvirt.libvirtError as problem:
        module.fail_json(msg=f"cannot list the guests: {problem}")
    lost = False
    definitions = guest_live.stored(domains.get(guest["name"]) for guest in guests)
    for guest, definition in zip(guests, definitions, strict=True):
        if lost:
            result["failed_guests"][guest["name"]] = "not tried: the connection to libvirt is lost"
            continue
        try:
            domain = _domain(domains, guest)
            done = _bring(connection, domain, guest, definition.result(), module, result["diff"])
            done |= restarts.catch_up(connection, domain, guest, done, module.check_mode)
        except (guest_xml.Conflict, guest_live.NotStarted, libvirt.libvirtError) as problem:
            result["failed_guests"][guest["name"]] = _reason(problem, guest)
            lost = not guest_live.is_alive(connection)
            continue
        result["done"] += 1
        if done["changed"] or done["behind"]:
            result["guests"][guest["name"]] = done
        result["changed"] = result["changed"] or done["changed"]
    return result


def _reason(problem: Exception, guest: dict) -> str:
    """What there is to say; whatever libvirt quotes of a definition, the password is not shown."""
    said, password = str(problem), guest.get("password")
    return said.replace(password, "********") if password else said


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
    definition: str,
    module: AnsibleModule,
    diff: list[dict],
) -> dict:
    """The stored definition, and what of the running guest can be had without a restart."""
    wanted = guest_xml.wanted_view(guest)
    current = guest_xml.current_view(etree.fromstring(definition), guest)
    changed = current != wanted
    if changed:
        # Anew: somebody may have edited it since it was read.
        stored = guest_live.read(domain, guest_live.STORED)
        guest_xml.apply(stored, guest)
        if not module.check_mode:
            text = etree.tostring(stored, encoding="unicode")
            connection.defineXMLFlags(text, libvirt.VIR_DOMAIN_DEFINE_VALIDATE)
    done = {"changed": changed, "running": domain.ID() >= 0, "behind": [], "live": []}
    if done["running"]:  # as it was when the guests were listed, which asks libvirt nothing more
        live = guest_live.Live(domain, guest, module.check_mode)
        moved = live.set_password()
        moved = (module.params["live_ports"] and live.add_ports()) or moved
        done |= {"changed": changed or moved, "behind": live.behind(), "live": live.possible()}
    if done["changed"]:
        diff.append(_diff(guest["name"], current, wanted))
    return done


def _diff(name: str, current: list[str], wanted: list[str]) -> dict:
    return {
        "before_header": f"{name} (stored definition)",
        "after_header": f"{name} (planned)",
        "before": "".join(f"{line}\n" for line in current),
        "after": "".join(f"{line}\n" for line in wanted),
    }


def _failure(result: dict) -> str:
    reasons = "; ".join(f"{name}: {why}" for name, why in result["failed_guests"].items())
    failed = len(result["failed_guests"])
    return f"guests done: {result['done']}, not done: {failed} ({reasons})"


if __name__ == "__main__":
    main()
