"""The container files keep a shop's installation safe: least rights, no password in sight, one door, and that with TLS."""

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.settings import DEFAULT_PORT
from tests.setup.check import ROOT

COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
SERVICES: dict[str, Any] = COMPOSE["services"]
DOCKERFILE = (ROOT / "Dockerfile").read_text()
OURS = ["migrate", "service", "worker", "dashboard", "backup"]
POSTGRES = ["database", "standby", "archive", "base-backup", "go-back"]
PASSWORDS = {
    "database": {"superuser_password", "owner_password", "service_password", "standby_password"},
    "migrate": {"owner_password"},
    "service": {"service_password"},
    "worker": {"service_password"},
    "dashboard": set(),
    "backup": {"owner_password"},
    "standby": {"standby_password"},
    "archive": {"standby_password"},
    "base-backup": {"standby_password"},
    "go-back": set(),
}


def test_each_container_is_given_the_passwords_it_needs_and_no_other() -> None:
    assert {name: set(service.get("secrets", [])) for name, service in SERVICES.items()} == PASSWORDS


def test_no_password_stands_in_an_environment() -> None:
    for name, service in SERVICES.items():
        for variable, value in service.get("environment", {}).items():
            if "PASSWORD" in variable:
                assert re.fullmatch(r"/run/secrets/\w+", value), (name, variable)
                assert value.removeprefix("/run/secrets/") in PASSWORDS[name]
            assert not re.search(r"://\w+:", str(value)), (name, variable)


@pytest.mark.parametrize("name", ["service", "worker"])
def test_what_serves_connects_as_the_role_with_the_least_rights(name: str) -> None:
    assert SERVICES[name]["environment"]["BAYLEDGER_DATABASE_URL"].startswith(
        "postgresql://bayledger_service@"
    )


def test_only_the_proxy_is_reached_from_outside() -> None:
    assert [name for name, service in SERVICES.items() if "ports" in service] == ["dashboard"]
    assert [name for name, service in SERVICES.items() if "outside" in service["networks"]] == ["dashboard"]
    assert COMPOSE["networks"]["inside"] == {"internal": True}


@pytest.mark.parametrize("name", [*OURS, *POSTGRES])
def test_every_container_has_no_rights_over_its_machine_and_writes_only_to_its_volumes(name: str) -> None:
    service = SERVICES[name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert "cap_add" not in service
    assert "privileged" not in service
    assert service["security_opt"] == ["no-new-privileges:true"]


@pytest.mark.parametrize("name", POSTGRES)
def test_the_database_does_not_run_as_root(name: str) -> None:
    assert SERVICES[name]["user"] == "postgres"


@pytest.mark.parametrize("target", ["service", "dashboard"])
def test_no_image_of_ours_runs_as_root(target: str) -> None:
    stage = DOCKERFILE.split(f" AS {target}\n")[1].split("\nFROM ")[0]
    (user,) = re.findall(r"^USER (\S+)", stage, re.MULTILINE)
    assert int(user) > 10000
    assert "HEALTHCHECK" in stage


def test_everything_comes_up_in_its_order() -> None:
    awaited = {name: service.get("depends_on", {}) for name, service in SERVICES.items()}
    assert awaited["migrate"]["database"]["condition"] == "service_healthy"
    for name in ("service", "worker"):
        assert awaited[name]["migrate"]["condition"] == "service_completed_successfully"
    assert awaited["dashboard"]["service"]["condition"] == "service_healthy"


def test_a_standby_a_backup_and_an_archive_are_only_started_when_asked_for() -> None:
    assert {name: service["profiles"] for name, service in SERVICES.items() if "profiles" in service} == {
        "standby": ["standby"],
        "backup": ["backup"],
        "archive": ["archive"],
        "base-backup": ["base-backup"],
        "go-back": ["go-back"],
    }


def test_the_worker_alone_estimates() -> None:
    assert SERVICES["worker"]["command"] == ["bayledger", "worker"]
    assert SERVICES["service"]["environment"]["BAYLEDGER_WORKER_ELSEWHERE"] == "yes"


def test_requests_under_way_are_finished_before_a_container_is_killed() -> None:
    from service.cli.web import GRACE_S
    from service.worker.loop import ENDING_S

    assert int(SERVICES["service"]["stop_grace_period"].removesuffix("s")) > GRACE_S
    assert int(SERVICES["worker"]["stop_grace_period"].removesuffix("s")) > ENDING_S


def test_the_example_names_every_variable_that_compose_reads() -> None:
    read = set(re.findall(r"\$\{(\w+)", (ROOT / "docker-compose.yml").read_text()))
    told = set(re.findall(r"^#?(BAYLEDGER_\w+)=", (ROOT / ".env.example").read_text(), re.MULTILINE))
    assert read
    assert told == read


def test_the_readme_takes_every_volume_away_by_its_name_and_what_was_measured_only_at_last() -> None:
    """Compose names a volume by its project (docker compose documentation, "Volumes top-level element")."""
    readme = (ROOT / "README.md").read_text().split("### Taking it away again\n")[1].split("\n## ")[0]
    programs, measured = re.findall(r"^((?:    .*\n)+)", readme.split("\nWith Docker:\n")[1], re.MULTILINE)
    removed = [re.findall(rf"{COMPOSE['name']}_(\w+)", block) for block in (programs, measured)]
    assert removed[0] == ["tls"]
    assert sorted(removed[0] + removed[1]) == sorted(COMPOSE["volumes"])
    (down,) = re.findall(r"docker compose down(.*)", programs)
    assert not {"-v", "--volumes"} & set(down.split())
    assert set(re.findall(r"docker compose run --rm -T (\S+)", programs)) == {"backup"} <= set(SERVICES)


def test_the_proxy_asks_the_service_at_the_port_where_it_listens() -> None:
    assert f"service:{DEFAULT_PORT}" in (ROOT / "service/proxy/nginx.conf").read_text()
    assert f"BAYLEDGER_PORT={DEFAULT_PORT}" in DOCKERFILE


def test_every_package_is_installed_by_hash() -> None:
    script = (ROOT / "service/image/packages.sh").read_text().replace("\\\n", "")
    installs = re.findall(r"pip install (.*)", script)
    assert len(installs) == 2
    assert all("--require-hashes" in line for line in installs)
    assert "pip install" not in DOCKERFILE


def test_everything_the_image_copies_exists_and_is_let_through() -> None:
    copied = [line.split()[1:-1] for line in re.findall(r"^COPY (?!--from).*", DOCKERFILE, re.MULTILINE)]
    let_through = (ROOT / ".dockerignore").read_text().splitlines()
    for name in (name for line in copied for name in line):
        assert (ROOT / name).exists(), name
        assert f"!{name.split('/')[0]}" in let_through, name


def test_what_the_readme_types_names_containers_that_can_do_it() -> None:
    """Where no containers are, its lines are held to what the file says."""
    typed = re.findall(r"docker compose .*", (ROOT / "README.md").read_text())
    told = [
        match
        for line in typed
        for match in re.findall(r"(?:exec|run --rm)(?: -T)? ([\w-]+)(?: (bayledger \w+|psql|cat|sh))?", line)
    ]
    assert {name for name, _ in told} <= {*SERVICES}
    assert {("backup", "bayledger selfcheck"), ("backup", "bayledger restore"), ("database", "psql")} <= {
        *told
    }
    # What looks at everything and makes databases does so as the owner, who sees the backups.
    assert SERVICES["backup"]["environment"]["BAYLEDGER_DATABASE_URL"].startswith(
        "postgresql://bayledger_owner@"
    )
    assert any(volume.endswith(":/backups") for volume in SERVICES["backup"]["volumes"])
    for stopped in re.findall(r"docker compose (?:stop|restart|pull) ([\w ]+)", "\n".join(typed)):
        assert {*stopped.split()} <= {*SERVICES}


@pytest.mark.parametrize("name", POSTGRES)
def test_every_file_that_a_container_is_lent_exists(name: str) -> None:
    lent = [volume.split(":")[0] for volume in SERVICES[name]["volumes"] if volume.startswith("./")]
    assert lent
    assert all((ROOT / file).is_file() for file in lent)


def test_passwords_are_made_once_and_nobody_else_gets_at_them(tmp_path: Path) -> None:
    """The files may be read by all, since containers read them as users of their own; their folder may not be entered."""
    folder = tmp_path / "secrets"
    script = ["sh", str(ROOT / "service/units/secrets.sh"), str(folder)]
    subprocess.run(script, check=True)
    made = {file.name: file.read_text() for file in folder.iterdir()}
    assert set(made) == set(COMPOSE["secrets"])
    assert len({*made.values()}) == len(made)
    assert all(re.fullmatch(r"[0-9a-f]{48}\n", text) for text in made.values())
    assert folder.stat().st_mode & 0o777 == 0o700

    subprocess.run(script, check=True)
    assert {file.name: file.read_text() for file in folder.iterdir()} == made


def test_what_is_secret_is_not_in_version_control() -> None:
    kept_out = (ROOT / ".gitignore").read_text().splitlines()
    assert {".env", "secrets/", "tls/", "backups/", "archive/"} <= set(kept_out)
