"""What several of the tests under `machine` look at: a shop's whole installation and a bare Debian, each made once."""

import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.setup.apart import memory
from tests.setup.debian import bare, prepare
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
    """A Debian 13 in a folder, to be copied."""
    with bare("trixie") as folder:
        yield folder


@pytest.fixture(scope="session")
def prepared_debian(bare_debian: Path) -> Iterator[Path]:
    """One in which the ledger can be installed without a network: to be written over, never to."""
    with memory("prepared-") as outer:
        folder = outer / "debian"
        subprocess.run(["cp", "-a", bare_debian, folder], check=True)
        prepare(folder)
        yield folder


@pytest.fixture(scope="module")
def prepared_debian_12() -> Iterator[Path]:
    """The same of the release before."""
    with bare("bookworm") as folder:
        prepare(folder)
        yield folder
