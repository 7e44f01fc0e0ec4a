"""What several of the tests under `machine` look at: a shop's whole installation and a bare Debian, each made once."""

import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.setup.apart import memory
from tests.setup.debian import TOLD, prepare
from tests.setup.installed import Shop, running_shop


@pytest.fixture(scope="session")
def shop() -> Iterator[Shop]:
    """The installation, running; its folder can be entered by users without rights."""
    folder = Path(tempfile.mkdtemp(prefix="shop-"))
    try:
        with running_shop(folder) as running:
            yield running
    finally:
        shutil.rmtree(folder)


@pytest.fixture(scope="session")
def bare_debian() -> Iterator[Path]:
    """A Debian in a folder, to be copied: what every one has and no more, and whom this machine trusts.

    As in Debian's own images a package that is installed starts nothing, and dpkg does not wait for the disk.
    """
    begun = time.monotonic()
    made = [
        "unshare",
        "--mount",
        "mmdebstrap",
        "--mode=root",
        "--variant=minbase",
        "--include=ca-certificates",
    ]
    with memory("debian-") as folder:
        ran = subprocess.run(
            [*made, "--dpkgopt=force-unsafe-io", "trixie", folder],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert ran.returncode == 0, ran.stderr
        for file in ("etc/ssl/certs/ca-certificates.crt", "etc/resolv.conf"):
            shutil.copy(f"/{file}", folder / file)
        starts_nothing = folder / "usr/sbin/policy-rc.d"
        starts_nothing.write_text("#!/bin/sh\nexit 101\n")
        starts_nothing.chmod(0o755)
        print(f"\na bare Debian: {time.monotonic() - begun:.0f} s")
        yield folder


@pytest.fixture(scope="session")
def prepared_debian(bare_debian: Path) -> Iterator[Path]:
    """One in which the ledger can be installed without a network: to be written over, never to."""
    begun = time.monotonic()
    with memory("prepared-") as outer:
        folder = outer / "debian"
        subprocess.run(["cp", "-a", bare_debian, folder], check=True)
        prepare(folder)
        print(f"\na Debian with {TOLD} and our locked packages: {time.monotonic() - begun:.0f} s")
        yield folder
