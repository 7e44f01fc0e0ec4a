"""The systemd units run what docker-compose.yml runs, as users without rights; systemd itself reads them under `machine`."""

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.cli.web import GRACE_S
from service.settings import Settings, variable
from tests.setup.check import ROOT

UNITS = ROOT / "service" / "units"
FOR_ALL = UNITS / "bayledger-.service.d"
HARDENED, TOLD = FOR_ALL / "hardened.conf", FOR_ALL / "told.conf"
SERVICES = sorted(path.stem for path in UNITS.glob("*.service"))
COMPOSE: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]
SAME = {"serve": "service", "worker": "worker", "migrate": "migrate", "backup": "backup"}
ARCHIVE = {"bayledger-archive": "archive", "bayledger-base-backup": "base-backup"}
"""Switched on by hand, for there must be a disk for it."""
THERE = {
    "sh": "/bin/sh",
    "/srv/archive.sh": "/srv/bayledger/service/units/archive.sh",
    "/archive": "/var/backups/bayledger-archive",
}
OTHERS = {"bayledger-certificate": ["root"], **{unit: ["postgres"] for unit in ARCHIVE}}
"""As whom the others run: nginx reads the key as root; the server lets its own user copy it."""
BAY = "bayledger-bay"
TELLER = "bayledger-failed@"
NOT_SHUT_IN = {"bayledger-certificate", TELLER}
"""One makes nginx's key; one starts the machine's mail program, whatever that needs."""
MOST_EXPOSED = 30
"""Of 100, by `systemd-analyze security`, which calls up to 20 safe and up to 40 ok (our choice)."""


def lines_of(path: Path) -> Iterator[tuple[str, str]]:
    """Each setting of a unit file, in order."""
    for line in path.read_text().splitlines():
        if "=" in line and not line.startswith("#"):
            name, _, value = line.partition("=")
            yield name, value


def setting(unit: str, name: str) -> list[str]:
    return [value for key, value in lines_of(UNITS / f"{unit}.service") if key == name]


def environment_of(unit: str) -> dict[str, str]:
    words = " ".join(setting(unit, "Environment")).split()
    return dict(word.split("=", 1) for word in words)


@pytest.mark.parametrize("word", SAME)
def test_a_unit_gives_the_same_command_the_same_settings_as_its_container(word: str) -> None:
    container, unit = COMPOSE[SAME[word]], f"bayledger-{word}"
    command = container.get("command", ["bayledger", "serve"])
    (start,) = setting(unit, "ExecStart")
    assert start.removeprefix("/srv/bayledger/.venv/bin/").split() == [
        one.replace("/backups", "/var/backups/bayledger") for one in command
    ]
    told = environment_of(unit)
    given = {
        name: value.replace("@database/", "@127.0.0.1/")
        for name, value in container["environment"].items()
        if not value.startswith(("${", "/"))
    }
    assert given.items() <= told.items()
    (secret,) = container["secrets"]
    assert setting(unit, "LoadCredential") == [f"database_password:/etc/bayledger/secrets/{secret}"]
    assert told["BAYLEDGER_DATABASE_PASSWORD_FILE"] == "%d/database_password"


@pytest.mark.parametrize("unit", ARCHIVE)
def test_a_unit_of_the_archive_runs_what_its_container_runs(unit: str) -> None:
    (start,) = setting(unit, "ExecStart")
    assert start.split() == [THERE.get(word, word) for word in COMPOSE[ARCHIVE[unit]]["entrypoint"]]


@pytest.mark.parametrize("unit", SERVICES)
def test_every_setting_in_a_unit_is_one(unit: str) -> None:
    known = {variable(name) for name in Settings.__dataclass_fields__}
    assert {name for name in environment_of(unit) if name.startswith("BAYLEDGER_")} <= known


@pytest.mark.parametrize("unit", SERVICES)
def test_no_unit_runs_as_root_but_the_one_that_makes_the_key(unit: str) -> None:
    assert setting(unit, "User") == setting(unit, "Group") == OTHERS.get(unit, ["bayledger"])


@pytest.mark.parametrize("unit", SERVICES)
def test_what_a_unit_says_is_not_said_otherwise_by_what_holds_for_all(unit: str) -> None:
    """systemd reads drop-ins after the unit (systemd.unit(5)), so that theirs would hold."""
    assert {name for name, _ in lines_of(UNITS / f"{unit}.service")} & {
        name for name, _ in lines_of(HARDENED)
    } == set()


@pytest.mark.parametrize("unit", SERVICES)
def test_a_unit_that_ends_takes_no_memory_from_the_database_server(unit: str) -> None:
    """RemoveIPC= takes all shared memory of the unit's user when it ends (systemd.exec(5)), also what a server of that user
    still needs: Debian's, or the one in which a backup is put back."""
    said = {name: value for path in (UNITS / f"{unit}.service", HARDENED) for name, value in lines_of(path)}
    assert said.get("RemoveIPC", "no") == "no"


def test_the_ledger_comes_up_by_itself_where_the_schema_could_not_be_looked_after_at_boot() -> None:
    """A failed start of what is required ends the start, and is no failure that Restart= mends (systemd.unit(5), Requires=);
    what is wanted is started again with each try."""
    assert "bayledger-migrate.service" in setting("bayledger-serve", "Wants")
    assert "Requires" not in {name for unit in SERVICES for name, _ in lines_of(UNITS / f"{unit}.service")}
    for unit in ("bayledger-serve", "bayledger-migrate"):
        assert setting(unit, "StartLimitIntervalSec") == ["0"]
    # A ledger whose wait for the database has a good end starts nothing again: the schema is looked after without it.
    assert setting("bayledger-migrate", "Restart") == ["on-failure"]


def test_the_installer_starts_every_unit_and_timer_but_those_of_the_archive() -> None:
    script = (UNITS / "install.sh").read_text()
    started = set(re.findall(r"bayledger-[\w.]+", " ".join(re.findall(r"systemctl enable (.*)", script))))
    wanted = {path.name for path in UNITS.glob("*.timer") if path.stem not in ARCHIVE}
    wanted |= {unit for unit in SERVICES if setting(unit, "WantedBy") and unit not in ARCHIVE}
    assert started == wanted


def test_of_every_unit_that_fails_somebody_is_told_but_of_the_one_that_tells() -> None:
    """A file of the same name in a unit's own folder stands in the place of the one for all (systemd.unit(5)), as systemd's
    own example has it: else what tells would start itself without end."""
    told = dict(lines_of(TOLD))
    assert told["OnFailure"] == f"{TELLER}%N.service"
    assert told["ExecStopPost"].endswith(f"systemctl start --no-block {TELLER}%N'")
    assert (UNITS / f"{TELLER}.service").exists()
    spared = {path.parent.name for path in UNITS.glob("*.service.d/told.conf")} - {FOR_ALL.name}
    assert spared == {f"{TELLER}.service.d"}
    assert [*lines_of(UNITS / f"{TELLER}.service.d/told.conf")] == []


def test_what_holds_for_the_ledgers_programs_does_not_hold_for_a_bay_and_the_mail_program() -> None:
    """A bay's unit on the ledger's machine has a name like the ledger's; its program lies in a home."""
    spared = {path.parent.name: [*lines_of(path)] for path in UNITS.glob("*.service.d/hardened.conf")}
    assert set(spared) == {FOR_ALL.name, f"{TELLER}.service.d", f"{BAY}.service.d"}
    assert spared[f"{BAY}.service.d"] == []
    # Under these systemd sets NoNewPrivileges= (systemd.exec(5)), with which mail programs cannot become who they must be.
    brings = (
        "NoNewPrivileges",
        "Restrict",
        "SystemCall",
        "PrivateDevices",
        "LockPersonality",
        "MemoryDeny",
        "ProtectKernel",
    )
    assert [name for name, _ in spared[f"{TELLER}.service.d"] if name.startswith(brings)] == []


def test_who_stops_the_service_waits_for_the_longest_statement_and_kills_nothing_under_way() -> None:
    roles = (ROOT / "migrations" / "roles.sql").read_text()
    longest = re.search(r"SET statement_timeout = '(\d+)s'", roles)
    assert longest is not None
    (patience,) = setting("bayledger-serve", "TimeoutStopSec")
    assert int(longest[1]) <= GRACE_S < int(patience)


@pytest.mark.parametrize(
    ("unit", "days"), [("backup", "*-*-*"), ("selfcheck", "*-*-*"), ("base-backup", "Sun *-*-*")]
)
def test_a_timer_comes_as_often_as_is_said_and_is_made_up_for_where_the_machine_was_off(
    unit: str, days: str
) -> None:
    """README: a backup each night, a self-check each morning, a copy each week (systemd.time(7), Calendar Events)."""
    said = dict(lines_of(UNITS / f"bayledger-{unit}.timer"))
    day, _, time = said["OnCalendar"].rpartition(" ")
    assert (day, said["Persistent"]) == (days, "yes")
    assert re.fullmatch(r"\d\d:\d\d", time)


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The units as systemd finds them, with programs where they name them."""
    folder = tmp_path_factory.mktemp("units")
    for path in UNITS.glob("bayledger-*"):
        if path.is_file():
            text = path.read_text().replace("/srv/bayledger/.venv/bin/bayledger", "/bin/true")
            (folder / path.name).write_text(text)
    for drop_ins in UNITS.glob("*.service.d"):
        shutil.copytree(drop_ins, folder / drop_ins.name)
    bay = (ROOT / "service/bay/bayledger-bay.service").read_text()
    for place, word in (
        ("@USER@", "bay"),
        ("@PROGRAM@", "/bin/true"),
        ("@WORD@", "watch"),
        ("@FOLDER@", "/srv/bay"),
    ):
        bay = bay.replace(place, word)
    # A bay's computer has no drop-ins of the server's.
    (folder / "alone").mkdir()
    (folder / "alone" / f"{BAY}.service").write_text(bay)
    return folder


def analysed(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """What systemd-analyze says, with these units before the machine's own."""
    return subprocess.run(
        ["systemd-analyze", *words],
        env={"SYSTEMD_UNIT_PATH": f"{folder}:", "PATH": "/usr/bin:/bin", "LC_ALL": "C"},
        capture_output=True,
        text=True,
        check=False,
    )


def places(folder: Path) -> list[Path]:
    return [*folder.glob("*.service"), *folder.glob("*.timer"), *folder.glob("alone/*.service")]


@pytest.mark.machine
def test_systemd_understands_every_line_of_every_unit(installed: Path) -> None:
    assert len(places(installed)) == len(SERVICES) + len([*UNITS.glob("*.timer")]) + 1
    for unit in places(installed):
        said = analysed(unit.parent, "verify", "--man=no", "--recursive-errors=no", str(unit))
        assert (said.returncode, said.stderr) == (0, ""), unit.name


@pytest.mark.machine
def test_systemd_finds_a_line_that_is_wrong(installed: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "bayledger-worker.service"
    wrong.write_text((installed / "bayledger-worker.service").read_text().replace("Restart=", "Restrat="))
    assert "Restrat" in analysed(tmp_path, "verify", "--man=no", str(wrong)).stderr


@pytest.mark.machine
def test_systemd_calls_every_service_well_shut_in(installed: Path) -> None:
    exposed = {}
    for unit in places(installed):
        if unit.suffix == ".service" and unit.stem not in NOT_SHUT_IN:
            words = ("security", "--offline=true", "--no-pager", f"--threshold={MOST_EXPOSED}")
            said = analysed(unit.parent, *words, str(unit))
            (level,) = re.findall(r"Overall exposure level for \S+: ([\d.]+)", said.stdout)
            exposed[unit.stem] = float(level)
    print(f"\nexposure of 10: {exposed}")
    assert len(exposed) == len({*SERVICES, BAY} - NOT_SHUT_IN)
    assert all(10 * level <= MOST_EXPOSED for level in exposed.values()), exposed
