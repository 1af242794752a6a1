"""Ansible's vault, through Ansible's own library: what is written here, Ansible reads."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml


class VaultError(Exception):
    """A vault that cannot be opened: what is wrong, and what to do about it."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.message, self.hint = message, hint


class Vault:
    """Opens and closes vault files with the password of one file or program."""

    def __init__(self, password_file: Path) -> None:
        """``password_file`` as Ansible takes it: a text, or a program that prints it."""
        # Ansible's library takes a third of a second to load: only this verb waits for it.
        from ansible.errors import AnsibleError
        from ansible.parsing.dataloader import DataLoader
        from ansible.parsing.vault import VaultLib, get_file_vault_secret

        try:
            secret = get_file_vault_secret(filename=str(password_file), loader=DataLoader())
            secret.load()
        except AnsibleError as error:
            raise VaultError(
                f"The vault's password cannot be had from {password_file}.",
                f"Ansible says: {error.message}",
            ) from error
        self._library: Any = VaultLib([("default", secret)])
        self._errors = AnsibleError

    def close(self, value: object) -> bytes:
        """A value as YAML, encrypted."""
        text = yaml.safe_dump(value, sort_keys=False, allow_unicode=True)
        closed: bytes = self._library.encrypt(text)
        return closed

    def open(self, path: Path) -> object:
        """The value in a vault file."""
        try:
            return yaml.safe_load(self._library.decrypt(path.read_bytes()))
        except self._errors as error:
            raise VaultError(
                f"{path} cannot be opened with this password.",
                "Take the password it was made with; ansible-vault rekey gives it another one.",
            ) from error
