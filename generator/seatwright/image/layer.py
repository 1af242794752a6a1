"""The provisioned layer of an image: what ``clients.yml`` and the image's own files add to a base.

The layer is the upper half of an overlay on the base and is kept by what went into it, so that
images of several models, and the next build, share it. What belongs to single seats is not in it.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec

from seatwright.image.base import clamp, clean
from seatwright.image.errors import ImageError
from seatwright.image.onseat.files import put_files
from seatwright.image.table import Table, remove_listed
from seatwright.offline.provision import OfflineSite
from seatwright.rehearsal.apart import apart
from seatwright.rehearsal.base import locked
from seatwright.rehearsal.errors import RehearsalError, run, tail
from seatwright.whole import unfinished_beside

FORMAT = 1
"""Counts up when the same inputs make another layer."""


class LayerSpec(msgspec.Struct, frozen=True):
    """All that makes a layer: where it is built from and into, and what it is told.

    ``seat`` is one of the model's; the run is made as if for it, and what is its own taken out.
    """

    base: Path
    repository: Path
    place: Path
    seat: str
    access_key: str
    epoch: int
    boot_id: str
    root_id: str
    table: str
    shared: str
    variables: dict[str, Any]

    def digest(self) -> str:
        """What the layer is known by."""
        parts = [
            str(FORMAT), self.base.name, self.access_key, self.boot_id, self.root_id, self.shared,
            msgspec.json.encode(self.variables, order="sorted").decode(),
            _tree_digest(self.repository / "roles"),
            *(_file_digest(self.place / "playbooks" / f"{name}.yml") for name in PLAYBOOKS),
            _tree_digest(Path(__file__).with_name("onseat")),
        ]  # fmt: skip
        return hashlib.sha256("\0".join(parts).encode()).hexdigest()


PLAYBOOKS = ("clients", "first-access")


def ensure_layer(spec: LayerSpec, cache: Path) -> Path:
    """The layer of ``spec``; made first where the cache has none. Raises :class:`ImageError`."""
    place = layer_place(spec, cache)
    place.parent.mkdir(parents=True, exist_ok=True)
    with locked(place.with_name(f".{place.name}.lock")):
        if not place.is_dir():
            _make(spec, place)
    return place


def layer_place(spec: LayerSpec, cache: Path) -> Path:
    """Where the layer is kept."""
    return cache / "images" / "layers" / spec.digest()[:24]


def _make(spec: LayerSpec, place: Path) -> None:
    """Make the layer beside its place, and rename it."""
    with unfinished_beside(place) as work:
        _provision_apart(spec, work)
        (work / "upper").rename(place)
    shutil.rmtree(work, ignore_errors=True)


def _provision_apart(spec: LayerSpec, work: Path) -> None:
    """Provision in a mount namespace of its own: whatever ends it, no mount is left behind."""
    for name in ("upper", "work", "merged"):
        (work / name).mkdir(parents=True)
    (work / "spec.json").write_bytes(msgspec.json.encode(spec, enc_hook=str))
    argv = [sys.executable, "-m", "seatwright.image.layer", str(work)]
    program = Path(__file__).parents[2]
    done = subprocess.run(
        apart(argv, own_proc=True),
        env={
            **os.environ,
            "PYTHONPATH": str(program),
            "SOURCE_DATE_EPOCH": str(spec.epoch),
        },
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
    )
    if done.returncode != 0:
        raise ImageError(f"Provisioning failed:\n{tail(done.stdout + done.stderr, 40)}")


def provision(work: Path) -> None:
    """What runs inside the namespace. Raises RehearsalError, ImageError."""
    spec = msgspec.json.decode(
        (work / "spec.json").read_bytes(), type=LayerSpec, dec_hook=lambda kind, value: kind(value)
    )
    merged = work / "merged"
    options = f"lowerdir={spec.base},upperdir={work}/upper,workdir={work}/work"
    run(["mount", "-t", "overlay", "overlay", "-o", options, str(merged)])
    site = OfflineSite(spec.repository, spec.place)
    if spec.access_key:
        key = work / "access.pub"
        key.write_text(spec.access_key)
        site.first_access(merged, spec.seat, key).expect_success()
    done = site.clients(merged, spec.seat, variables=spec.variables)
    done.expect_success()
    remove_listed(merged, Table(spec.table, ""))
    put_files(merged, spec.boot_id, spec.root_id)
    clean(merged, spec.epoch)
    run(["umount", str(merged)])
    clamp(work / "upper", spec.epoch)


def _tree_digest(directory: Path) -> str:
    """What a directory's files hold, by their paths; bytecode is not counted."""
    total = hashlib.sha256()
    for path in sorted(directory.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts:
            mode = path.stat().st_mode & 0o111
            total.update(f"{path.relative_to(directory)}\0{mode}\0{_file_digest(path)}\n".encode())
    return total.hexdigest()


def _file_digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def main(argv: list[str]) -> int:
    """``python -m seatwright.image.layer WORK``, started by :func:`ensure_layer`."""
    try:
        provision(Path(argv[0]))
    except (RehearsalError, ImageError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
