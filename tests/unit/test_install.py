"""What ``pip install`` makes of this repository works without it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "inventories" / "fennmoor"
SOURCES = ("generator", "templates", "pyproject.toml", "README.md", "LICENSE")


def run(*words: str | Path, cwd: Path) -> str:
    done = subprocess.run(words, cwd=cwd, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def installed(folder: Path) -> Path:
    """A wheel of this repository, made from a copy and unpacked."""
    source = folder / "source"
    source.mkdir()
    for name in SOURCES:
        whole = shutil.copytree if (ROOT / name).is_dir() else shutil.copy2
        whole(ROOT / name, source / name)
    pip = (sys.executable, "-m", "pip", "-q", "--disable-pip-version-check")
    run(*pip, "wheel", "--no-deps", "-w", folder, source, cwd=folder)
    (wheel,) = folder.glob("seatwright-*.whl")
    run(*pip, "install", "--no-deps", "--target", folder / "site", wheel, cwd=folder)
    return folder / "site"


def test_an_installed_seatwright_renders_what_the_repository_renders(tmp_path: Path) -> None:
    site = installed(tmp_path)
    place = tmp_path / "own" / "inventories" / "fennmoor"
    shutil.copytree(DEMO, place, ignore=shutil.ignore_patterns("rendered"))
    program = (
        sys.executable, "-I", "-c",
        f"import sys; sys.path.insert(0, {str(site)!r}); import seatwright; "
        f"assert seatwright.__file__.startswith({str(site)!r}), seatwright.__file__; "
        "from seatwright.commands.main import main; sys.exit(main(sys.argv[1:]))",
    )  # fmt: skip
    run(*program, "render", place, cwd=tmp_path)
    for made, committed in (
        (place / "rendered", DEMO / "rendered"),
        (tmp_path / "own" / "roles", ROOT / "roles"),
    ):
        assert tree(made) == tree(committed)


def tree(folder: Path) -> dict[str, bytes]:
    found = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in found}
