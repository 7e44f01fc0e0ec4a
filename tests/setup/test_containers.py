"""The container files keep a shop's installation safe: no default password, no root, loopback only."""

import re
from typing import Any

import pytest
import yaml

from tests.setup.check import ROOT

COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
DOCKERFILE = (ROOT / "Dockerfile").read_text()


def test_no_password_has_a_default() -> None:
    named = re.findall(r"\$\{(BAYLEDGER_\w*PASSWORD)([^}]*)\}", (ROOT / "docker-compose.yml").read_text())
    assert {name for name, _ in named} == {
        "BAYLEDGER_SUPERUSER_PASSWORD",
        "BAYLEDGER_OWNER_PASSWORD",
        "BAYLEDGER_SERVICE_PASSWORD",
    }
    assert all(rest.startswith(":?") for _, rest in named)


def test_the_running_service_knows_only_its_own_password() -> None:
    told = str(COMPOSE["services"]["service"]["environment"])
    assert "SERVICE_PASSWORD" in told
    assert "OWNER" not in told
    assert "SUPERUSER" not in told


def test_only_the_service_is_published_and_only_on_loopback() -> None:
    published = {
        name: service["ports"] for name, service in COMPOSE["services"].items() if "ports" in service
    }
    assert list(published) == ["service"]
    assert all(port.startswith("127.0.0.1:") for port in published["service"])


@pytest.mark.parametrize("name", ["service", "migrate"])
def test_what_we_run_has_no_privileges_and_writes_only_to_its_volume(name: str) -> None:
    service = COMPOSE["services"][name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]


def test_the_service_starts_after_the_migration_and_the_migration_after_the_database() -> None:
    services = COMPOSE["services"]
    assert services["service"]["depends_on"]["migrate"]["condition"] == "service_completed_successfully"
    assert services["migrate"]["depends_on"]["database"]["condition"] == "service_healthy"


def test_the_image_installs_by_hash_and_does_not_run_as_root() -> None:
    installs = re.findall(r"pip install (.*)", DOCKERFILE)
    assert installs
    assert all("--require-hashes" in line for line in installs)
    assert re.findall(r"^USER (\S+)", DOCKERFILE, re.MULTILINE)[-1] == "10001"


def test_everything_the_image_copies_exists_and_is_let_through() -> None:
    copied = [line.split()[1:-1] for line in re.findall(r"^COPY (?!--from).*", DOCKERFILE, re.MULTILINE)]
    let_through = (ROOT / ".dockerignore").read_text().splitlines()
    for name in (name for line in copied for name in line):
        assert (ROOT / name).exists(), name
        assert f"!{name}" in let_through, name
