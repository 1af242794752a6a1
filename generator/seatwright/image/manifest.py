"""What went into an image, for people, for other programs, and for whoever has to trust it."""

from __future__ import annotations

import hashlib
import json
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from urllib.parse import quote

from seatwright import __version__
from seatwright.image.errors import ImageError
from seatwright.image.snapshot import STAMP, Snapshot

FORMAT = 2
NAMESPACE = "seatwright-image"
"""What a signature of an image is for, as ssh-keygen has it (-n): no other is taken for one."""


def digest_of(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def manifest(
    what: tuple[str, str, Sequence[str]],
    snapshot: Snapshot,
    *,
    installed: Mapping[str, str],
    inputs: Mapping[str, str],
    tools: Mapping[str, str],
    parts: Mapping[str, str],
    files: Mapping[str, str],
) -> bytes:
    """The manifest as JSON: ``what`` it is (model, processor, seats), digests of what went in, of
    the image's parts and of what came out, every package, and what it was made with."""
    model, arch, seats = what
    document = {
        "format": FORMAT,
        "program": __version__,
        "model": model,
        "arch": arch,
        "seats": list(seats),
        "recorded": snapshot.recorded.strftime(STAMP),
        "inputs": dict(inputs),
        "tools": dict(sorted(tools.items())),
        "parts": dict(parts),
        "files": dict(sorted(files.items())),
        "installed": dict(sorted(installed.items())),
        "packages": dict(sorted(snapshot.versions.items())),
    }
    return (json.dumps(document, indent=1) + "\n").encode()


def bill_of_materials(model: str, arch: str, digest: str, snapshot: Snapshot) -> bytes:
    """Every package as SPDX 2.3 (JSON; https://spdx.github.io/spdx-spec/v2.3/)."""
    root = "SPDXRef-Image"
    packages = [
        {
            "SPDXID": root,
            "name": f"{model} image",
            "versionInfo": digest[:16],
            "downloadLocation": "NOASSERTION",
            "filesAnalyzed": False,
            "checksums": [{"algorithm": "SHA256", "checksumValue": digest}],
        }
    ]
    versions = sorted(snapshot.versions.items())
    packages += [_package(name, version, arch) for name, version in versions]
    document = {
        "spdxVersion": "SPDX-2.3",
        "dataLicense": "CC0-1.0",
        "SPDXID": "SPDXRef-DOCUMENT",
        "name": f"{model}-image",
        "documentNamespace": f"urn:sha256:{digest}",
        "creationInfo": {
            "created": snapshot.recorded.strftime(STAMP),
            "creators": [f"Tool: seatwright-{__version__}"],
        },
        "documentDescribes": [root],
        "packages": packages,
        "relationships": [
            {
                "spdxElementId": root,
                "relationshipType": "CONTAINS",
                "relatedSpdxElement": one["SPDXID"],
            }
            for one in packages[1:]
        ],
    }
    return (json.dumps(document, indent=1) + "\n").encode()


def _package(name: str, version: str, arch: str) -> dict[str, object]:
    plain = name.replace("+", "plus")
    locator = f"pkg:deb/debian/{quote(name)}@{quote(version, safe='~')}?arch={arch}"
    return {
        "SPDXID": f"SPDXRef-Package-{plain}",
        "name": name,
        "versionInfo": version,
        "supplier": "Organization: Debian",
        "downloadLocation": "NOASSERTION",
        "filesAnalyzed": False,
        "externalRefs": [
            {
                "referenceCategory": "PACKAGE-MANAGER",
                "referenceType": "purl",
                "referenceLocator": locator,
            }
        ],
    }


def sign(path: Path, key: Path) -> Path:
    """Sign a file with an ssh key; the signature lies beside it, as ``<name>.sig``.

    Raises :class:`ImageError`.
    """
    signature = path.with_name(f"{path.name}.sig")
    signature.unlink(missing_ok=True)
    argv = ["ssh-keygen", "-Y", "sign", "-q", "-n", NAMESPACE, "-f", str(key), str(path)]
    done = subprocess.run(argv, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    if done.returncode != 0:
        raise ImageError(
            f"{key}: the image cannot be signed with it: {done.stderr.strip()}",
            "Give an ssh private key that needs no password here, or whose agent runs.",
        )
    return signature


def verify(path: Path, signers: Path) -> str:
    """Who signed a file; ``signers`` is a list of allowed signers (ssh-keygen(1)).

    Raises :class:`ImageError` where it is not signed by one of them.
    """
    signature = path.with_name(f"{path.name}.sig")
    if not signature.exists():
        raise ImageError(f"{path} is not signed.", "Build it with --key, or leave --signers out.")
    find = ["ssh-keygen", "-Y", "find-principals", "-s", str(signature), "-f", str(signers)]
    found = subprocess.run(find, capture_output=True, text=True)
    who = found.stdout.split("\n")[0].split(",")[0]
    check = ["ssh-keygen", "-Y", "verify", "-n", NAMESPACE, "-I", who]
    check += ["-s", str(signature), "-f", str(signers)]
    with path.open("rb") as file:
        done = subprocess.run(check, stdin=file, capture_output=True, text=True)
    if found.returncode != 0 or done.returncode != 0:
        raise ImageError(
            f"{path}: its signature is not that of one of {signers}.",
            "Do not write this image to a card; find out where it comes from.",
        )
    return who
