"""README, "Install in a shop" without Docker, on a machine that is switched on: systemd starts, shuts in, ends and starts again
what it is told of by service/units (machine: root, network).

The machine is a bare Debian in a container of systemd's own, in a network apart. What that leaves out: limits on memory and
tasks (MemoryMax=, TasksMax=) where this machine keeps those in control groups of the first version, a kernel and disks of its
own, and a mail program.
"""

import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from tests.setup.apart import written_over
from tests.setup.asking import GAIN_PERCENT, client_of, gain_found, gain_of_what_was_posted, is_ready
from tests.setup.booted import Booted, booted
from tests.setup.check import ROOT
from tests.setup.installed import wait_until

pytestmark = pytest.mark.machine

NAME, ADDRESS = "ledger.internal", "10.77.0.1"
UNITS = ROOT / "service" / "units"
# Those with an @ are started by systemd alone.
SERVICES = sorted(path.stem for path in UNITS.glob("*[!@].service"))
ENDING = [unit for unit in SERVICES if "Type=oneshot" in (UNITS / f"{unit}.service").read_text()]
LASTING = [unit for unit in SERVICES if unit not in ENDING]
TIMERS = sorted(path.stem for path in UNITS.glob("*.timer"))
INSTALL = "cd /srv/bayledger && sh service/units/install.sh"
KEPT = "find /etc/bayledger -type f -exec sha256sum {} + | sort"
SAID = {"bayledger-backup": "verified: put back", "bayledger-base-backup": "held against its sums"}
QUERY = "cd / && runuser -u postgres -- psql -Atd bayledger -c"
WRITE = "\"SELECT pg_logical_emit_message(true, 'test', 'written')\""
"""Something into the database's log; it answers where that stands."""
DATABASE = "postgresql.service postgresql@$(ls /etc/postgresql)-main.service"
README = (ROOT / "README.md").read_text()
(ARCHIVE,) = re.findall(
    r"^Without Docker, the disk mounted at `/var/backups/bayledger-archive`:\n\n((?:    .*\n)+)",
    README,
    re.MULTILINE,
)
(LOOK,) = re.findall(r"`(systemctl --state=\S+)` must stay empty", README)
(GO_BACK,) = re.findall(r"^Without:\n\n((?:    .*\n)+)", README, re.MULTILINE)
(TAKE_AWAY,) = re.findall(r"Without Docker:\n\n((?:    .*\n)+)\nIt takes away", README)
(REMOVE,) = re.findall(r"cd /srv/bayledger && sh \S+/remove\.sh", TAKE_AWAY)
(LOSE,) = re.findall(r"`DROP DATABASE`\):\n\n((?:    .*\n)+)", README)
STAYS = {"/etc/bayledger", "/var/lib/bayledger", "/var/backups/bayledger", "/var/backups/bayledger-archive"}
OF_A_BAY = "bayledger-bay.service"
OWN_CERTIFICATE = f"""cd /etc/bayledger/tls
openssl req -x509 -newkey rsa:2048 -nodes -subj /CN={NAME} -days 90 -keyout key.pem -out certificate.pem 2> /dev/null
"""
KILLED_AT = (
    "useradd", "compileall", "sh service/units/secrets.sh", "sh service/proxy/certificate.sh", "runuser -u postgres",
    "cp service/units", "ln -sf", "systemctl enable", "systemctl restart", "is_ready",
)  # fmt: skip
"""Steps of the installer, each as it begins."""
MOMENT = "'2026-03-01 14:05:00+01'"
# What root may do, as a program without a shell: each is refused to a program of the ledger by another line of hardened.conf.
PROBE = """
import ctypes, os, pathlib, socket
def unshare(flags):  # os.unshare() came with Python 3.12
    if ctypes.CDLL(None).unshare(flags):
        raise OSError
mine = pathlib.Path("/tmp/mine")
mine.touch()
for name, action in {
    "speaks to this machine": lambda: socket.create_connection(("127.0.0.1", 443), timeout=2).close(),
    "speaks to another": lambda: socket.create_connection(("ADDRESS", 443), timeout=2).close(),
    "writes to the system": lambda: pathlib.Path("/etc/probe").touch(),
    "reads a home": lambda: os.listdir("/root"),
    "reads what the kernel says": lambda: open("/proc/meminfo").close(),
    "sees a device": lambda: os.stat("/dev/console"),
    "lends its rights": lambda: mine.chmod(0o4755),
    "gives a file away": lambda: os.chown(mine, 1, 1),
    "makes a namespace": lambda: unshare(0x10000000),  # linux/sched.h: CLONE_NEWUSER
}.items():
    try:
        action()
        print("may:", name)
    except OSError:
        pass
""".replace("ADDRESS", ADDRESS)


@dataclass(frozen=True)
class Ledger:
    """An installed ledger, and who may do everything in it."""

    machine: Booted
    token: str

    @contextmanager
    def client(self) -> Iterator[httpx.Client]:
        """Somebody in the shop."""
        authority = self.machine.folder / "etc/bayledger/tls/authority.pem"
        with self.machine.place.network(), client_of(f"https://{ADDRESS}", authority, self.token) as client:
            yield client

    def is_ready(self) -> bool:
        with self.client() as client:
            return is_ready(client)

    def gain(self) -> float:
        with self.client() as client:
            return gain_found(client)

    def has_bay(self, slug: str) -> bool:
        with self.client() as client:
            return client.get(f"/v1/bays/{slug}").status_code == 200

    def add_bay(self, slug: str) -> None:
        with self.client() as client:
            answer = client.post("/v1/bays", json={"slug": slug, "name": slug, "kind": "roller-inertia"})
        assert answer.status_code == 201, answer.text
        assert self.has_bay(slug)

    def check(self) -> None:
        """It comes to answering by itself, from what was posted; nothing has failed; who comes new is let in by Postgres."""
        wait_until(self.is_ready)
        assert self.gain() == pytest.approx(GAIN_PERCENT, abs=0.01)
        assert self.machine.run(f"{QUERY} 'SELECT 1'").strip() == "1"
        assert self.machine.failed() == ""


@pytest.fixture(scope="module")
def ledger(prepared_debian: Path) -> Iterator[Ledger]:
    """On Debian 13."""
    with installed_on(prepared_debian) as ledger:
        yield ledger


@contextmanager
def installed_on(prepared: Path) -> Iterator[Ledger]:
    """All that the README says, with the archive; a car measured before and after a part."""
    with written_over(prepared, "systemd-") as folder, booted(folder, ADDRESS) as machine:
        assert machine.failed() == ""
        said = machine.run(f"{INSTALL} {NAME} {ADDRESS}")
        assert f"The ledger is at https://{NAME}/" in said
        machine.run(ARCHIVE)
        ledger = Ledger(machine, machine.run("bayledger token create --scope admin --name owner").strip())
        wait_until(ledger.is_ready)
        with ledger.client() as client:
            assert gain_of_what_was_posted(client) == pytest.approx(GAIN_PERCENT, abs=0.01)
        yield ledger


def states(machine: Booted) -> dict[str, str]:
    """Whether each unit of ours is on."""
    units = [*(f"{unit}.service" for unit in SERVICES), *(f"{timer}.timer" for timer in TIMERS)]
    return {unit: machine.shown(unit, "ActiveState") for unit in units}


def as_it_should_be() -> dict[str, str]:
    """What does its work and ends is off in between; all else is on."""
    on = [*(f"{unit}.service" for unit in LASTING), *(f"{timer}.timer" for timer in TIMERS)]
    return {**{f"{unit}.service": "inactive" for unit in ENDING}, **dict.fromkeys(on, "active")}


def test_after_the_installer_each_unit_is_on_or_waits(ledger: Ledger) -> None:
    assert states(ledger.machine) == as_it_should_be()
    ledger.check()


def test_no_unit_runs_as_root(ledger: Ledger) -> None:
    for unit in LASTING:
        pid = ledger.machine.shown(f"{unit}.service", "MainPID")
        assert ledger.machine.run(f"stat -c %U /proc/{pid}").strip() in ("bayledger", "postgres")


def test_the_installer_run_again_brings_what_is_new_into_service_and_makes_no_password_or_certificate_anew(
    ledger: Ledger,
) -> None:
    kept, ran = ledger.machine.run(KEPT), main_pids(ledger.machine)
    ledger.machine.run(INSTALL)
    assert ledger.machine.run(KEPT) == kept
    assert [unit for unit, pid in main_pids(ledger.machine).items() if pid in ("0", ran[unit])] == []
    ledger.check()


def main_pids(machine: Booted) -> dict[str, str]:
    """The process of each unit that lasts."""
    return {unit: machine.shown(unit, "MainPID") for unit in LASTING}


def test_where_there_is_no_systemd_the_installer_says_that_nothing_was_started(ledger: Ledger) -> None:
    said = ledger.machine.run(f"unshare --mount sh -euc 'mount -t tmpfs none /run/systemd; {INSTALL}'")
    assert "everything is in its place, and nothing was started" in said
    ledger.check()


def test_what_holds_for_the_ledgers_programs_really_shuts_them_in(ledger: Ledger) -> None:
    (ledger.machine.folder / "usr/local/bin/probe.py").write_text(PROBE)
    may = {unit: what_it_may(ledger.machine, unit) for unit in ("other-probe", "bayledger-probe")}
    assert may["other-probe"] == re.findall('"(.*)": lambda', PROBE)
    assert may["bayledger-probe"] == ["speaks to this machine"]


def what_it_may(machine: Booted, unit: str) -> list[str]:
    """What a program can do under a unit of this name."""
    file = machine.folder / f"etc/systemd/system/{unit}.service"
    file.write_text("[Service]\nType=oneshot\nExecStart=/usr/bin/python3 /usr/local/bin/probe.py\n")
    machine.run(f"systemctl daemon-reload && systemctl start {unit}")
    return re.findall("may: (.*)", machine.journal(unit))


@pytest.mark.parametrize("unit", ENDING)
def test_a_unit_does_its_work_shut_in_and_the_ledger_goes_on(ledger: Ledger, unit: str) -> None:
    ledger.machine.run(f"systemctl start {unit}")
    assert ledger.machine.shown(unit, "Result") == "success"
    assert SAID.get(unit, "") in ledger.machine.journal(unit)
    ledger.check()


@pytest.mark.parametrize("unit", LASTING)
def test_a_unit_is_switched_off_and_on_and_the_ledger_goes_on(ledger: Ledger, unit: str) -> None:
    ledger.machine.run(f"systemctl stop {unit}")
    assert ledger.machine.run(f"{QUERY} 'SELECT 1'").strip() == "1"
    assert ledger.machine.failed() == ""
    ledger.machine.run(f"systemctl start {unit}")
    ledger.check()


def test_the_archives_program_is_ended_in_good_order(ledger: Ledger) -> None:
    """Killed, it says nothing (Postgres 15, by SIGTERM), and may leave a file that is filled in part."""
    said = "segment is not complete"
    written = ledger.machine.run(f"{QUERY} {WRITE}").strip()  # it speaks of a file that it has begun
    has_it = f"SELECT bool_or(flush_lsn > '{written}') FROM pg_stat_replication"
    wait_until(lambda: ledger.machine.run(f'{QUERY} "{has_it}"').strip() == "t")
    before = ledger.machine.journal("bayledger-archive").count(said)
    ledger.machine.run("systemctl stop bayledger-archive")
    wait_until(lambda: ledger.machine.journal("bayledger-archive").count(said) == before + 1)
    ledger.machine.run("systemctl start bayledger-archive")
    ledger.check()


@pytest.mark.parametrize("unit", ["bayledger-serve", "bayledger-worker"])
def test_a_program_that_is_killed_is_started_again(ledger: Ledger, unit: str) -> None:
    before = ledger.machine.shown(unit, "MainPID")
    ledger.machine.run(f"systemctl kill --signal=KILL --kill-whom=main {unit}")
    wait_until(lambda: ledger.machine.shown(unit, "MainPID") not in ("0", before))
    ledger.check()


def test_the_worker_does_what_it_is_asked_for_and_goes_on(ledger: Ledger) -> None:
    before = ledger.machine.shown("bayledger-worker", "MainPID")
    ledger.machine.run("bayledger refit")
    wait_until(lambda: ledger.machine.run(f"{QUERY} 'SELECT count(*) FROM refit_wish'").strip() == "0")
    assert ledger.machine.shown("bayledger-worker", "MainPID") == before


def test_where_postgres_was_away_the_ledger_comes_back_by_itself(ledger: Ledger) -> None:
    ledger.machine.run(f"systemctl stop {DATABASE}")
    wait_until(lambda: not ledger.is_ready())
    ledger.machine.run("systemctl start postgresql")
    ledger.check()


def test_a_ledger_started_while_there_is_no_postgres_waits_for_it(ledger: Ledger) -> None:
    ledger.machine.run(f"systemctl stop bayledger-serve; systemctl mask --quiet --runtime --now {DATABASE}")
    ledger.machine.run("systemctl start bayledger-serve")
    wait_until(lambda: "Failed with result" in ledger.machine.journal("bayledger-migrate"))
    # It is never among what `systemctl --failed` lists: that would need somebody to start it when Postgres is there.
    wait_until(lambda: "bayledger-migrate.service" in ledger.machine.run(LOOK))
    line = "bayledger-migrate failed on "
    wait_until(lambda: line in ledger.machine.journal("bayledger-failed@bayledger-migrate"))
    ledger.machine.run(f"systemctl unmask --quiet --runtime {DATABASE}; systemctl start postgresql")
    wait_until(lambda: ledger.is_ready() and ledger.machine.failed() == "")
    wait_until(lambda: "bayledger-" not in ledger.machine.run(LOOK))
    ledger.check()


def test_of_a_unit_that_fails_the_journal_tells(ledger: Ledger) -> None:
    ledger.machine.run("chown root /var/backups/bayledger")
    assert ledger.machine.tried("systemctl start bayledger-backup").returncode == 1
    line = "bayledger-backup failed on "
    wait_until(lambda: line in ledger.machine.journal("bayledger-failed@bayledger-backup"))
    ledger.machine.run("chown bayledger /var/backups/bayledger; systemctl start bayledger-backup")
    ledger.check()


def test_a_backup_is_put_back_by_one_word(ledger: Ledger) -> None:
    ledger.machine.run("systemctl start bayledger-backup")
    ledger.add_bay("south")
    said = ledger.machine.run("bayledger-restore $(ls /var/backups/bayledger/*.dump | tail -n 1)")
    assert "the ledger that was there is kept" in said
    assert (
        ledger.machine.run(f"{QUERY} 'SELECT rolname FROM pg_roles WHERE rolcreatedb'").strip() == "postgres"
    )
    ledger.check()
    assert not ledger.has_bay("south")
    assert states(ledger.machine) == as_it_should_be()


def test_the_ledger_goes_back_to_a_moment_also_where_the_archive_was_behind(ledger: Ledger) -> None:
    """Postgres ends once its followers have all that it wrote (PostgreSQL documentation, pg_ctl stop --mode fast)."""
    ledger.machine.run("systemctl start bayledger-base-backup")
    moment = ledger.machine.run("sleep 1.1; date '+%F %T.%N%:z'; sleep 0.1").strip()
    ledger.machine.run("systemctl kill --signal=STOP bayledger-archive")
    ledger.add_bay("east")
    later = "sleep 3; systemctl kill --signal=CONT bayledger-archive"
    ledger.machine.run(f"systemd-run --quiet sh -c '{later}'")
    assert GO_BACK.count(MOMENT) == 1
    ledger.machine.run(GO_BACK.replace(MOMENT, f"'{moment}'"))
    ledger.check()
    assert not ledger.has_bay("east")
    assert states(ledger.machine) == as_it_should_be()


def test_after_a_reboot_all_is_there_and_what_was_missed_is_done(ledger: Ledger) -> None:
    machine = ledger.machine
    late = machine.folder / "etc/systemd/system/bayledger-.timer.d/at_once.conf"
    late.parent.mkdir()
    late.write_text("[Timer]\nRandomizedDelaySec=0\n")
    machine.run("touch --date='8 days ago' /var/lib/systemd/timers/stamp-bayledger-*.timer")
    machine.reboot()
    for unit in LASTING:
        assert "Deactivated successfully" in machine.run(f"journalctl --boot=-1 --unit={unit} --lines=3")
    for timer in TIMERS:
        wait_until(lambda unit=timer: machine.shown(unit, "ExecMainExitTimestamp") != "")
        assert machine.shown(timer, "Result") == "success"
    ledger.check()
    assert states(machine) == as_it_should_be()


# From here on the machine is without the ledger that the others speak of.


def test_taken_away_nothing_is_left_but_what_the_readme_says_stays_and_a_bays_own_unit(
    ledger: Ledger,
) -> None:
    machine = ledger.machine
    machine.run("rm -rf /etc/systemd/system/bayledger-probe.service /etc/systemd/system/bayledger-.timer.d")
    a_bays_unit(machine)
    machine.run("touch /etc/bayledger/ledger.env; systemctl start bayledger-failed@trial")
    machine.run(TAKE_AWAY)
    assert "stay" in machine.run(REMOVE)
    assert found_on(machine) == {*STAYS, f"/etc/systemd/system/{OF_A_BAY}"}
    kept = machine.run("cd /etc/bayledger && find . -type f").split()
    assert sorted(kept) == ["./ledger.env", "./secrets/owner_password", "./secrets/service_password"]
    assert machine.tried("getent passwd bayledger || getent group bayledger").stdout == ""
    assert machine.run("find /etc /srv /usr/local /var -xdev -nouser -o -nogroup") == ""
    assert set(machine.run("stat -c '%U %a' /var/lib/bayledger /var/backups/bayledger").splitlines()) == {
        "root 700"
    }
    assert machine.run("systemctl list-units --all --plain --no-legend 'bayledger*'").split()[0] == OF_A_BAY
    assert machine.shown(OF_A_BAY, "ActiveState") == machine.shown("nginx", "ActiveState") == "active"
    assert machine.failed() == ""
    assert [port for port in (80, 443) if is_open(machine, port)] == []
    assert machine.run("python3 -m zipfile -l /root/ledger.zip").count("pull.csv") == 1
    assert machine.run(f"{QUERY} 'SELECT count(*) > 0 FROM session'").strip() == "t"
    machine.run(f"systemctl stop {OF_A_BAY}; rm /etc/systemd/system/{OF_A_BAY}; systemctl daemon-reload")


def a_bays_unit(machine: Booted) -> None:
    """One of a bay's computer that is the ledger's machine too, at work."""
    file = machine.folder / "etc/systemd/system" / OF_A_BAY
    file.write_text("[Service]\nExecStart=sleep infinity\n")
    machine.run(f"systemctl daemon-reload && systemctl start {OF_A_BAY}")


def found_on(machine: Booted) -> set[str]:
    """Whatever has the ledger's name, but for its code."""
    return set(machine.run("find /etc /usr /var /tmp -name '*bayledger*' -prune").split())


def is_open(machine: Booted, port: int) -> bool:
    with machine.place.network(), socket.socket() as line:
        return line.connect_ex((ADDRESS, port)) == 0


def test_installed_again_it_has_all_that_stayed_and_its_user_reaches_it(ledger: Ledger) -> None:
    key = ledger.machine.run("sha256sum /var/lib/bayledger/secret")
    ledger.machine.run(f"{INSTALL} {NAME} {ADDRESS}")
    ledger.check()
    assert ledger.machine.run("runuser -u bayledger -- sha256sum /var/lib/bayledger/secret") == key
    ledger.machine.run("systemctl start bayledger-backup")


def test_with_what_stayed_lost_too_nothing_of_it_is_left(ledger: Ledger) -> None:
    machine = ledger.machine
    machine.run(OWN_CERTIFICATE)
    machine.run(REMOVE)
    assert machine.run("ls /etc/bayledger/tls").split() == ["certificate.pem", "key.pem"]
    for aside in databases(machine) - {"postgres", "bayledger"}:
        assert aside.startswith("bayledger_before_")
        machine.run(f"cd / && runuser -u postgres -- dropdb {aside}")
    assert LOSE.count(" /srv/bayledger\n") == 1  # that is still needed here
    machine.run(LOSE.replace(" /srv/bayledger\n", "\n"))
    assert found_on(machine) == set()
    assert databases(machine) == {"postgres"}
    roles = machine.run("cd / && runuser -u postgres -- psql -Atc 'SELECT rolname FROM pg_roles'")
    assert "bayledger" not in roles


def databases(machine: Booted) -> set[str]:
    asked = "SELECT datname FROM pg_database WHERE NOT datistemplate"
    return set(machine.run(f"cd / && runuser -u postgres -- psql -Atc '{asked}'").split())


def test_a_first_installation_that_is_killed_at_each_step_is_finished_by_the_next_run(ledger: Ledger) -> None:
    machine = ledger.machine
    assert found_on(machine) == set()
    for step in KILLED_AT:
        kill_the_installer_at(machine, step)
    assert f"The ledger is at https://{NAME}/" in machine.run(f"{INSTALL} {NAME} {ADDRESS}")
    anew = Ledger(machine, machine.run("bayledger token create --scope admin --name owner").strip())
    with anew.client() as client:
        assert gain_of_what_was_posted(client) == pytest.approx(GAIN_PERCENT, abs=0.01)
    anew.check()
    machine.run("systemctl start bayledger-backup")
    assert {unit for unit, state in states(machine).items() if state != as_it_should_be()[unit]} == {
        "bayledger-archive.service",
        "bayledger-base-backup.timer",
    }


def kill_the_installer_at(machine: Booted, step: str) -> None:
    """Without a word, and all that it has started, once it comes to a step."""
    machine.run(f"""
        cd /srv/bayledger
        setsid sh -x service/units/install.sh {NAME} {ADDRESS} > /root/said 2>&1 &
        until grep -qs '^+.* *{step}' /root/said; do kill -0 $! || {{ cat /root/said; exit 1; }}; sleep 0.01; done
        kill -s KILL -- -$!
        wait $! || [ $? = 137 ]
    """)
