"""The way from a rendered site to a model's image, step by step; each step keeps what it made."""

from __future__ import annotations

import errno
import hashlib
import json
import subprocess
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from seatwright.image.base import Say, base_place, ensure, ensure_base
from seatwright.image.blockmap import digests_of_parts, map_image, to_xml
from seatwright.image.board import (
    Board,
    board_base,
    board_disk,
    loader_blocks,
    put_together,
    read_board,
)
from seatwright.image.disk import (
    STATE_LABEL,
    DiskIds,
    Span,
    assemble,
    copy_span,
    lay_out,
    make_boot,
    mapped_ext4,
    mapped_fat,
)
from seatwright.image.errors import ImageError
from seatwright.image.filesystem import FULL, FileSystem, check_ext4, debugfs, make_ext4
from seatwright.image.layer import LayerSpec, ensure_layer, layer_place
from seatwright.image.manifest import bill_of_materials, digest_of, manifest, sign
from seatwright.image.onseat.files import PLACE
from seatwright.image.recipe import KERNELS, Recipe, recipe_of
from seatwright.image.snapshot import Snapshot, read_snapshot, snapshot_file
from seatwright.image.table import RECORDS, Table, check_rendered, listing, make_table
from seatwright.image.target import check_target, only_one
from seatwright.image.unused import forget_unused
from seatwright.plan import Plan, PlannedModel, PlannedSeat, to_json
from seatwright.rehearsal.base import locked
from seatwright.rehearsal.errors import RehearsalError, need_programs, need_root
from seatwright.render.swap import exchange, remove, sibling

PROGRAMS = {
    "mmdebstrap": "mmdebstrap",
    "mke2fs": "e2fsprogs",
    "debugfs": "e2fsprogs",
    "sfdisk": "fdisk",
    "mkfs.vfat": "dosfstools",
    "mcopy": "mtools",
    "unshare": "util-linux",
    "ssh-keygen": "openssh-client",
}
"""What is needed on this machine, and Debian's package for each."""


@dataclass(frozen=True, slots=True)
class Order:
    """What is wanted. ``site`` is the site's folder, ``rendered`` below it; ``target`` is the
    directory that will hold the image; ``access_key`` an ssh public key's line, or nothing."""

    plan: Plan
    model: str
    repository: Path
    site: Path
    target: Path
    cache: Path
    access_key: str = ""
    signing_key: Path | None = None
    renew: bool = False
    variables: Mapping[str, object] = field(default_factory=dict)
    arguments: str = ""

    @property
    def rendered(self) -> Path:
        """The site's rendered directory."""
        return self.site / "rendered"

    @property
    def of(self) -> PlannedModel:
        """The model."""
        return self.plan.models[self.model]

    @property
    def seats(self) -> list[PlannedSeat]:
        """The model's seats, in the order of the site."""
        return [seat for seat in self.plan.seats.values() if seat.model == self.model]


def build(order: Order, say: Say) -> Path:
    """Make the image; returns the directory that holds it. Raises :class:`ImageError`.

    Whatever ends it, the last image stays until the new one is whole.
    """
    with _explained():
        _check(order)
        board = _board(order)
        with listing(order.repository, order.rendered, order.seats, order.variables) as trees:
            base, snapshot, ids = _unpacked(order, board, say) if board else _base(order, say)
            say("Asking the roles what each seat is told.")
            table = make_table(trees(), order.model, order.seats, base)
        spec = _layer_spec(order, base, snapshot, table, ids)
        if not layer_place(spec, order.cache).is_dir():
            say("Provisioning with clients.yml.")
        layer = ensure_layer(spec, order.cache)
        root = _ensure_root(order, base, layer, snapshot, board, say)
        say("Putting the image together.")
        with _staged(order) as staged:
            digests = _compose(order, staged, Made(base, root, snapshot, ids, board), table)
            _describe(order, staged, Inputs(base, layer, table, snapshot), digests)
            hold_against_last(order.target, staged, say)
        forget_unused(order.cache)
        return order.target


@contextmanager
def _staged(order: Order) -> Iterator[Path]:
    """A directory beside the target, which takes its place once all is in it."""
    staged = sibling(order.target)
    with only_one(order.target, order.cache):
        remove(staged)
        staged.mkdir(parents=True)
        try:
            yield staged
            (staged / ".gitignore").write_text("*\n")  # large, and made again at any time
            check_target(order.target, order.model)
            exchange(order.target, staged)
        finally:
            remove(staged)


@contextmanager
def _explained() -> Iterator[None]:
    """Every way to fail as one kind of error."""
    try:
        yield
    except RehearsalError as error:
        raise ImageError(str(error), error.hint, missing="needs root" in str(error)) from None
    except OSError as error:
        hint = FULL if error.errno in (errno.ENOSPC, errno.EDQUOT) else ""
        raise ImageError(f"{error.filename or 'the image'}: {error.strerror}", hint) from None


def _check(order: Order) -> None:
    """Refuse what cannot be built before anything is made."""
    need_root("Making an image")
    need_programs(PROGRAMS)
    if order.of.arch not in KERNELS:
        known = " and ".join(sorted(KERNELS))
        raise ImageError(f"Images are made for {known}, and {order.model} is {order.of.arch}.")
    check_target(order.target, order.model)
    if not order.seats:
        raise ImageError(f"No seat of the site is a {order.model}, so nobody needs its image.")
    check_rendered(order.rendered, order.plan)


def _board(order: Order) -> Board | None:
    """The image file to begin with, where the model names one."""
    file, sha256 = order.of.image.file, order.of.image.sha256
    if file is None or sha256 is None:
        return None
    if order.of.image.read_only:
        raise ImageError(
            f"{order.model}: an image file of its own cannot be read-only.",
            "Its boot partition says how its root is mounted; leave read-only out.",
        )
    return read_board(order.site / file, sha256, order.of.arch)


def _unpacked(order: Order, board: Board, say: Say) -> tuple[Path, Snapshot, DiskIds]:
    """The board's own root with what a seat needs, and its list of packages."""
    pulls = order.plan.settings.pull is not None
    origin = board_base(board, order.of.image.packages, pulls)
    file = snapshot_file(order.site, board.name)
    recorded = None if order.renew else read_snapshot(file, board.name)
    say("Unpacking the image file.")
    base, snapshot = ensure(origin, recorded, order.cache, say)
    if recorded is None:
        _record(file, snapshot, say)
    return base, snapshot, board.ids


def _base(order: Order, say: Say) -> tuple[Path, Snapshot, DiskIds]:
    """The base and its list of packages, which is recorded where there is none."""
    wanted = recipe_of(order.plan, order.model, order.of.arch)
    file = snapshot_file(order.site, wanted.name)
    recorded = None if order.renew else read_snapshot(file, wanted.name)
    missing = sorted(set(wanted.packages) - set(recorded.versions)) if recorded else []
    if missing:
        raise ImageError(
            f"{file} does not have {', '.join(missing)}, which the image needs now.",
            "Build with --renew to record a new list.",
        )
    if recorded is None:
        say("Making the base, recording its packages.")
    elif not base_place(wanted, recorded, order.cache).is_dir():
        say(f"Making the base with its packages as recorded on {recorded.recorded:%Y-%m-%d}.")
    base, snapshot = ensure_base(wanted, recorded, order.cache, say)
    if recorded is None:
        _record(file, snapshot, say)
    return base, snapshot, disk_ids(wanted)


def _record(file: Path, snapshot: Snapshot, say: Say) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    beside = sibling(file)
    beside.write_text(snapshot.text())
    beside.replace(file)
    say(f"{file}: recorded; commit it.")


def disk_ids(wanted: Recipe) -> DiskIds:
    """The disk's id: the same for every image of a suite and architecture."""
    return DiskIds(hashlib.sha256(f"seatwright {wanted.name}".encode()).hexdigest()[:8])


def _layer_spec(
    order: Order, base: Path, snapshot: Snapshot, table: Table, ids: DiskIds
) -> LayerSpec:
    return LayerSpec(
        base=base,
        repository=order.repository,
        place=order.rendered,
        seat=order.seats[0].name,
        access_key=order.access_key,
        epoch=snapshot.epoch,
        boot_id=ids.partition(1),
        root_id=ids.partition(2),
        table=table.text,
        shared=table.shared,
        variables=dict(order.variables),
    )


def _file_system(name: str, snapshot: Snapshot, board: Board | None) -> FileSystem:
    """Ids made of what is in it; as UUIDs of version 8 (RFC 9562, 5.8). A board's root keeps its
    own: its boot partition may name the root by them."""
    if board:
        return FileSystem(board.root_uuid, board.root_label, snapshot.epoch)
    digits = hashlib.sha256(name.encode()).hexdigest()
    uuid = f"{digits[:8]}-{digits[8:12]}-8{digits[13:16]}-8{digits[17:20]}-{digits[20:32]}"
    return FileSystem(uuid, "seat-root", snapshot.epoch)


def _ensure_root(
    order: Order, base: Path, layer: Path, snapshot: Snapshot, board: Board | None, say: Say
) -> Path:
    """The root file system without a table, kept for the next image that has the same."""
    roots = order.cache / "images" / "filesystems"
    roots.mkdir(parents=True, exist_ok=True)
    place = roots / f"{base.name}-{layer.name}.ext4"
    with locked(roots / f".{place.name}.lock"):
        if not place.exists():
            say("Making the root file system.")
            unfinished = sibling(place)
            unfinished.unlink(missing_ok=True)
            try:
                this = _file_system(place.stem, snapshot, board)
                make_ext4((layer, base), unfinished, this)
                check_ext4(unfinished)
                unfinished.rename(place)
            finally:
                unfinished.unlink(missing_ok=True)
    return place


@dataclass(frozen=True, slots=True)
class Made:
    """What has been made so far: the base, the root file system without a table."""

    base: Path
    root: Path
    snapshot: Snapshot
    ids: DiskIds
    board: Board | None


@dataclass(frozen=True, slots=True)
class Digests:
    """SHA-256 of the whole image and of each of its parts."""

    whole: str
    parts: Mapping[str, str]


def _compose(order: Order, staged: Path, made: Made, table: Table) -> Digests:
    """The image of boot partition and root, the table in its root, and its block map."""
    this = _file_system(made.root.stem, made.snapshot, made.board)
    image, boot = staged / f"{order.model}.img", staged / "boot.part"
    parts = {"boot": boot, "root": made.root}
    if made.board:
        copy_span(made.board.file, made.board.boot, boot)
        disk = board_disk(made.board, made.root.stat().st_size)
        put_together(made.board, image, disk, parts)
    else:
        _make_boot(order, boot, made)
        disk = lay_out(made.root.stat().st_size, order.of.image.read_only)
        if disk.state is not None:
            parts["state"] = staged / "state.part"
            _empty_state(parts["state"], disk.state.size, this)
        assemble(image, disk, made.ids, parts)
    _put_table(image, disk.root, table, this)
    used = {"boot": mapped_fat(boot), "root": mapped_ext4(image, disk.root)}
    if disk.state is not None:
        used["state"] = mapped_ext4(image, disk.state)
    loader = loader_blocks(made.board) if made.board else (0, 0)
    for part in staged.glob("*.part"):
        part.unlink()
    with ThreadPoolExecutor(1) as beside:
        whole = beside.submit(digest_of, image)
        blocks = map_image(image, disk, used, loader)
    (staged / f"{order.model}.bmap").write_bytes(to_xml(blocks))
    return Digests(whole.result(), digests_of_parts(blocks, disk))


def _make_boot(order: Order, boot: Path, made: Made) -> None:
    """The boot partition of a base of our own."""
    arguments = f"root=PARTUUID={made.ids.partition(2)} ro quiet {order.arguments}".strip()
    if order.of.image.read_only:
        state = f"/dev/disk/by-partuuid/{made.ids.partition(3)}"
        arguments += f" overlayroot=device:dev={state},recurse=0"
    make_boot(boot, made.base, order.of.arch, arguments, made.ids, made.snapshot.epoch)


def _put_table(image: Path, root: Span, table: Table, this: FileSystem) -> None:
    """Write the table into the root file system of an image."""
    text = image.with_name("table.text")
    text.write_text(table.text, encoding="utf-8")
    inside = f"/{PLACE}/table.json"
    fields = {"mode": "0100644", "uid": "0", "gid": "0"}
    times = {name: f"@{this.epoch}" for name in ("mtime", "ctime", "atime", "crtime")}
    lines = [f"write {text} {inside}"]
    changed = {**fields, **times}.items()
    lines += [f"set_inode_field {inside} {name} {value}" for name, value in changed]
    lines += [f"set_inode_field /{PLACE} {name} {value}" for name, value in times.items()]
    debugfs(image, lines, this, root.start)
    text.unlink()


def _empty_state(part: Path, size: int, this: FileSystem) -> None:
    """An empty file system for what changes on a seat whose root is not written."""
    with part.open("wb") as file:
        file.truncate(size)
    options = f"hash_seed={this.uuid},root_owner=0:0,nodiscard"
    argv = ["mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096", "-L", STATE_LABEL, "-E", options]
    uuid = f"{this.uuid[:-1]}{int(this.uuid[-1], 16) ^ 1:x}"
    done = subprocess.run([*argv, "-U", uuid, str(part)], env=this.environment, capture_output=True)
    if done.returncode != 0:
        raise ImageError("The file system for changes cannot be made.", FULL)


@dataclass(frozen=True, slots=True)
class Inputs:
    """What went in."""

    base: Path
    layer: Path
    table: Table
    snapshot: Snapshot


def _describe(order: Order, staged: Path, inputs: Inputs, digests: Digests) -> None:
    """Manifest, bill of materials, digest and signature beside the image."""
    image = staged / f"{order.model}.img"
    (staged / f"{order.model}.img.sha256").write_text(f"{digests.whole}  {image.name}\n")
    (staged / "table.json").write_text(inputs.table.text, encoding="utf-8")
    bill = staged / f"{order.model}.spdx.json"
    bill.write_bytes(bill_of_materials(order.model, order.of.arch, digests.whole, inputs.snapshot))
    files = {
        one.name: digest_of(one) for one in staged.iterdir() if one.suffix in (".bmap", ".json")
    }
    described = staged / "manifest.json"
    described.write_bytes(
        manifest(
            (order.model, order.of.arch, [seat.name for seat in order.seats]),
            inputs.snapshot,
            installed=_installed(inputs.layer),
            inputs={
                "plan": hashlib.sha256(to_json(order.plan)).hexdigest(),
                "base": inputs.base.name,
                "layer": inputs.layer.name,
                "table": hashlib.sha256(inputs.table.text.encode()).hexdigest(),
                "roles": _manifest_digest(order.repository / "roles"),
            },
            tools=_tools(),
            parts=digests.parts,
            files={**files, image.name: digests.whole},
        )
    )
    if order.signing_key:
        sign(described, order.signing_key)


def hold_against_last(target: Path, staged: Path, say: Say) -> None:
    """Say whether a new image is the one in ``target`` again, and if not, why."""
    try:
        lines = differences(target, staged)
    except (OSError, ValueError, KeyError):  # there is none, or one of an older format
        return
    if not any(line.startswith("files:") for line in lines):
        say("It is bit for bit the image that was there.")
        return
    explained = any(line.startswith(("inputs:", "packages:", "tools:")) for line in lines)
    but = "" if explained else ", though all that went in is"
    say(f"It is not the image that was there{but}:\n" + "\n".join(f"  {one}" for one in lines))


def _tools() -> dict[str, str]:
    """Versions of this machine's packages that an image is made with: its bytes are theirs, too."""
    argv = ["dpkg-query", "-W", "-f", "${Package} ${Version}\n", *sorted(set(PROGRAMS.values()))]
    listed = subprocess.run(argv, capture_output=True, text=True).stdout
    return dict(line.split(" ", 1) for line in listed.splitlines())


def _installed(layer: Path) -> dict[str, str]:
    """Digests of the files that every seat of the image has alike, by path."""
    records = sorted((layer / RECORDS).glob("*.json"))
    lists = [json.loads(path.read_text())["files"] for path in records]
    return {one["path"]: one["sha256"] for files in lists for one in files}


def _manifest_digest(directory: Path) -> str:
    return hashlib.sha256((directory / "manifest.json").read_bytes()).hexdigest()


def differences(old: Path, new: Path) -> list[str]:
    """Why two images of one model are not alike: what of their manifests differs, a line each."""
    before, after = (json.loads((one / "manifest.json").read_text()) for one in (old, new))
    lines = []
    for part in ("inputs", "packages", "tools", "parts", "files"):
        for name in sorted({*before[part], *after[part]}):
            first, second = before[part].get(name, "none"), after[part].get(name, "none")
            if first != second:
                lines.append(f"{part}: {name}: {first} before, {second} now")
    return lines
