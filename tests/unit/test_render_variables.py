"""The table of variables, the inventory and Ansible agree; nothing from a site is interpreted."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml
from ansible.inventory.manager import InventoryManager
from ansible.module_utils.common.arg_spec import ArgumentSpecValidator
from ansible.parsing.dataloader import DataLoader
from ansible.template import Templar
from ansible.vars.manager import VariableManager
from test_render_quote import HOSTILE

from render_sites import TINY, demo_repository, make_repository, seatwright
from seatwright.render import quote, values
from seatwright.render.roles import HOST_ROLES, argument_specs
from seatwright.render.variables import ROLES, SEAT_ROLES, Variable
from seatwright.site.vocabulary import key

VARIABLES = [one for role in ROLES.values() for one in role.variables]
WRITTEN: Mapping[str, Mapping[str, object]] = {
    "site": values.SITE,
    "room": values.ROOM,
    "cell": values.CELL,
    "seat": values.SEAT,
    "hypervisor": {**values.HYPERVISOR, **values.UNITS, **values.COMMANDS},
}
WHERE_IT_DIFFERS = {"seat_session_ticket_command"}
"""Written only where it is not the default, which few sites have."""


def test_the_inventory_writes_what_the_table_says_and_nothing_else() -> None:
    for level, functions in WRITTEN.items():
        declared = {one.name for one in VARIABLES if one.level == level}
        assert set(functions) == declared, level
    levels = {one.level for one in VARIABLES}
    assert levels - set(WRITTEN) <= {"default", "run"}


def test_what_is_not_written_has_a_default_and_what_is_written_has_none() -> None:
    for one in VARIABLES:
        written = one.level in WRITTEN and one.name not in WHERE_IT_DIFFERS
        assert one.required == written, one.name


def every(variables: tuple[Variable, ...]) -> list[Variable]:
    return [each for one in variables for each in (one, *every(one.options))]


@pytest.mark.parametrize("role", ROLES.values(), ids=ROLES)
def test_every_variable_is_its_roles_and_is_explained(role: Any) -> None:
    for one in role.variables:
        assert one.name.startswith(f"{role.name}_")
    for one in every(role.variables):
        assert one.meaning.endswith((".", "}'.", "policy.")), one.name
        assert (one.kind == "list") == (one.elements is not None), one.name
        if one.key is not None:
            key(one.key)  # raises where the description has no such key


def test_choices_are_those_of_the_description() -> None:
    (restart,) = (one for one in VARIABLES if one.name == "seat_session_restart")
    assert restart.choices == ("never", "if-idle", "now")
    assert restart.meaning == key("settings.restart").sentence


class Inventory:
    """A rendered inventory, read by Ansible; values are templated as a role would see them."""

    def __init__(self, hosts: Path) -> None:
        self.loader = DataLoader()
        self.inventory = InventoryManager(self.loader, sources=[str(hosts)])
        self.variables = VariableManager(self.loader, self.inventory)

    def names(self, group: str) -> list[str]:
        return [host.name for host in self.inventory.get_hosts(group)]

    def told(self, host: str, prefix: str = "") -> dict[str, Any]:
        found = self.variables.get_vars(host=self.inventory.get_host(host))
        templar = Templar(self.loader, variables=found)
        return {
            name: templar.template(one) for name, one in found.items() if name.startswith(prefix)
        }


def specification(role: str) -> dict[str, Any]:
    options = yaml.safe_load(argument_specs(ROLES[role]))["argument_specs"]["main"]["options"]
    assert isinstance(options, dict)
    return options


def refused(role: str, told: Mapping[str, Any]) -> list[str]:
    """What Ansible itself says against these values of a role's variables."""
    spec = specification(role)
    given = {name: value for name, value in told.items() if name in spec}
    result = ArgumentSpecValidator(spec).validate(given)
    return [*result.error_messages, *map(str, sorted(result.unsupported_parameters))]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Inventory:
    """The demo site, rendered."""
    site = demo_repository(tmp_path_factory.mktemp("demo"))
    assert seatwright("render", site).returncode == 0
    return Inventory(site.parent / "rendered/hosts.yml")


def test_ansible_takes_what_every_seat_and_host_is_told(demo: Inventory) -> None:
    assert len(demo.names("clients")) >= 40
    for host in demo.names("clients"):
        for role in SEAT_ROLES:
            assert not refused(role, demo.told(host, role)), host
    for kind, role in HOST_ROLES.items():
        assert demo.names(f"hypervisors_{kind}")
        for host in demo.names(f"hypervisors_{kind}"):
            assert not refused(role, demo.told(host, role)), host


def test_ansible_refuses_what_the_table_does(demo: Inventory) -> None:
    """So that the test above can fail."""
    told = demo.told(demo.names("clients")[0])
    assert refused("seat_session", {**told, "seat_session_restart": "sometimes"})
    assert refused("seat_session", {k: v for k, v in told.items() if k != "seat_session_guest"})
    sockets = [{"label": "x", "ports": ["1-1"], "redirect": [], "permitted": [], "nodes": []}]
    assert refused("seat_filter", {**told, "seat_filter_sockets": sockets})


def test_groups(demo: Inventory) -> None:
    groups = demo.inventory.get_groups_dict()
    assert sorted(groups["pilots"] + groups["others"]) == sorted(groups["clients"])
    assert groups["held_back"] == []
    assert "rr-15" in groups["cell_reading_room_vale"]
    assert "rr-16" in groups["cell_reading_room_ridge_assisted"]
    quarter = groups["others"][: len(groups["others"]) // 4]
    for room in (name for name in groups if name.startswith("room_")):
        others = set(groups[room]) & set(groups["others"])
        assert abs(len(others & set(quarter)) - len(others) / 4) < 1, room


def hostile_site(text: str) -> str:
    """The tiny site with one text in every place that takes free text."""
    written = yaml.safe_dump(text, default_style='"', width=1000).strip()
    return (
        TINY.replace("site: Lock House", f"site: {written}")
        .replace("title: The Hall", f"title: {written}")
        .replace("title: Ridge, second series", f"title: {written}")
        .replace("title: reader of cards", f"title: {written}")
        .replace("title: Desk", f"title: {written}")
        .replace("under the shelf", written)
    )


def test_free_text_arrives_as_it_was_written(tmp_path: Path) -> None:
    """Whatever reading lets through reaches the role as it is, template signs and all."""
    taken = []
    for number, text in enumerate(HOSTILE):
        root = tmp_path / str(number)
        done = seatwright("render", make_repository(root, hostile_site(text)))
        if done.returncode != 0:
            assert done.returncode == 2 and done.stdout, done.stderr
            assert not text.strip() or quote.HIDDEN.search(text), "only what nobody sees is refused"
            continue
        taken.append(text)
        told = Inventory(root / "inventories/lock/rendered/hosts.yml").told("hall-1", "seat_")
        assert told["seat_session_site_title"] == text
        assert told["seat_session_room_title"] == text
        assert told["seat_filter_names"] == {"1209:0003": text}
        told = Inventory(root / "inventories/lock/rendered/hosts.yml").told("desk-1", "seat_")
        assert [socket["label"] for socket in told["seat_filter_sockets"]] == [text]
        assert not refused("seat_filter", told)
    assert {"{{ lookup('pipe', 'id') }}", "%n %% %h 100%", "</script><b>&amp;"} <= set(taken)


@pytest.mark.parametrize("name", ["on", "no", "null", "12", "1e3", "0x1f", "010"])
def test_names_that_yaml_would_take_for_something_else(tmp_path: Path, name: str) -> None:
    site = make_repository(tmp_path, TINY.replace("hall-1 to hall-3", f'"{name}"'))
    assert seatwright("render", site).returncode == 0
    inventory = Inventory(site.parent / "rendered/hosts.yml")
    assert name in inventory.names("pilots")
    told = inventory.told(name, "seat_session")
    assert told["seat_session_seat"] == told["seat_session_guest"] == name
    assert not refused("seat_session", told)


def test_no_seat_is_called_like_a_group(demo: Inventory, tmp_path: Path) -> None:
    """Ansible would take the one for the other; groups with an underscore no seat can have."""
    for name in {"all", "ungrouped", "localhost", "quay", *demo.inventory.groups}:
        if "_" not in name:
            root = tmp_path / name
            done = seatwright("render", make_repository(root, TINY.replace("desk-1", name)))
            assert done.returncode == 2 and f'"{name}"' in done.stdout, name
            assert not (root / "inventories/lock/rendered").exists()


def test_cells_that_come_to_one_word_stay_apart(tmp_path: Path) -> None:
    site = TINY.replace("  attic: {policy: readers, model: ridge, host: quay}\n", "")
    model = site[site.index("  ridge:") : site.index("peripherals:")]
    site = site.replace("peripherals:", model.replace("ridge:", "end-ridge:") + "peripherals:")
    site += "  low: {policy: readers, model: end-ridge, host: quay, seats: [a]}\n"
    site += "  low-end: {policy: readers, model: ridge, host: quay, seats: [b]}\n"
    path = make_repository(tmp_path, site)
    assert seatwright("render", path).returncode == 0
    groups = Inventory(path.parent / "rendered/hosts.yml").inventory.get_groups_dict()
    assert groups["cell_low_end_ridge"] == ["a"]
    assert groups["cell_low_end_ridge_2"] == ["b"]
