"""What an image has besides what the roles put there: units of its first boot, its network."""

from __future__ import annotations

from pathlib import Path

PLACE = "usr/lib/seatwright-image"
PROGRAM = f"{PLACE}/seat-identity"
UNITS = "etc/systemd/system"

HOST_KEYS = f"""\
# Host keys of this machine's own, before anybody can come in.
[Unit]
Description=Host keys of this seat
DefaultDependencies=no
After=local-fs.target systemd-remount-fs.service
Before=ssh.service ssh.socket
Conflicts=shutdown.target

[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart=/{PROGRAM} keys

[Install]
WantedBy=ssh.service
"""

GROW = f"""\
# The root takes the whole card.
[Unit]
Description=Root over the whole card
After=local-fs.target

[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart=/{PROGRAM} grow

[Install]
WantedBy=multi-user.target
"""

IDENTITY = f"""\
# Which seat this is, at its first boot; until it is known no session starts.
[Unit]
Description=Identity of this seat
After=local-fs.target systemd-udevd.service seatwright-hostkeys.service
Before=seatwright-session.service
ConditionPathExists=!/var/lib/seatwright-image/seat

[Service]
Type=oneshot
RemainAfterExit=yes
ExecStart=/{PROGRAM} identity
TimeoutStartSec=infinity
StandardOutput=journal+console

[Install]
RequiredBy=seatwright-session.service
WantedBy=multi-user.target
"""

NETWORK = """\
# A seat's network is a cable.
[Match]
Type=ether

[Network]
DHCP=yes
"""

TABLE_OF_MOUNTS = """\
PARTUUID={root} / ext4 errors=remount-ro,noatime 0 1
PARTUUID={boot} /boot/efi vfat ro,umask=0077,nofail 0 2
"""
"""fstab(5), with the partitions' ids."""

BOUND = "/boot/efi {place} none bind,nofail,x-systemd.requires-mounts-for=/boot/efi 0 0\n"
"""Where a board's own system has its boot partition, besides."""


def table_of_mounts(own: str, boot: str, partition: str) -> str:
    """The table, with what a board's ``own`` has besides root and boot partition."""
    lines = [TABLE_OF_MOUNTS.format(boot=boot, root=partition)]
    for line in own.splitlines():
        fields = line.split()
        if len(fields) < 4 or line.startswith("#") or fields[1] in ("/", "/boot", "/boot/efi"):
            continue
        of_boot = fields[1].startswith("/boot/")
        lines.append(BOUND.format(place=fields[1]) if of_boot else f"{line}\n")
    return "".join(lines)


ENABLED = {
    "seatwright-hostkeys.service": ("ssh.service.wants",),
    "seatwright-grow.service": ("multi-user.target.wants",),
    "seatwright-identity.service": (
        "seatwright-session.service.requires",
        "multi-user.target.wants",
    ),
    "/lib/systemd/system/systemd-networkd.service": ("multi-user.target.wants",),
}
"""What "systemctl enable" would link, and where."""


LEFT_OUT = ("multi-user.target.wants/e2scrub_reap.service", "timers.target.wants/e2scrub_all.timer")
"""What Debian enables for volumes that no seat has; at a boot it costs as much as the session."""


def put_files(root: Path, boot: str, partition: str) -> None:
    """Write all of it below ``root``; the two are PARTUUIDs of the boot partition and the root."""
    program = Path(__file__).with_name("seat_identity.py").read_text(encoding="utf-8")
    put(root / PROGRAM, program, 0o755)
    for name, text in (("hostkeys", HOST_KEYS), ("grow", GROW), ("identity", IDENTITY)):
        put(root / UNITS / f"seatwright-{name}.service", text)
    put(root / "etc/systemd/network/50-seatwright.network", NETWORK)
    table = root / "etc/fstab"
    own = table.read_text(encoding="utf-8") if table.exists() else ""
    put(table, table_of_mounts(own, boot, partition))
    (root / "boot/efi").mkdir(parents=True, exist_ok=True)
    for unwanted in LEFT_OUT:
        (root / UNITS / unwanted).unlink(missing_ok=True)
    for unit, places in ENABLED.items():
        target = unit if unit.startswith("/") else f"/{UNITS}/{unit}"
        for place in places:
            link = root / UNITS / place / Path(unit).name
            link.parent.mkdir(parents=True, exist_ok=True)
            link.unlink(missing_ok=True)
            link.symlink_to(target)


def put(path: Path, text: str, mode: int = 0o644) -> None:
    """One file with its mode."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
