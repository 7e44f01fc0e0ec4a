"""A bay's folder for the tests of `bayledger bay`, and a table as a machine writes it."""

import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.bay.answering import Answering, answering, kept
from tests.bay.computer import MAPPING, table
from tests.cli.conftest import Ran, Run


@dataclass
class BayCommand:
    """Runs `bayledger bay ...` for a folder of its own."""

    run: Run
    folder: Path
    files: Path

    def __call__(self, *words: object) -> Ran:
        """Run, with the folder named."""
        return self.run("bay", *words, "--bay-dir", self.folder)

    def settings(self, text: str) -> None:
        """Write bay.toml."""
        self.folder.mkdir(exist_ok=True)
        (self.folder / "bay.toml").write_text(text)
        (self.folder / "mapping.toml").write_text(MAPPING)

    def file(self, name: str, seed: int, sidecar: str | None = None) -> Path:
        """A pull unlike any other, and what stands beside it."""
        path = self.files / name
        path.write_text(table(random.Random(seed)))
        if sidecar is not None:
            path.with_name(f"{name}.toml").write_text(sidecar)
        return path


def settings_for(url: str, more: str = "") -> str:
    """A bay.toml that is enough."""
    return f'url = "{url}"\nbay = "north"\ntoken = "t"\nunits = "si"\nmapping = "mapping.toml"\n{more}'


@pytest.fixture
def ledger() -> Iterator[Answering]:
    """A ledger that keeps everything."""
    with answering(kept) as ledger:
        yield ledger


@pytest.fixture
def bay(run: Run, tmp_path: Path, ledger: Answering) -> BayCommand:
    """A bay that posts there."""
    bay = BayCommand(run, tmp_path / "bay", tmp_path)
    bay.settings(settings_for(ledger.url))
    return bay
