"""The package as a bay's computer gets it: built, installed with the bay's locked packages alone, and used."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.setup.locks import BAY_LOCK, ROOT

pytestmark = pytest.mark.machine  # fetches packages: minutes

SAMPLE = "Engine speed (rpm);Torque (Nm)\n" + "".join(
    f"{rpm};{200 + (rpm % 700) / 10:.1f}\n" for rpm in range(1500, 6000, 50)
)


def ran(*words: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(word) for word in words], cwd=cwd, capture_output=True, text=True, timeout=600, check=False
    )


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new environment with the wheel and what requirements-bay.lock names, nothing else."""
    folder = tmp_path_factory.mktemp("bay")
    tree = folder / "tree"
    tracked = ran("git", "ls-files", "-z", cwd=ROOT).stdout.split("\0")
    for name in filter(None, tracked):
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, tree / name)
    assert ran(sys.executable, "-m", "venv", folder / "env", cwd=folder).returncode == 0
    pip = (folder / "env/bin/python", "-m", "pip", "--quiet", "--disable-pip-version-check")
    for words in (
        ("install", "--require-hashes", "--only-binary", ":all:", "-r", tree / BAY_LOCK),
        ("install", "--no-deps", tree),
    ):
        done = ran(*pip, *words, cwd=folder)
        assert done.returncode == 0, done.stderr
    return folder


def test_a_bay_learns_a_file_without_any_of_the_servers_packages(installed: Path) -> None:
    (installed / "pull.csv").write_text(SAMPLE)
    said = ran(installed / "env/bin/bayledger", "bay", "learn", "pull.csv", cwd=installed)
    assert said.returncode == 0, said.stderr
    assert "Engine speed (rpm)" in said.stdout
    assert ran(installed / "env/bin/python", "-c", "import psycopg", cwd=installed).returncode != 0


def test_what_needs_the_server_says_what_is_missing_here(installed: Path) -> None:
    said = ran(installed / "env/bin/bayledger", "serve", "--port", 0, cwd=installed)
    assert said.returncode == 1
    assert "pip install 'bayledger[server]'" in said.stderr
    assert "Traceback" not in said.stderr


def test_the_wheel_carries_the_pages_and_the_migrations(installed: Path) -> None:
    (site,) = (installed / "env/lib").glob("python3*/site-packages")
    assert (site / "dashboard/site/index.html").is_file()
    tracked = ran("git", "ls-files", "migrations/sql", cwd=ROOT).stdout.split()
    assert [name for name in tracked if not (site / name).is_file()] == []
