"""usb/ids.py: reading any state of the file, and that no renderer can come to it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import seatwright
from seatwright.usb.ids import UsbIds, read_usb_ids, system_ids

SAMPLE = b"""# Version: 2000.01.01
1209  Fennmoor Workshop
\t0003  Card Reader
\t0004  Film Sc\xc3\xa4nner
\t\t01  an interface
120a  M\xe4rz & Daughters
\t0001  Stamp \x1b[31mRed
C 08  Mass Storage
\t06  SCSI
\t1234  not a product here
L 0409  English
"""


@pytest.fixture
def sample(tmp_path: Path) -> UsbIds:
    path = tmp_path / "usb.ids"
    path.write_bytes(SAMPLE)
    return read_usb_ids(path)


def test_names_of_vendors_products_and_classes(sample: UsbIds) -> None:
    assert sample.name(0x1209, 0x0003) == "Fennmoor Workshop Card Reader"
    assert sample.name(0x1209, 0x0009) == "Fennmoor Workshop"
    assert sample.name(0x9999, 0x0003) == ""
    assert sample.classes == {0x08: "Mass Storage"}
    assert len(sample.products) == 3


def test_utf8_latin1_and_escapes_are_all_printable(sample: UsbIds) -> None:
    assert sample.name(0x1209, 0x0004).endswith("Scänner")
    assert sample.name(0x120A, 0x0001) == "März & Daughters Stamp [31mRed"


def test_broken_files_give_what_they_have(tmp_path: Path) -> None:
    path = tmp_path / "usb.ids"
    for content in (b"", b"\t0003  no vendor before\n", b"\x00\xff\xfe" * 100, SAMPLE[:60]):
        path.write_bytes(content)
        assert len(read_usb_ids(path).products) <= 1


def test_a_machine_without_the_file_has_no_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("seatwright.usb.ids.SYSTEM_FILES", (tmp_path / "none", tmp_path))
    assert system_ids() is None


# Everything between a site and its rendered files, by its place below the package.
MAKERS = ("site", "policy", "capacity", "render", "plan.py", "planning.py")
PACKAGE = Path(seatwright.__file__).parent


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> set[str]:
    """Every name that a file imports, at any depth of its code; ``from a import b`` gives both."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports are not followed by this test"
            names |= {str(node.module), *(f"{node.module}.{alias.name}" for alias in node.names)}
    return names


def test_nothing_that_renders_can_come_to_the_names() -> None:
    files = {module_name(path): path for path in PACKAGE.rglob("*.py")}
    starts = {name for name, path in files.items() if path.relative_to(PACKAGE).parts[0] in MAKERS}
    assert {"seatwright.plan", "seatwright.render"} <= starts
    reached: set[str] = set()
    waiting = sorted(starts)
    while waiting:
        name = waiting.pop()
        if name in files and name not in reached:
            reached.add(name)
            waiting.extend(imports(files[name]))
    assert "seatwright.usb.device" in reached, "the walk follows imports"
    assert "seatwright.usb.ids" not in reached
