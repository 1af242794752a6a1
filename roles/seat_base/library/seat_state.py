#!/usr/bin/python3
"""Module seat_state: one look at a seat. See DOCUMENTATION."""

from __future__ import annotations

DOCUMENTATION = r"""
module: seat_state
short_description: One look at a seat that tells which steps a run can leave out
description:
  - Reads, in one go and without changing anything, what the roles of a seat decide by. A step is
    taken because the seat is not as wanted, not because an earlier step of the same run changed
    something, so that a run that died half way is finished by the next.
options:
  packages: {description: Debian packages that are wanted., type: list, elements: str, default: []}
  stopped:
    description: Units (or patterns) that must not run.
    type: list
    elements: str
    default: []
  model:
    description:
      - What this kind of client is, to be compared with what is there; C(name), C(network),
        C(onboard) and C(sockets) as the inventory has them. With C(sys) a directory in place of
        C(/sys); with C(must_match) false nothing has to stop.
    type: dict
  root: {description: Directory that stands for C(/)., type: path, default: /}
author: [The seatwright project]
"""

EXAMPLES = r"""
- name: Look at the seat
  seat_state:
    packages: [cage, seatd]
    stopped: ["getty@*.service"]
  register: seat_base_state
"""

RETURN = r"""
offline: {description: No systemd runs here., type: bool, returned: always}
packages_missing: {description: Packages to install., type: list, returned: always}
systemd:
  description: What has to be done - C(reload), C(restart_logind), and units to C(stop).
  type: dict
  returned: always
udev: {description: Whether udev is C(running) and has C(pending) rules., type: dict, returned: always}
model:
  description:
    - Whether the seat is like its model, null where that was not asked - C(deferred) says why it
      could not be compared, C(unlike) has a sentence for each difference, C(stops) says whether
      the seat has to be left alone.
  type: dict
  returned: always
session: {description: What the keeper says, null without one., type: dict, returned: always}
"""

from ansible.module_utils.basic import AnsibleModule
from ansible.module_utils.seat_facts import LOOK, look_at, model_facts

ARGUMENTS = {**LOOK, "root": {"type": "path", "default": "/"}}


def main() -> None:
    """Look at everything and report it."""
    module = AnsibleModule(ARGUMENTS, supports_check_mode=True)
    try:
        facts, trouble = look_at(module.params["root"], module.params)
        facts["model"] = model_facts(module.params["root"], module.params["model"])
    except OSError as error:
        module.fail_json(msg=f"{error.filename or 'the seat'}: {error.strerror}")
    if trouble:
        module.warn(trouble)
    module.exit_json(changed=False, **facts)


if __name__ == "__main__":
    main()
