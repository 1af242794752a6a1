"""A libvirtd with the QEMU driver; TLS material of a site is made once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.libvirtd import Daemon, libvirtd
from support.tls import make_certificates


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("tls") / "x509"
    make_certificates(directory)
    return directory


@pytest.fixture(scope="module")
def hypervisor(tmp_path_factory: pytest.TempPathFactory, certificates: Path) -> Iterator[Daemon]:
    """Shared by the tests of a file; each has guests of its own names."""
    settings = f'spice_tls = 1\nspice_tls_x509_cert_dir = "{certificates}"\n'
    with libvirtd(tmp_path_factory.mktemp("libvirt"), "qemu", settings) as daemon:
        yield daemon
