"""Description -> inventory, a case a folder in tests/golden/render.

Each has the site as ``site.yml`` and, beside it in ``rendered/``, what people and Ansible read of
it (not the plan and the schemas, which have tests of their own).
``PYTHONPATH=generator:tests python -m golden.test_golden_render`` writes what they become now;
read the difference.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest

from render_sites import make_repository, seatwright

CASES = Path(__file__).parent / "render"
READ_BY_NOBODY = ("manifest.json", "plan.json", "schema")


def rendered(case: Path, root: Path) -> Path:
    """Render a case's site; the folder with what is compared."""
    site = make_repository(root, (case / "site.yml").read_text(encoding="utf-8"), "lock")
    done = seatwright("render", site)
    assert done.returncode == 0, done.stdout + done.stderr
    folder = site.parent / "rendered"
    for name in READ_BY_NOBODY:
        path = folder / name
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    return folder


def files(folder: Path) -> dict[str, list[str]]:
    """Every file as its lines: a difference shows the line."""
    return {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8").splitlines()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.parametrize("name", sorted(path.name for path in CASES.iterdir()))
def test_a_site_is_rendered_as_it_was(name: str, tmp_path: Path) -> None:
    found, expected = files(rendered(CASES / name, tmp_path)), files(CASES / name / "rendered")
    assert found.keys() == expected.keys()
    for path, lines in expected.items():
        assert found[path] == lines, path


def main() -> None:
    """Write the cases as they are now."""
    for case in CASES.iterdir():
        with tempfile.TemporaryDirectory() as root:
            shutil.rmtree(case / "rendered", ignore_errors=True)
            shutil.copytree(rendered(case, Path(root)), case / "rendered")


if __name__ == "__main__":
    main()
