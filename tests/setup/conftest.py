"""What several of the tests under `machine` look at: a shop's whole installation, made once."""

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

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
