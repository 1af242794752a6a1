"""A seat that fetches what was rendered and carries it out by itself.

Only a commit that one of the site's signers signed is looked at any further; ansible-pull then
checks it out, verifies it once more, and runs ``clients.yml`` for this seat.  A commit that did not
work is not tried again: the seat stays as it is until there is another.  A run that was cut short
(the plug was pulled) is begun anew, with nothing of what it had fetched.  One run at a time; what
became of it stands in ``/var/lib/seatwright/pull.json``::

    {"format": 1, "result": "fine", "commit": "...", "became": "fine", "good": "...", "words": ""}

``result`` is fine, unsigned, failed or unreachable.  ``became`` is fine or failed where ``commit``
was tried, also after a look that reached nobody; ``good`` is the last commit that was fine.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from seatwright.client.files import write_atomic, write_json

CONFIG = Path("/etc/seatwright/pull.json")
SESSION = Path("/etc/seatwright/session.json")
"""Says which seat this is."""
STATE = Path("/var/lib/seatwright/pull.json")
WORK = Path("/var/lib/seatwright/pull")
UNDER_WAY = "under-way"
"""A file below it, while a run is under way."""
PASSWORD = Path("/etc/credstore/guest-password")
CA = Path("/etc/seatwright/ca.pem")
FORMAT = 1
TAIL = 1500
"""Characters of what a failed run said that are kept."""


class PullError(Exception):
    """A run that did not come to its end: its result, and the words for it."""

    def __init__(self, result: str, words: str) -> None:
        super().__init__(words)
        self.result = result


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a run; see the module's text."""

    format: int
    result: str
    commit: str
    became: str
    good: str
    words: str


def main() -> int:
    """Look once. 0: nothing to do, or done; 1: not as wanted; 2: not set up."""
    try:
        config = json.loads(CONFIG.read_text(encoding="utf-8"))
        config["seat"] = json.loads(SESSION.read_text(encoding="utf-8"))["seat"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        print(f"{CONFIG} or {SESSION}: {error}", file=sys.stderr)
        return 2
    WORK.mkdir(parents=True, exist_ok=True, mode=0o700)
    with (WORK / "lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            print("another run is at it")
            return 0
        return look(config)


def look(config: Mapping[str, object]) -> int:
    """Fetch, verify, carry out, remember."""
    last = read_state()
    begin()
    try:
        commit = fetch(config)
    except PullError as error:
        return give_up(replace(last, result=error.result, words=str(error)))
    if commit == last.commit and last.became:
        if last.result != last.became:  # the last look reached nobody
            keep(replace(last, result=last.became, words=""))
        end()
        print(f"{commit[:12]} is known: {last.became}")
        return 0
    try:
        verify(config, commit)
        carry_out(config, commit)
    except PullError as error:
        became = "failed" if error.result == "failed" else ""
        return give_up(Outcome(FORMAT, error.result, commit, became, last.good, str(error)))
    keep(Outcome(FORMAT, "fine", commit, "fine", commit, ""))
    end()
    print(f"{commit[:12]} is carried out")
    return 0


def give_up(outcome: Outcome) -> int:
    """Remember and say what a look came to that was not as wanted."""
    keep(outcome)
    end()
    print(f"{outcome.result}: {outcome.words}", file=sys.stderr)
    return 1


def begin() -> None:
    """Mark that a run is under way; after one that was cut short start from nothing.

    git leaves locks behind then, and files of which it is not known what is in them.
    """
    under_way = WORK / UNDER_WAY
    if under_way.exists():
        for name in ("store", "tree", "tmp"):
            shutil.rmtree(WORK / name, ignore_errors=True)
    write_atomic(under_way, b"")


def end() -> None:
    """Take the mark away, once all that the run wrote has reached the disk."""
    os.sync()
    (WORK / UNDER_WAY).unlink()


def fetch(config: Mapping[str, object]) -> str:
    """The newest commit of the branch, in a repository of our own, which is made anew where it is
    what fails."""
    try:
        return fetch_into_store(config)
    except PullError:
        run(["git", "ls-remote", "--quiet", str(config["repository"])], "unreachable")
    shutil.rmtree(WORK / "store", ignore_errors=True)
    return fetch_into_store(config)


def fetch_into_store(config: Mapping[str, object]) -> str:
    """The same, with the repository as it is."""
    store = WORK / "store"
    if not (store / "HEAD").exists():
        run(["git", "init", "--quiet", "--bare", str(store)], "failed")
    branch = f"+refs/heads/{config['branch']}:refs/heads/wanted"
    argv = ["git", "-C", str(store), "fetch", "--quiet", str(config["repository"]), branch]
    run(argv, "unreachable")
    return run(["git", "-C", str(store), "rev-parse", "refs/heads/wanted"], "failed").strip()


def signed_by(config: Mapping[str, object]) -> dict[str, str]:
    """git's settings by which a signature is one of the site's signers' (git-config(1))."""
    signers = config["signers"]
    lines = [f"site {key}\n" for key in signers] if isinstance(signers, list) else []
    allowed = WORK / "signers"
    allowed.write_text("".join(lines), encoding="utf-8")
    settings = {"gpg.format": "ssh", "gpg.ssh.allowedSignersFile": str(allowed)}
    found = {"GIT_CONFIG_COUNT": str(len(settings)), "GIT_CONFIG_NOSYSTEM": "1"}
    for number, (name, value) in enumerate(settings.items()):
        found |= {f"GIT_CONFIG_KEY_{number}": name, f"GIT_CONFIG_VALUE_{number}": value}
    return found


def verify(config: Mapping[str, object], commit: str) -> None:
    """See that one of the signers signed the commit."""
    argv = ["git", "-C", str(WORK / "store"), "verify-commit", commit]
    run(argv, "unsigned", signed_by(config))


def carry_out(config: Mapping[str, object], commit: str) -> None:
    """Let ansible-pull check the commit out and run it for this seat."""
    place = str(config["place"])
    playbook = f"{place}/playbooks/clients.yml"
    given = {
        "ansible_connection": "local",
        "ansible_become": False,
        "seatwright_stages": False,
        **own_secrets(),
    }
    extra = WORK / "given.json"
    extra.write_text(json.dumps(given), encoding="utf-8")
    argv = [
        "ansible-pull", "--url", str(WORK / "store"), "--checkout", commit, "--verify-commit",
        "--full", "--directory", str(WORK / "tree"), "--inventory", f"{place}/hosts.yml",
        "--limit", str(config["seat"]), "--extra-vars", f"@{extra}", playbook,
    ]  # fmt: skip
    settings = {
        **signed_by(config),
        "ANSIBLE_JINJA2_NATIVE": "true",  # as newer ones always do
        "ANSIBLE_ROLES_PATH": str(WORK / "tree/roles"),
        "ANSIBLE_LOCAL_TEMP": str(WORK / "tmp"),
        "ANSIBLE_NOCOLOR": "true",
    }
    run(argv, "failed", settings)


def own_secrets() -> dict[str, object]:
    """What this seat was given when it was enrolled and no repository has: it keeps that."""
    found: dict[str, object] = {}
    if PASSWORD.exists():
        found["seat_session_password"] = f"{{{{ lookup('file', '{PASSWORD}') }}}}"
    if CA.exists():
        found["seat_session_ca"] = f"{{{{ lookup('file', '{CA}', rstrip=false) }}}}"
    return found


def run(argv: list[str], otherwise: str, settings: Mapping[str, str] | None = None) -> str:
    """Run a program to its end; raises PullError with the result ``otherwise`` where it fails."""
    environment = {
        "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
        "HOME": str(WORK),
        "LC_ALL": "C.UTF-8",
        "GIT_TERMINAL_PROMPT": "0",
        "GIT_SSH_COMMAND": "ssh -o BatchMode=yes",
        **(settings or {}),
    }
    done = subprocess.run(
        argv, cwd=WORK, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True
    )
    if done.returncode != 0:
        words = (done.stdout + done.stderr).strip()[-TAIL:]
        raise PullError(otherwise, words or f"{argv[0]} ended with {done.returncode}")
    return done.stdout


def read_state() -> Outcome:
    """What became of the last run; a damaged or missing file says that there was none."""
    try:
        found = json.loads(STATE.read_text(encoding="utf-8"))
        names = ("result", "commit", "became", "good", "words")
        return Outcome(FORMAT, *(str(found[name]) for name in names))
    except (OSError, ValueError, KeyError, TypeError):
        return Outcome(FORMAT, "none", "", "", "", "")


def keep(outcome: Outcome) -> None:
    """Remember what became of this run."""
    write_json(STATE, asdict(outcome))
    os.chmod(STATE, 0o644)
