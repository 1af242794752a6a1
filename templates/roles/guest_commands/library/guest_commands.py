#!/usr/bin/python3
"""Ansible module: bring the guests of a host to their texts with the site's own two commands."""

from __future__ import annotations

DOCUMENTATION = r"""
module: guest_commands
short_description: Bring guests to their planned texts with two commands of the site's own
description:
  - C(inspect) is run with the guest's name as its last word and prints the text that the guest has;
    nothing, where it has none. Where that is not the planned text, C(apply) is run with the name as
    its last word and the text on its standard input; what C(inspect) prints then has to be it.
  - C(password) is run with the name as its last word, the password on its standard input and its
    end (UTC, YYYY-MM-DDTHH:MM:SS; empty where it has none) as C(VALID_UNTIL) in its environment; it
    prints C(changed) where the guest had another one. It is not run in check mode.
  - Goes on when one guest fails; the message at the end says which are done and which are not.
options:
  guests:
    description: The guests, each with C(name) and C(text), a list or its JSON text.
    type: json
    required: true
  apply: {description: The command that applies a text., type: list, elements: str, required: true}
  inspect: {description: The command that prints it., type: list, elements: str, required: true}
  password: {description: The command that sets a password., type: list, elements: str, default: []}
  passwords:
    description: By guest, C(password) and, where it ends, C(valid_until).
    type: dict
    default: {}
author: [The seatwright project]
"""

EXAMPLES = r"""
- name: Bring the guests to their planned texts
  guest_commands:
    guests: [{name: rr-01, text: "ports = 4\n"}]
    inspect: [granary, show]
    apply: [granary, set]
"""

RETURN = r"""
done: {description: Guests that are as planned., type: list, returned: always}
failed_guests: {description: Per guest that is not, the reason., type: dict, returned: always}
"""

import json

from ansible.module_utils.basic import AnsibleModule

ARGUMENTS = {
    "guests": {"type": "json", "required": True},
    "apply": {"type": "list", "elements": "str", "required": True},
    "inspect": {"type": "list", "elements": "str", "required": True},
    "password": {"type": "list", "elements": "str", "default": [], "no_log": False},
    "passwords": {"type": "dict", "default": {}, "no_log": True},
}


class NotDone(Exception):
    """A command failed, or did not do what it is for."""


def main() -> None:
    module = AnsibleModule(ARGUMENTS, supports_check_mode=True)
    result: dict = {"changed": False, "done": [], "failed_guests": {}, "diff": []}
    for guest in json.loads(module.params["guests"]):
        try:
            _refuse_open(module, guest["name"])
            _bring(module, guest, result)
            _give_password(module, guest["name"], result)
        except NotDone as problem:
            result["failed_guests"][guest["name"]] = str(problem)
        else:
            result["done"].append(guest["name"])
    if result["failed_guests"]:
        reasons = "; ".join(f"{name}: {why}" for name, why in result["failed_guests"].items())
        done, failed = len(result["done"]), len(result["failed_guests"])
        module.fail_json(msg=f"guests done: {done}, not done: {failed} ({reasons})", **result)
    module.exit_json(**result)


def _run(
    module: AnsibleModule, command: str, name: str, data: str | None = None, until: str = ""
) -> str:
    words, around = [*module.params[command], name], {"VALID_UNTIL": until}
    status, output, errors = module.run_command(
        words, data=data, binary_data=True, environ_update=around
    )
    if status != 0:
        said = (errors or output).strip().splitlines()
        raise NotDone(f"{command} ended with {status}" + (f": {said[-1]}" if said else ""))
    return output


def _bring(module: AnsibleModule, guest: dict, result: dict) -> None:
    name, text = guest["name"], guest["text"]
    current = _run(module, "inspect", name)
    if current == text:
        return
    result["changed"] = True
    result["diff"].append(
        {
            "before_header": f"{name} (as it is)",
            "after_header": f"{name} (planned)",
            "before": current,
            "after": text,
        }
    )
    if module.check_mode:
        return
    _run(module, "apply", name, text)
    if _run(module, "inspect", name) != text:
        raise NotDone("inspect does not print what apply was given")


def _refuse_open(module: AnsibleModule, name: str) -> None:
    """Touch no guest that anybody who reaches the host could open."""
    if module.params["password"] and not module.params["passwords"].get(name):
        raise NotDone(
            "it has no password, so anybody who reaches the host could open it; it was not touched"
        )


def _give_password(module: AnsibleModule, name: str, result: dict) -> None:
    if not module.params["password"] or module.check_mode:
        return
    told = module.params["passwords"][name]
    until = told.get("valid_until", "")
    if _run(module, "password", name, told["password"], until).strip() == "changed":
        result["changed"] = True


if __name__ == "__main__":
    main()
