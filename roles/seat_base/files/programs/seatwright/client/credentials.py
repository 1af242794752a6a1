"""The guest's password: handed over by systemd, never on a command line or in a file of ours."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path


class CredentialError(Exception):
    """The password cannot be read; the text is one line without the password."""


def read_password(name: str | None, environment: Mapping[str, str] = os.environ) -> str | None:
    """The guest's password from systemd's credential ``name``; None where there is no password.

    One line end at the end is not part of it. Raises CredentialError.
    """
    if name is None:
        return None
    directory = environment.get("CREDENTIALS_DIRECTORY", "")
    if not directory:
        raise CredentialError("systemd handed over no credentials (CREDENTIALS_DIRECTORY)")
    try:
        text = (Path(directory) / name).read_bytes().decode()
    except (OSError, UnicodeDecodeError) as error:
        raise CredentialError(f"credential {name}: {type(error).__name__}") from None
    return text.removesuffix("\n")
