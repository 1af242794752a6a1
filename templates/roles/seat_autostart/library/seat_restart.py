#!/usr/bin/python3
"""Module seat_restart: make what is in place take effect. See DOCUMENTATION."""

from __future__ import annotations

DOCUMENTATION = r"""
module: seat_restart
short_description: Make new files of a seat take effect, restart its session, see that it comes up
description:
  - Lets systemd and logind read what changed, and ends the logins that gave way to the session.
  - Then asks the keeper to compare the files with those that the running session was started with, and
    to restart it now, later or not at all. Then waits until the session is up; where it is not,
    fails with the last lines of its journal.
options:
  reload:
    description: Let systemd read its files first.
    type: bool
    default: false
  logind:
    description: Restart logind, so that it reads its settings; sessions stay.
    type: bool
    default: false
  stop:
    description: Units to stop, the logins on the screen.
    type: list
    elements: str
    default: []
  session:
    description: Whether the session may have to be restarted.
    type: bool
    default: true
  mode:
    description: When a running session may be restarted.
    type: str
    choices: [never, if-idle, now]
    required: true
  insist:
    description: Try files once more that did not come up before.
    type: bool
    default: false
  wait:
    description: Seconds for the session to come up or to go back to the files before.
    type: int
    default: 150
  expected:
    description: In check mode, whether files would have changed before this.
    type: bool
    default: false
  keeper:
    description: The keeper's program.
    type: path
    default: /usr/lib/seatwright/seat-keeper
author: [The seatwright project]
"""

EXAMPLES = r"""
- name: Restart the session when nobody uses the seat
  seat_restart:
    mode: if-idle
"""

RETURN = r"""
did: {description: What was done - nothing start restart wait leave., type: str, returned: session}
why: {description: The reason in a sentence., type: str, returned: session}
msg: {description: Everything in one line., type: str, returned: always}
"""

import json
import os
import subprocess
import time
from collections.abc import Mapping

from ansible.module_utils.basic import AnsibleModule

ARGUMENTS = {
    "reload": {"type": "bool", "default": False},
    "logind": {"type": "bool", "default": False},
    "stop": {"type": "list", "elements": "str", "default": []},
    "session": {"type": "bool", "default": True},
    "mode": {"type": "str", "choices": ["never", "if-idle", "now"], "required": True},
    "insist": {"type": "bool", "default": False},
    "wait": {"type": "int", "default": 150},
    "expected": {"type": "bool", "default": False},
    "keeper": {"type": "path", "default": "/usr/lib/seatwright/seat-keeper"},
}
SESSION = "seatwright-session.service"
POLL = 0.5
GRACE = 120
"""Seconds beyond ``wait`` after which the keeper is not waited for any longer."""
LINES = 20
SENTENCES = {
    "nothing": "Nothing to do",
    "start": "Started the session",
    "restart": "Restarted the session",
    "wait": "The session restarts later",
    "leave": "The session is left as it is",
    "refuse": "The session was not restarted",
}
OUTCOMES = {
    "up": "it came up",
    "fell-back": "it did not come up, and the seat went back to the files it had before",
    "down": "it did not come up",
}


class CommandFailed(Exception):
    """The keeper or systemd did not do as it should; the text is for a person."""


def main() -> None:
    """Let systemd read; then decide about the session, do, wait, report."""
    module = AnsibleModule(ARGUMENTS, supports_check_mode=True)
    params = module.params
    commands = to_take_effect(params)
    if module.check_mode:
        seen = foresee(params) if params["session"] else {"changed": False, "msg": "Files are read"}
        module.exit_json(**{**seen, "changed": seen["changed"] or bool(commands)})
    try:
        for command in commands:
            systemctl(*command)
        if not params["session"]:
            module.exit_json(changed=bool(commands), msg="The session is not concerned.")
        done = restart(params)
        state = session_state(params, done)
    except CommandFailed as error:
        module.fail_json(msg=f"{error}\n{journal()}")
    sentence = describe(done, state)
    if failed(done, state):
        module.fail_json(msg=f"{sentence}\n{advice(done)}\n{journal()}", **done)
    changed = bool(commands) or done["did"] in ("start", "restart")
    module.exit_json(changed=changed, msg=sentence, **done)


def to_take_effect(params: Mapping[str, object]) -> list[list[str]]:
    """The words for systemctl, one call each."""
    units = params["stop"]
    assert isinstance(units, list)
    calls = [["daemon-reload"]] if params["reload"] else []
    calls += [["restart", "systemd-logind.service"]] if params["logind"] else []
    return calls + ([["stop", *map(str, units)]] if units else [])


def systemctl(*words: str) -> None:
    """Raises CommandFailed with what systemctl said."""
    try:
        done = subprocess.run(
            ["systemctl", *words], capture_output=True, text=True, timeout=GRACE, check=False
        )
    except subprocess.TimeoutExpired:
        raise CommandFailed(f"systemctl {words[0]} did not end within {GRACE} s") from None
    except OSError as error:
        raise CommandFailed(f"systemctl cannot be run: {error.strerror}") from None
    if done.returncode != 0:
        raise CommandFailed(f"systemctl {' '.join(words)}: {done.stderr.strip()}")


def restart(params: Mapping[str, object]) -> dict[str, str]:
    """The keeper's answer: did, why and outcome."""
    words = ["restart", "--mode", str(params["mode"]), "--wait", str(params["wait"])]
    words += ["--insist"] if params["insist"] else []
    words += ["--files-read"] if params["reload"] else []
    answer = ask(str(params["keeper"]), words, int(str(params["wait"])) + GRACE)
    return {key: str(answer.get(key) or "") for key in ("did", "why", "outcome")}


def foresee(params: Mapping[str, object]) -> dict[str, object]:
    """What a run would come to, without asking for anything."""
    keeper = str(params["keeper"])
    if not os.path.exists(keeper):
        return {"changed": True, "did": "start", "msg": "Would start the session"}
    state = ask(keeper, ["state", "--json"], GRACE)
    if state.get("session") != "active":
        return {"changed": True, "did": "start", "msg": "Would start the session"}
    if not (state.get("pending") or params["expected"]):
        return {"changed": False, "did": "nothing", "msg": "The session runs with these files"}
    if params["mode"] == "now" or (params["mode"] == "if-idle" and state.get("idle")):
        return {"changed": True, "did": "restart", "msg": "Would restart the session"}
    later = "once the seat is idle" if params["mode"] == "if-idle" else "when somebody says so"
    return {"changed": False, "did": "wait", "msg": f"The session would restart later, {later}"}


def session_state(params: Mapping[str, object], done: Mapping[str, str]) -> str:
    """systemd's state of the session, once it is up or ``wait`` seconds have passed."""
    if done["outcome"] == "up":
        return "active"
    keeper, wait = str(params["keeper"]), int(str(params["wait"]))
    until = time.monotonic() + wait
    while True:
        state = str(ask(keeper, ["state", "--json"], GRACE).get("session"))
        if state in ("active", "unknown") or time.monotonic() > until:
            return state
        time.sleep(POLL)


def ask(keeper: str, words: list[str], timeout: int) -> dict[str, object]:
    """The keeper's answer as an object; its exit status says no more than the answer."""
    try:
        done = subprocess.run(
            [keeper, *words], capture_output=True, text=True, timeout=timeout, check=False
        )
        answer = json.loads(done.stdout)
    except subprocess.TimeoutExpired:
        raise CommandFailed(f"{keeper} did not answer within {timeout} s") from None
    except OSError as error:
        raise CommandFailed(f"{keeper} cannot be run: {error.strerror}") from None
    except ValueError:
        raise CommandFailed(f"{keeper} {words[0]}: {done.stderr.strip() or 'no answer'}") from None
    if not isinstance(answer, dict):
        raise CommandFailed(f"{keeper} {words[0]}: not an answer: {done.stdout.strip()[:200]}")
    return answer


def failed(done: Mapping[str, str], state: str) -> bool:
    """Whether a rollout has to take this seat for a failure."""
    if done["did"] == "refuse" or done["outcome"] in ("down", "fell-back"):
        return True
    return state not in ("active", "unknown")


def describe(done: Mapping[str, str], state: str) -> str:
    """One line for the person who reads the run."""
    sentence = f"{SENTENCES.get(done['did'], done['did'])}: {done['why']}"
    if done["outcome"]:
        sentence += f"; {OUTCOMES.get(done['outcome'], done['outcome'])}"
    elif state not in ("active", "unknown"):
        sentence += f"; but it is {state}, not active"
    return f"{sentence}."


def advice(done: Mapping[str, str]) -> str:
    """What to do about a seat whose session did not come up."""
    if done["did"] == "refuse" or done["outcome"] == "fell-back":
        return (
            "The person at the seat works on with the files from before. Correct the change and run"
            " again; to try the same files once more: -e '{\"seat_autostart_insist\": true}'."
        )
    return f"On the seat: systemctl status {SESSION}; the last lines of its journal:"


def journal() -> str:
    """The last lines of the session's journal, as far as there are any."""
    command = ["journalctl", "--unit", SESSION, "--lines", str(LINES), "--no-pager", "--quiet"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return "(no journal)"
    return done.stdout.strip() or "(the journal has nothing about it)"


if __name__ == "__main__":
    main()
