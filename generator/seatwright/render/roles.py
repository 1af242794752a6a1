"""The roles: what stands in ``templates/roles/``, and what the table of variables adds to it."""

from __future__ import annotations

import stat
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import yaml

from seatwright.render.engine import SUFFIX, render, templates
from seatwright.render.errors import RenderError
from seatwright.render.layout import Lines, variable
from seatwright.render.quote import Quoted, yaml_string
from seatwright.render.tree import File
from seatwright.render.variables import PULL_PACKAGES, ROLES, SEAT_ROLES, Role, Variable

HOST_ROLES: Mapping[str, str] = {
    "libvirt": "guest_ports",
    "systemd": "guest_units",
    "commands": "guest_commands",
}
"""The role that hosts of each kind need."""

PROGRAMS = "seat_base/files/programs"
"""Where the seat's programs are copied to, below ``roles/``."""

SEAT_USB = ("__init__", "capture", "device", "filter", "portpath")
"""The parts of ``usb/`` that run on a seat: standard library only."""

SEAT_SURVEY = ("__init__", "around", "check", "here", "likeness", "look", "script", "seen", "ways")
"""The parts of ``survey/`` that run on a seat, too."""

UTILITIES = "seat_base/module_utils"
"""Where modules find what they import."""

OURS, THEIRS = b"from seatwright.", b"from ansible.module_utils.seatwright."
"""How the generator's files name each other, and how they do it inside of a module."""


def needed_roles(host_kinds: Iterable[str]) -> tuple[str, ...]:
    """The roles of a repository whose sites have hosts of these kinds."""
    return (*SEAT_ROLES, *sorted({HOST_ROLES[kind] for kind in host_kinds}))


def roles(names: Collection[str]) -> dict[str, File]:
    """The tree of ``roles/``. Raises RenderError."""
    programs = seat_programs()
    files = {f"{PROGRAMS}/{path}": file for path, file in programs.items()}
    files |= {f"{UTILITIES}/{path}": file for path, file in module_parts(programs).items()}
    for name in names:
        for path, file in _role(ROLES[name], sorted(programs)).items():
            files[f"{name}/{path}"] = file
    return files


def seat_programs() -> dict[str, File]:
    """The programs that run on a seat, by path below ``/usr/lib/seatwright/``."""
    package = Path(__file__).resolve().parent.parent
    wanted = [package / "__init__.py", *(package / "usb" / f"{name}.py" for name in SEAT_USB)]
    wanted += [package / "survey" / f"{name}.py" for name in SEAT_SURVEY]
    wanted += _sources(package / "client")
    found = {path.relative_to(package.parent).as_posix(): _copied(path) for path in wanted}
    return {path: found[path] for path in sorted(found)}


def module_parts(programs: Mapping[str, File]) -> dict[str, File]:
    """What the seat's modules need of the programs before any program is on the seat."""
    usb = [f"seatwright/usb/{name}.py" for name in SEAT_USB if name != "filter"]
    survey = [f"seatwright/survey/{name}.py" for name in SEAT_SURVEY]
    paths = ["seatwright/__init__.py", *usb, *survey]
    return {path: File(programs[path].content.replace(OURS, THEIRS)) for path in paths}


def _sources(root: Path) -> list[Path]:
    """Every file below ``root`` that somebody wrote: caches are none."""
    return sorted(path for path in root.rglob("*") if path.is_file() and not _cached(path, root))


def _cached(path: Path, root: Path) -> bool:
    parts = path.relative_to(root).parts
    return any(part == "__pycache__" or part.startswith(".") for part in parts)


def _copied(path: Path) -> File:
    return File(path.read_bytes(), bool(path.stat().st_mode & stat.S_IXUSR))


def _role(role: Role, programs: list[str]) -> dict[str, File]:
    files = dict(_by_hand(role, programs))
    made = {
        "README.md": _readme(role),
        "defaults/main.yml": _defaults(role),
        "meta/argument_specs.yml": argument_specs(role),
        "meta/main.yml": render("role/meta.yml.in", role=role),
    }
    for path, content in made.items():
        if path in files:
            raise RenderError(f"{path} of the role {role.name} is made and also stands by hand")
        files[path] = File(content)
    return files


def _by_hand(role: Role, programs: list[str]) -> Iterator[tuple[str, File]]:
    """What stands below ``templates/roles/<role>/``, rendered where the name says so."""
    root = templates() / "roles" / role.name
    for path in _sources(root):
        name = path.relative_to(root).as_posix()
        if name.endswith(SUFFIX):
            content = render(
                f"roles/{role.name}/{name}", role=role, programs=programs, pulling=PULL_PACKAGES
            )
            yield name.removesuffix(SUFFIX), File(content)
        else:
            yield name, _copied(path)


def _defaults(role: Role) -> bytes:
    known = [one for one in role.variables if one.default is not None]
    lines = [variable(one.name, _laid_out(one.default)) for one in known]
    return render("role/defaults.yml.in", variables=lines)


def _laid_out(value: object) -> object:
    return Lines(value) if isinstance(value, tuple) else value


@dataclass(frozen=True, slots=True)
class Row:
    """A variable as its README shows it."""

    name: str
    kind: Quoted
    default: Quoted
    meaning: Quoted


def _readme(role: Role) -> bytes:
    rows = [row for one in role.variables for row in _rows(one, "")]
    return render(
        "role/README.md.in",
        name=role.name,
        sentence=_cell(role.sentence),
        needs=_cell(role.needs),
        tags=role.tags,
        rows=rows,
    )


def _rows(one: Variable, owner: str) -> Iterator[Row]:
    name = f"{owner}.{one.name}" if owner else one.name
    kind = f"{one.kind} of {one.elements}" if one.elements else one.kind
    choices = f" One of {', '.join(one.choices)}." if one.choices else ""
    yield Row(name, Quoted(kind), _shown_default(one), _cell(f"{one.meaning}{choices}"))
    for option in one.options:
        yield from _rows(option, name)


def _cell(sentence: str) -> Quoted:
    """A sentence of our own in a table: nothing in it needs quoting but the table's own sign."""
    return Quoted(sentence.replace("|", "\\|"))


def _shown_default(one: Variable) -> Quoted:
    if one.required:
        return Quoted("required")
    if one.default is None:
        return Quoted("may be absent")
    return Quoted(f"`{_flow_default(one.default)}`")


def _flow_default(value: object) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(map(str, value)) + "]"
    return yaml_string(value) if isinstance(value, str) else str(value)


def argument_specs(role: Role) -> bytes:
    """``meta/argument_specs.yml``: Ansible refuses wrong values before the first task."""
    main = {
        "short_description": role.sentence,
        "author": ["seatwright"],
        "options": {one.name: _spec(one) for one in role.variables},
    }
    text = yaml.dump(
        {"argument_specs": {"main": main}},
        Dumper=_Indented,
        sort_keys=False,
        allow_unicode=True,
        width=96,
    )
    return f"---\n# Made by seatwright from its table of variables.\n{text}".encode()


class _Indented(yaml.SafeDumper):
    """PyYAML's dumper, with the entries of a list indented as ansible-lint wants them."""

    def increase_indent(self, flow: bool = False, indentless: bool = False) -> None:
        super().increase_indent(flow, False)

    def ignore_aliases(self, data: object) -> bool:
        return True


def _spec(one: Variable) -> dict[str, object]:
    spec: dict[str, object] = {"description": [one.meaning], "type": one.kind}
    if one.elements:
        spec["elements"] = one.elements
    if one.required:
        spec["required"] = True
    elif one.default is not None:
        spec["default"] = list(one.default) if isinstance(one.default, tuple) else one.default
    if one.secret:
        spec["no_log"] = True
    if one.choices:
        spec["choices"] = list(one.choices)
    if one.options:
        spec["options"] = {option.name: _spec(option) for option in one.options}
    return spec
