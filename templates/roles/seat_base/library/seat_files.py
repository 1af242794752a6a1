#!/usr/bin/python3
"""Module seat_files: all files of a role in one go. See DOCUMENTATION."""

from __future__ import annotations

DOCUMENTATION = r"""
module: seat_files
short_description: Files of a role on a seat, compared and written in one go
description:
  - Compares a list of files with what the seat has, validates what differs, and only then writes
    it, each file whole. What an earlier list of the same name had and this one has not is removed.
  - A file that a person wrote or changed is never lost, a copy is set aside below
    C(/var/lib/seatwright/set-aside) before it is replaced or removed.
  - An interrupted run leaves every file old or new; the next run finishes it.
options:
  list:
    description: Name of the list; its manifest is C(/var/lib/seatwright/files/<list>.json).
    type: str
    required: true
  files:
    description: The files, links and directories; an empty list removes what the list had.
    type: list
    elements: dict
    required: true
    suboptions:
      path: {description: Absolute path., type: str, required: true}
      state:
        description: What is to be there; a directory is made, and removed once empty.
        type: str
        choices: [present, absent, directory, link]
        default: present
      content: {description: The text of the file., type: str}
      src: {description: Or a file of the role below C(files/)., type: str}
      target: {description: Where a link leads., type: str}
      owner: {description: A name or a number., type: str, default: root}
      group: {description: A name or a number., type: str, default: root}
      mode: {description: Octal and quoted., type: str}
      validate:
        description: A command with C(%s) for the file, run where the seat has the program.
        type: list
        elements: str
      sensitive:
        description:
          - Show no content in diffs and messages; C(mode) has to keep it from group and others. Of a
            file that is kept from them nothing that was in it is shown either, whoever wrote it.
        type: bool
        default: false
      wanted: {description: False counts as if the entry were not there., type: bool, default: true}
      held:
        description:
          - A sentence. Where the entry is not wanted, and an earlier run put the file there, nothing
            at all is changed and this is said, rather than that the file is taken away.
        type: str
        default: ""
  session:
    description: Whether the session runs with these files and has to be restarted for a change.
    type: bool
    default: false
  look:
    description:
      - Also look at the seat, before anything is written, and return it as C(state); the options
        are those of M(seat_state). A task costs more than what it does, so the two are one.
      - A seat that is not like the model given there is left alone; then C(unlike) says what
        differs, and C(msg) all of it.
    type: dict
  user:
    description:
      - A system user whom no password lets in, made or put right before the files are written, for
        they may belong to it. Where C(look) finds that packages are missing it is left for another
        run of the task, after them, since they bring groups.
    type: dict
    suboptions:
      name: {description: Its name., type: str, required: true}
      group: {description: Its own group., type: str, required: true}
      groups:
        description: All further groups; those that the seat does not have are left out.
        type: list
        elements: str
        default: []
      home: {description: The home directory, which is not made., type: str, default: /nonexistent}
      shell: {description: The shell., type: str, default: /usr/sbin/nologin}
      comment: {description: Who that is., type: str, default: ""}
  ahead:
    description:
      - Lists that later tasks of the run put in place, by name, only compared here, and returned as
        C(alike). A later task that has nothing to do can then be left out. Their entries have
        C(sha256) in place of C(content). An empty list tells nothing: its task compares.
    type: dict
    default: {}
  root:
    description: Directory that stands for C(/).
    type: path
    default: /
author: [The seatwright project]
"""

EXAMPLES = r"""
- name: Put the session's configuration in place
  seat_files:
    list: seat_session
    session: true
    files:
      - path: /etc/seatwright/session.json
        content: "{{ seat_session_document | to_nice_json }}\n"
      - path: /etc/systemd/system/ctrl-alt-del.target
        state: link
        target: /dev/null
"""

RETURN = r"""
written: {description: Paths written or whose owner or mode changed., type: list, returned: always}
removed: {description: Paths removed., type: list, returned: always}
set_aside: {description: Copies of files a person wrote, by path., type: dict, returned: always}
unvalidated: {description: Validators that the seat does not have., type: list, returned: always}
user: {description: The commands that made the user right., type: list, returned: always}
state: {description: What M(seat_state) returns., type: dict, returned: with look}
alike:
  description: For each list compared ahead, whether nothing has to be done, before it either.
  type: dict
  returned: always
unlike: {description: How the seat differs from its model., type: list, returned: left alone}
"""

import fcntl
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from ansible.module_utils.basic import AnsibleModule
from ansible.module_utils.seat_changes import (
    Change,
    carry_out,
    clean_up,
    drop_directories,
    ids,
    missing_directories,
    plan_changes,
)
from ansible.module_utils.seat_diff import diff_of
from ansible.module_utils.seat_entries import LIST_NAME, OWN_PLACE, Entry, Refused, parse_entries
from ansible.module_utils.seat_facts import LOOK, look_at, model_facts
from ansible.module_utils.seat_lock import Busy, held
from ansible.module_utils.seat_manifest import (
    Manifest,
    both,
    manifest_place,
    paths_of_others,
    read_manifest,
    wanted_manifest,
    write_manifest,
)
from ansible.module_utils.seat_user import (
    USER,
    UserNotMade,
    put_user_right,
    user_commands,
    user_diff,
)
from ansible.module_utils.seat_validate import Invalid, validate

FILES = {
    "type": "list",
    "elements": "dict",
    "required": True,
    "no_log": True,
    "options": {
        "path": {"type": "str", "required": True},
        "state": {
            "type": "str",
            "choices": ["present", "absent", "directory", "link"],
            "default": "present",
        },
        "content": {"type": "str"},
        "src": {"type": "str"},
        "target": {"type": "str"},
        "owner": {"type": "str", "default": "root"},
        "group": {"type": "str", "default": "root"},
        "mode": {"type": "str"},
        "validate": {"type": "list", "elements": "str"},
        "sensitive": {"type": "bool", "default": False},
        "wanted": {"type": "bool", "default": True},
        "held": {"type": "str", "default": ""},
    },
}
ARGUMENTS = {
    "list": {"type": "str", "required": True},
    "files": FILES,
    "session": {"type": "bool", "default": False},
    "look": {"type": "dict", "options": LOOK},
    "user": {"type": "dict", "options": USER},
    "ahead": {"type": "dict", "default": {}, "no_log": True},
    "root": {"type": "path", "default": "/"},
}
LOCK_SECONDS = 30
NO_FILE = (
    "No file was changed. Where it runs something: systemctl stop seatwright-session.service first."
)


@dataclass(frozen=True, slots=True)
class Work:
    """One run: what is wanted, what was recorded, what differs."""

    root: str
    entries: tuple[Entry, ...]
    old: Manifest | None
    new: Manifest
    changes: tuple[Change, ...]

    @property
    def changed(self) -> bool:
        """Whether a file differs, or only the record of them."""
        return bool(self.changes) or self._recorded != self.new

    @property
    def _recorded(self) -> Manifest:
        return self.old or Manifest(self.new.name, self.new.session)


def main() -> None:
    """Read the arguments, compare, validate, write, report."""
    module = AnsibleModule(ARGUMENTS, supports_check_mode=True)
    # The invocation has been logged by now, without them; a result may name paths and modes.
    module.no_log_values.clear()
    entries: tuple[Entry, ...] = ()
    files, ahead = take_contents(module.params)
    try:
        if module.params["user"] and module.params["root"] != "/":
            raise Refused("user is of the machine itself, so root has to be /")
        if not LIST_NAME.fullmatch(module.params["list"]):
            raise Refused("list must be lower-case letters, digits, - and _")
        entries = parse_entries(files)
        hide_secrets(module, entries)
        model = like_its_model(module)
        if model is not None and model["stops"]:
            module.exit_json(**left_alone(module, model))
        idle = module.check_mode or nothing_to_do(module.params, entries)
        with lock(module.params["root"], idle):
            for name, given in {**ahead, module.params["list"]: files}.items():
                hold_back(module.params["root"], name, given)
            result = run(module, entries, ahead, model)
    except Refused as error:
        module.fail_json(msg=f"{error}. Nothing was changed.")
    except Invalid as error:
        module.fail_json(
            msg=f"List {module.params['list']}: not valid, so nothing was changed:\n{error}"
        )
    except UserNotMade as error:
        module.fail_json(msg=f"The user {module.params['user']['name']}: {error}. {NO_FILE}")
    except OSError as error:
        module.fail_json(msg=explain(error))
    module.exit_json(**result)


def run(
    module: AnsibleModule,
    entries: tuple[Entry, ...],
    ahead: Mapping[str, Sequence[Mapping[str, object]]],
    model: dict[str, object] | None,
) -> dict[str, object]:
    """Everything between the arguments and the result."""
    params = module.params
    work, trouble = compare(params["root"], params["list"], params["session"], entries)
    if trouble:
        module.warn(trouble)
    seen = look(module, model)
    commands = user_commands(params["user"]) if params["user"] else []
    settled = not (work.changed or commands or lacks_packages(seen))
    others = {name: settled and alike(params, name, ahead[name]) for name in ahead}
    absent = validate(work.root, entries, work.changes, module.check_mode)
    diff = diff_of(work.changes) if module._diff else []
    if not module.check_mode and lacks_packages(seen):
        commands = []
    if commands:
        diff = [user_diff(params["user"]), *diff]
    copies = {one.path: "" for one in work.changes if one.aside}
    if not module.check_mode:
        see_to_owners(work, params["user"]["name"] if commands else None)
        put_user_right(commands)
        copies = put_in_place(work) if work.changed else {}
    done = report(module, work, absent, diff, copies)
    changed = work.changed or bool(commands)
    return {**done, **seen, "changed": changed, "user": commands, "alike": others}


def like_its_model(module: AnsibleModule) -> dict[str, object] | None:
    """The comparison with the model, where it was asked for, before anything else."""
    wanted = (module.params["look"] or {}).get("model")
    facts = model_facts(module.params["root"], wanted)
    if facts is not None and not facts["stops"]:
        for sentence in facts["unlike"]:
            module.warn(f"Not as in the model {wanted['name']}: {sentence}")
    return facts


def left_alone(module: AnsibleModule, model: dict[str, object]) -> dict[str, object]:
    """The result for a seat that is not like its model."""
    name = module.params["look"]["model"].get("name")
    points = "".join(f"\n- {one}" for one in model["unlike"])
    return {
        "changed": False,
        "unlike": model["unlike"],
        "msg": f"This seat is not like its model {name}, so nothing was changed:{points}\n"
        "Give it a model of its own (seatwright survey), or see what was exchanged in it. Where a "
        "machine only stands in for a seat: seat_base_model_must_match: false.",
    }


def look(module: AnsibleModule, model: dict[str, object] | None) -> dict[str, object]:
    """The seat as it is before anything is written, where that was asked for."""
    if module.params["look"] is None:
        return {}
    facts, trouble = look_at(module.params["root"], module.params["look"])
    if trouble:
        module.warn(trouble)
    return {"state": {**facts, "model": model}}


def compare(
    root: str, name: str, session: bool, entries: tuple[Entry, ...]
) -> tuple[Work, str]:
    """What differs, and what was wrong with the record of the last run."""
    old, trouble = read_manifest(root, name)
    changes = plan_changes(root, entries, old, paths_of_others(root, name))
    made = missing_directories(root, changes)
    new = wanted_manifest(name, session, entries, old, made)
    return Work(root, entries, old, new, changes), trouble


def hold_back(root: str, name: str, files: Sequence[Mapping[str, object]]) -> None:
    """Raise Refused where a list would lose a file that is not wanted now, but held."""
    unwanted = [one for one in files if not one.get("wanted", True)]
    lost = {str(one["path"]): one["held"] for one in unwanted if one.get("held")}
    if not lost:
        return
    old, _ = read_manifest(root, name)
    for path, why in lost.items():
        if old and path in old.files and os.path.lexists(os.path.join(root, path.lstrip("/"))):
            raise Refused(f"{path!r} is on this seat, and {why}")


def alike(
    params: Mapping[str, Any], name: str, files: Sequence[Mapping[str, object]]
) -> bool:
    """Whether a list of a later task is in place. What is wrong with it its own task says.

    An empty list stands for one of which nothing is known before that task.
    """
    try:
        entries = parse_entries(files, compared=True)
        work, trouble = compare(params["root"], name, params["session"], entries)
    except (Refused, OSError):
        return False
    return bool(files) and not work.changed and not trouble


def lacks_packages(seen: Mapping[str, Any]) -> bool:
    """Whether packages have to be installed, which may touch the files of any list."""
    return bool(seen.get("state", {}).get("packages_missing"))


def see_to_owners(work: Work, coming: str | None) -> None:
    """Raise Refused where the seat does not know who a file is to belong to; ``coming`` is a user
    that it will know."""
    for change in work.changes:
        entry = change.entry
        if entry is None or entry.state not in ("present", "directory"):
            continue
        if coming not in (entry.owner, entry.group):
            ids(entry)


def put_in_place(work: Work) -> dict[str, str]:
    """Record both lists, write, remove, record the new one; copies set aside, by path."""
    see_to_owners(work, None)
    if work.changes:
        write_manifest(work.root, both(work.old, work.new))
    if work.old is not None and not work.old.complete:
        clean_up(work.root, work.old)
    copies = carry_out(work.root, work.changes)
    gone = set(work.old.directories if work.old else ()) - set(work.new.directories)
    drop_directories(work.root, gone)
    if work.new.empty:
        os.unlink(manifest_place(work.root, work.new.name))
    else:
        write_manifest(work.root, work.new)
    return copies


def report(
    module: AnsibleModule,
    work: Work,
    absent: tuple[str, ...],
    diff: list[dict[str, str]],
    copies: dict[str, str],
) -> dict[str, object]:
    """The result as Ansible returns it."""
    for path, copy in copies.items():
        module.warn(f"{path} held what a person wrote; kept as {copy or 'a copy set aside'}")
    result: dict[str, object] = {
        "written": [one.path for one in work.changes if one.kind != "remove"],
        "removed": [one.path for one in work.changes if one.kind == "remove"],
        "set_aside": copies,
        "unvalidated": list(absent),
    }
    if module._diff:
        result["diff"] = diff
    return result


def take_contents(params: dict[str, Any]) -> tuple[list[dict[str, object]], dict[str, Any]]:
    """The lists, of which only paths and names stay in what is sent back."""
    files, ahead = params["files"], params["ahead"]
    params["files"] = [one["path"] for one in files]
    params["ahead"] = sorted(ahead)
    return files, ahead


def hide_secrets(module: AnsibleModule, entries: tuple[Entry, ...]) -> None:
    """Keep secrets out of every message."""
    for entry in entries:
        if entry.sensitive and entry.content:
            module.no_log_values.add(entry.content.decode("utf-8", "backslashreplace"))


def nothing_to_do(params: Mapping[str, Any], entries: tuple[Entry, ...]) -> bool:
    """Whether a list that has nothing is asked to have nothing: then not even a lock is left."""
    return not entries and not os.path.exists(manifest_place(params["root"], params["list"]))


@contextmanager
def lock(root: str, idle: bool) -> Iterator[None]:
    """Only one run writes at a time; who writes nothing takes no lock."""
    if idle:
        yield
        return
    place = os.path.join(root, OWN_PLACE.lstrip("/"))
    os.makedirs(place, mode=0o755, exist_ok=True)
    try:
        with held(os.path.join(place, ".lock"), _flock, LOCK_SECONDS):
            yield
    except Busy:
        raise Refused(
            f"another run has been writing for {LOCK_SECONDS} s — wait for it to end"
        ) from None


def _flock(descriptor: int) -> None:
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def explain(error: OSError) -> str:
    """A sentence for a person about a disk that is full or broken."""
    where = error.filename or "a file"
    return (
        f"{where}: {error.strerror}. Every file is the old one or the new one; "
        "the next run finishes what is missing."
    )


if __name__ == "__main__":
    main()
