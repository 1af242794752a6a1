"""Enrolment: the control machine takes a new seat's host key, once it knows that it is the seat's.

Either a person compares the fingerprint with the one on the seat's screen, or the seat proves with
the one-time token of its card that the key is its own: its proof is an HMAC (RFC 2104) of its name
and its host key under the token, so whoever stands in between would have to know the token.
"""

from __future__ import annotations

import base64
import contextlib
import fcntl
import hashlib
import hmac
import os
import pwd
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from seatwright.image.errors import ImageError
from seatwright.image.onseat.files import PROGRAM
from seatwright.whole import write_whole

PROOF = "/var/lib/seatwright-image/proof"
TIMEOUT = 10


@dataclass(frozen=True, slots=True)
class HostKey:
    """A host key as known_hosts has it: kind and key (base64)."""

    kind: str
    key: str

    @property
    def fingerprint(self) -> str:
        """As ssh and the seat's screen show it."""
        digest = hashlib.sha256(base64.b64decode(self.key)).digest()
        return f"SHA256:{base64.b64encode(digest).decode().rstrip('=')}"

    @property
    def line(self) -> str:
        """Kind and key."""
        return f"{self.kind} {self.key}"


@dataclass(frozen=True, slots=True)
class Way:
    """How the seat is reached: where, as whom, and further words for ssh."""

    address: str
    user: str
    options: tuple[str, ...] = ()
    port: int = 22

    @property
    def words(self) -> tuple[str, ...]:
        """For ssh: everything but the command."""
        return (*self.options, "-p", str(self.port), "-l", self.user, self.address)

    @property
    def known_as(self) -> str:
        """How known_hosts calls the address (sshd(8))."""
        return self.address if self.port == 22 else f"[{self.address}]:{self.port}"


def token_file(seat: str) -> Path:
    """Where the token of a seat's card is kept until it is used: with the person, sudo or not.

    sudo does not pass on where the person keeps such things, so it may lie in the usual place.
    """
    person = _person()
    home = Path(person.pw_dir) if person else Path.home()
    own = None if person else os.environ.get("XDG_STATE_HOME")
    states = [Path(own)] if own else []
    places = [one / "seatwright/tokens" / seat for one in (*states, home / ".local/state")]
    return next((one for one in places if one.exists()), places[0])


def keep_token(seat: str, token: str) -> None:
    """Remember a token until the seat is enrolled with it; for the person's eyes alone."""
    path, person = token_file(seat), _person()
    made = [path, *(one for one in path.parents if not one.exists())]
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW
    with os.fdopen(os.open(path, flags, 0o600), "w") as file:
        file.write(f"{token}\n")
    if person:
        for one in made:
            os.chown(one, person.pw_uid, person.pw_gid)


def _person() -> pwd.struct_passwd | None:
    """Who runs this by sudo (sudo(8), SUDO_UID); None where it is not run so."""
    number = os.environ.get("SUDO_UID", "")
    if os.geteuid() != 0 or not number.isdecimal():
        return None
    with contextlib.suppress(KeyError):
        return pwd.getpwuid(int(number))
    return None


def offered_key(way: Way, directory: Path) -> HostKey:
    """The key that whoever answers at the address has, and that the connection then uses.

    Raises :class:`ImageError`.
    """
    done = _ssh(way, directory, "true")
    known = (directory / "known_hosts").read_text() if (directory / "known_hosts").exists() else ""
    if not known:
        raise ImageError(
            f"{way.address} does not answer: {done.stderr.strip()}",
            "Has it started? Where it is under another address now, give that with --address.",
        )
    _, kind, key = known.splitlines()[0].split(" ")[:3]
    return HostKey(kind, key)


def _ssh(way: Way, directory: Path, command: str) -> subprocess.CompletedProcess[str]:
    """Run a command over a connection whose host key is whatever is there, and noted."""
    argv = [
        "ssh", "-F", "none", "-o", f'UserKnownHostsFile="{directory}/known_hosts"',
        "-o", "GlobalKnownHostsFile=/dev/null", "-o", "StrictHostKeyChecking=accept-new",
        "-o", "HostKeyAlgorithms=ssh-ed25519", "-o", "HashKnownHosts=no", "-o", "BatchMode=yes",
        "-o", "ForwardAgent=no", "-o", "LogLevel=ERROR", "-o", f"ConnectTimeout={TIMEOUT}",
        *way.words, "--", command,
    ]  # fmt: skip
    return subprocess.run(argv, capture_output=True, text=True, stdin=subprocess.DEVNULL)


def proved(seat: str, key: HostKey, token: str, proof: str) -> bool:
    """Whether a proof is the one that only the card with this token can make for this key."""
    wanted = hmac.new(token.encode(), f"{seat} {key.line}".encode(), hashlib.sha256).hexdigest()
    return hmac.compare_digest(wanted, proof.strip())


def enrol(
    seat: str, way: Way, known_hosts: Path, fingerprint: str | None, address: str = ""
) -> HostKey | None:
    """Take a seat's host key into ``known_hosts``; None where nothing vouches for it yet.

    ``address`` is the seat's in the site, where it may not be yet. A ``fingerprint`` that a person
    read at the seat vouches for it, else the token of the card. Raises :class:`ImageError` where
    the key is somebody else's.
    """
    with tempfile.TemporaryDirectory(prefix="seatwright-") as scratch:
        directory = Path(scratch)
        key = offered_key(way, directory)
        if fingerprint is not None:
            if not hmac.compare_digest(fingerprint, key.fingerprint):
                raise ImageError(
                    f"{way.address} has the host key {key.fingerprint}, and the seat's is another.",
                    "Somebody else answers at that address: look before you go on.",
                )
        elif not _proved_by_token(seat, way, key, directory):
            return None
    names = [name for name in (seat, address, way.known_as) if name]
    add_known_host(known_hosts, names, key)
    token_file(seat).unlink(missing_ok=True)
    return key


def _proved_by_token(seat: str, way: Way, key: HostKey, directory: Path) -> bool:
    try:
        token = token_file(seat).read_text().strip()
    except FileNotFoundError:
        return False
    proof = _ssh(way, directory, f"cat {PROOF}")
    if proof.returncode != 0:
        raise ImageError(f"{way.address} shows no proof: {proof.stderr.strip()}", NO_PROOF)
    if not proved(seat, key, token, proof.stdout):
        raise ImageError(f"{way.address} does not prove that it is {seat}.", NO_PROOF)
    return True


NO_PROOF = (
    "Its card was made on another machine or for another seat, or somebody else answers. Compare "
    "the fingerprint on the seat's screen, and give it with --fingerprint."
)


def tell(way: Way, seat: str, known_hosts: Path) -> None:
    """Tell a waiting seat, whose key is known, which it is. Raises :class:`ImageError`."""
    argv = [
        "ssh", "-F", "none", "-o", f'UserKnownHostsFile="{known_hosts}"', "-o", "BatchMode=yes",
        "-o", "StrictHostKeyChecking=yes", "-o", f"ConnectTimeout={TIMEOUT}",
        *way.words, "--", f"sudo /{PROGRAM} tell {seat}",
    ]  # fmt: skip
    done = subprocess.run(argv, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    if done.returncode != 0:
        raise ImageError(f"{way.address}: {done.stderr.strip()}")


def add_known_host(path: Path, names: Sequence[str], key: HostKey) -> None:
    """Let a seat have this key, and no other, under its name and addresses."""
    names = list(dict.fromkeys(names))
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.with_name(f".{path.name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        old = path.read_text().splitlines() if path.exists() else []
        kept = [line for line in old if not set(line.split(" ")[0].split(",")) & set(names)]
        lines = [*kept, f"{','.join(names)} {key.line}"]
        write_whole(path, "".join(f"{line}\n" for line in lines).encode())
