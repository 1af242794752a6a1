"""Rendering is a pure function of the site's files: the same bytes every time and everywhere."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path

import pytest
import yaml
from jsonschema import Draft202012Validator
from yamllint import linter
from yamllint.config import YamlLintConfig

from render_sites import (
    TINY,
    demo_repository,
    make_repository,
    seatwright,
    seatwright_process,
    snapshot,
)

ANSIBLE_LINTS_RULES = """\
extends: default
rules:
  braces: {min-spaces-inside: 0, max-spaces-inside: 1}
  comments: {min-spaces-from-content: 1}
  comments-indentation: disable
  document-start: disable
  line-length: {max: 160}
  octal-values: {forbid-implicit-octal: true, forbid-explicit-octal: true}
"""


def test_the_same_bytes_everywhere(tmp_path: Path) -> None:
    """Other folders, times, time zones, languages, hash seeds and umasks."""
    somewhere = {"TZ": "UTC", "LC_ALL": "C.UTF-8", "PYTHONHASHSEED": "1"}
    elsewhere = {
        "TZ": "Pacific/Chatham",
        "LC_ALL": "C",
        "LANG": "tr_TR.UTF-8",
        "PYTHONHASHSEED": "4242",
        "HOME": str(tmp_path),
        "USER": "somebody",
        "PYTHONUTF8": "0",
    }
    first, second = tmp_path / "first", tmp_path / "a longer name" / "of the second"
    one = seatwright_process("render", demo_repository(first), environment=somewhere)
    time.sleep(1.1)  # so that a time stamp would differ
    before = os.umask(0o077)
    try:
        site = demo_repository(second)
        two = seatwright_process(
            "render", "inventories/fennmoor", environment=elsewhere, cwd=second
        )
    finally:
        os.umask(before)
    assert (one.returncode, two.returncode) == (0, 0), one.stderr + two.stderr
    found, again = snapshot(first / "roles"), snapshot(second / "roles")
    assert found == again
    rendered = "inventories/fennmoor/rendered"
    found, again = snapshot(first / rendered), snapshot(site.parent / "rendered")
    assert found == again
    assert len(found) > 20


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo site, rendered."""
    root = tmp_path_factory.mktemp("pure")
    assert seatwright("render", demo_repository(root)).returncode == 0
    return root


def test_no_traces_of_the_machine(root: Path) -> None:
    traces = re.compile(
        rb"/tmp/|/root|/home/(?!')|%s|20[0-9]{2}-[01][0-9]-" % re.escape(str(root).encode())
    )
    ours = ("seat_base/files/programs/", "seat_base/module_utils/seatwright/")
    for folder in (root / "inventories/fennmoor/rendered", root / "roles"):
        for path, (content, _) in snapshot(folder).items():
            if not path.startswith(ours):
                assert not traces.search(content), path


def test_numbers_that_were_given_stay(tmp_path: Path) -> None:
    """A seat added in the middle renumbers nobody: no line of another seat changes."""
    site = make_repository(tmp_path)
    assert seatwright("render", site).returncode == 0
    hosts = tmp_path / "inventories/lock/rendered/hosts.yml"
    before = hosts.read_text().splitlines()
    site.write_text(TINY.replace("[hall-1 to hall-3,", "[hall-1, hall-0, hall-2 to hall-3,"))
    assert seatwright("render", site).returncode == 0
    after = hosts.read_text().splitlines()
    assert set(before) <= set(after)
    assert {line.split(":")[0].strip() for line in set(after) - set(before)} == {"hall-0"}


def test_yaml_is_as_the_linters_want_it(root: Path) -> None:
    """ansible-lint's own settings for yamllint (its documentation, rule ``yaml``)."""
    rules = YamlLintConfig(ANSIBLE_LINTS_RULES)
    paths = [
        *(root / "inventories/fennmoor/rendered").rglob("*.yml"),
        *(
            path
            for name in ("meta", "defaults")
            for path in (root / "roles").glob(f"*/{name}/*.yml")
        ),
    ]
    assert len(paths) > 30
    for path in paths:
        found = list(linter.run(path.read_text(), rules))
        assert not found, f"{path}: {found[0]}"


def test_the_plan_and_the_site_are_as_the_schemas_say(root: Path) -> None:
    """Judged by jsonschema, from outside."""
    rendered = root / "inventories/fennmoor/rendered"
    for name, document in (
        ("site", root / "inventories/fennmoor/site.yml"),
        ("plan", rendered / "plan.json"),
    ):
        schema = yaml.safe_load((rendered / f"schema/{name}.json").read_text())
        Draft202012Validator.check_schema(schema)
        Draft202012Validator(schema).validate(yaml.safe_load(document.read_text()))
