"""What stands beside the units of an installation without containers: names, passwords, `bayledger` and `bayledger-restore`.

Each script is tried with stand-ins for the programs that change a system; for real they run in test_systemd_machine.py.
"""

import email
import re
import subprocess
import time
from pathlib import Path

import pytest

from tests.setup.check import ROOT

UNITS = ROOT / "service" / "units"
NAMES = ("ledger.example", "192.0.2.20")


def names(file: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", UNITS / "names.sh", file, *words], capture_output=True, text=True, check=False
    )


@pytest.fixture
def named(tmp_path: Path) -> Path:
    """The file of an installation that has its names."""
    file = tmp_path / "names.env"
    file.write_text(f'BAYLEDGER_NAMES="{" ".join(NAMES)}"\n')
    return file


def test_the_first_time_the_names_must_be_said(tmp_path: Path) -> None:
    file = tmp_path / "names.env"
    assert "say by which names" in names(file).stderr
    assert names(file, *NAMES).stdout.split() == [*NAMES]


@pytest.mark.parametrize("words", [(), NAMES, NAMES[::-1], (*NAMES, NAMES[0])])
def test_without_names_or_with_the_same_in_any_order_they_stay_as_they_are(
    named: Path, words: tuple[str, ...]
) -> None:
    assert names(named, *words).stdout.split() == [*NAMES]


def test_other_names_which_no_bay_trusts_must_be_meant(named: Path) -> None:
    refused = names(named, "ledger.exmaple", NAMES[1])
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "install.sh --new-authority ledger.exmaple 192.0.2.20" in refused.stderr
    assert names(named, "--new-authority", "other.example").stdout.split() == ["other.example"]


def test_without_containers_only_the_passwords_of_the_roles_there_are_made(tmp_path: Path) -> None:
    (words,) = re.findall(r"secrets\.sh /etc/bayledger/secrets(.*)", (UNITS / "install.sh").read_text())
    subprocess.run(["sh", UNITS / "secrets.sh", tmp_path / "made", *words.split()], check=True)
    made = {path.name.removesuffix("_password") for path in (tmp_path / "made").iterdir()}
    roles = (ROOT / "migrations/roles.sql").read_text()
    assert made == set(re.findall(r"CREATE ROLE bayledger_(\w+)", roles))


class Stage:
    """A folder in the place of the system, with programs that write down how they were called."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.called = folder, folder / "called"
        for name in ("bin", "secrets", "systemd"):
            (folder / name).mkdir()
        for role in ("owner", "service"):
            (folder / "secrets" / f"{role}_password").write_text(f"of-{role}\n")
        for name in ("systemctl", "psql"):
            self.program(name, f'echo {name} "$@" >> {self.called}')
        self.program("runuser", f'echo "$1 $2" >> {self.called}; shift 3; exec "$@"')

    def program(self, name: str, script: str) -> None:
        file = self.folder / "bin" / name
        file.write_text(f"#!/bin/sh\n{script}\n")
        file.chmod(0o755)

    def run(self, script: str, *words: str, **told: str) -> subprocess.CompletedProcess[str]:
        """One of our scripts, with this folder's places, and told some variables."""
        text = (UNITS / script).read_text()
        for there, here in (
            ("/etc/bayledger/secrets", "secrets"),
            ("/srv/bayledger/.venv/bin", "bin"),
            ("/usr/local/sbin", "bin"),
            ("/run/systemd/system", "systemd"),
        ):
            text = text.replace(there, str(self.folder / here))
        return subprocess.run(
            ["sh", "-c", text, script, *words],
            env={"PATH": f"{self.folder / 'bin'}:/usr/bin:/bin", **told},
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    def calls(self) -> list[str]:
        return self.called.read_text().splitlines() if self.called.exists() else []


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    return Stage(tmp_path)


SHOWS = 'echo "$BAYLEDGER_DATABASE_URL $(cat "$BAYLEDGER_DATABASE_PASSWORD_FILE") $*"'


@pytest.mark.parametrize(
    ("word", "role"),
    [
        ("refit", "service"),
        ("ask", "service"),
        ("token", "owner"),
        ("selfcheck", "owner"),
        ("restore", "owner"),
        ("backup", "owner"),
    ],
)
def test_a_word_goes_to_the_database_as_the_role_it_needs(stage: Stage, word: str, role: str) -> None:
    stage.program("bayledger", SHOWS)
    ran = stage.run("ledger.sh", word, "two words")
    assert ran.stdout == f"postgresql://bayledger_{role}@127.0.0.1/bayledger of-{role} {word} two words\n"


def test_a_backup_by_hand_is_written_by_the_user_that_writes_the_nightly_one(stage: Stage) -> None:
    stage.program("bayledger", SHOWS)
    stage.run("ledger.sh", "selfcheck")
    assert stage.calls() == []
    stage.run("ledger.sh", "backup")
    assert stage.calls() == ["-u bayledger"]


@pytest.mark.parametrize("ends", [0, 1])
def test_the_owner_may_make_databases_for_a_restore_and_no_longer_however_it_ends(
    stage: Stage, ends: int
) -> None:
    dump = stage.folder / "ledger.dump"
    dump.touch()
    stage.program("bayledger", f'echo bayledger "$@" >> {stage.called}; exit {ends}')
    assert stage.run("restore.sh", str(dump)).returncode == ends
    may = "psql --no-psqlrc --quiet --command ALTER ROLE bayledger_owner"
    assert [call for call in stage.calls() if call != "-u postgres"] == [
        "systemctl stop bayledger-serve bayledger-worker bayledger-migrate",
        f"{may} CREATEDB",
        f"bayledger restore {dump} --overwrite bayledger",
        f"{may} NOCREATEDB",
        "systemctl start bayledger-serve bayledger-worker",
    ]


def test_a_restore_of_a_file_that_is_not_there_stops_nothing(stage: Stage) -> None:
    assert stage.run("restore.sh", str(stage.folder / "none.dump")).returncode == 2
    assert stage.calls() == []


@pytest.fixture
def failing(stage: Stage) -> Stage:
    """Where a unit failed, and a mail program is there."""
    stage.program("journalctl", 'echo "$@"; echo "the disk is full"')
    stage.program("sendmail", f"cat > {stage.folder / 'mail'}")
    stage.program("sleep", f'echo sleep "$@" >> {stage.called}')
    return stage


@pytest.mark.parametrize(
    ("told", "to"),
    [({}, "root"), ({"MAILTO": "a@shop.example, b@shop.example"}, "a@shop.example, b@shop.example")],
)
def test_of_a_unit_that_failed_the_journal_and_a_mail_tell(
    failing: Stage, told: dict[str, str], to: str
) -> None:
    ran = failing.run("failed.sh", "bayledger-backup", **told)
    assert ran.returncode == 0
    assert ran.stderr.startswith("<2>bayledger-backup failed on ")
    sent = email.message_from_string((failing.folder / "mail").read_text())
    assert sent["To"] == to
    assert sent["Subject"].startswith("Bayledger: bayledger-backup failed on ")
    text = sent.get_payload()
    assert isinstance(text, str)
    assert "--unit bayledger-backup" in text
    assert text.endswith("the disk is full\n")


@pytest.mark.parametrize("told", [{}, {"MAILTO": ""}])
def test_where_no_mail_can_or_may_be_sent_the_journal_tells(failing: Stage, told: dict[str, str]) -> None:
    if not told:
        (failing.folder / "bin" / "sendmail").unlink()
    ran = failing.run("failed.sh", "bayledger-backup", **told)
    assert (ran.returncode, ran.stderr.count("\n")) == (0, 1)
    assert not (failing.folder / "mail").exists()
    assert failing.calls() == ["sleep 3600"]


def test_a_mail_that_is_not_taken_is_told_too_and_it_rests_all_the_same(failing: Stage) -> None:
    failing.program("sendmail", "exit 75")
    ran = failing.run("failed.sh", "bayledger-backup")
    assert ran.stderr.splitlines()[1:] == ["<3>the mail to root was not taken"]
    assert failing.calls() == ["sleep 3600"]


class Stopping:
    """A database's folder whose server was told to stop, beside an archive with one copy."""

    def __init__(self, folder: Path) -> None:
        self.data, self.archive, self.script = folder / "main", folder / "archive", folder / "archive.sh"
        self.pid = self.data / "postmaster.pid"
        (self.archive / "base-20260301T000000Z").mkdir(parents=True)
        self.data.mkdir()
        self.pid.touch()
        text = (UNITS / "archive.sh").read_text()
        self.script.write_text(re.sub(r"^PATIENCE_S=\d+", "PATIENCE_S=3", text, flags=re.MULTILINE))

    def gone_back(self) -> subprocess.Popen[str]:
        command = ["sh", self.script, "back", self.archive, self.data, "2026-03-01 14:05:00+01"]
        return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_going_back_waits_for_a_server_that_is_still_stopping(tmp_path: Path) -> None:
    """`systemctl stop postgresql` is done while Debian's server still writes (postgresql.service is a name for postgresql@)."""
    stopping = Stopping(tmp_path)
    with stopping.gone_back() as going:
        time.sleep(1.5)
        assert going.poll() is None
        stopping.pid.unlink()
        said = going.communicate()
    assert said[0].startswith(f"from {stopping.archive}/base-20260301T000000Z")


def test_going_back_changes_nothing_under_a_server_that_goes_on(tmp_path: Path) -> None:
    stopping = Stopping(tmp_path)
    with stopping.gone_back() as going:
        said = going.communicate()
    assert (going.returncode, said[0]) == (1, "")
    assert "a server runs in" in said[1]
    assert [path.name for path in stopping.data.iterdir()] == ["postmaster.pid"]
