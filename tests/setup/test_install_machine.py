"""service/units/install.sh on a bare Debian, then what its units start, as its units start it (machine: root, network).

The Debian is made for the test, and what runs in it runs apart, so that neither files nor ports of this machine are touched.
Not tried: `git clone`, for the checkout is copied; what systemd does is held by test_systemd_machine.py.
"""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.setup.apart import Apart, apart, written_over
from tests.setup.asking import GAIN_PERCENT, client_of, gain_of_what_was_posted, is_ready
from tests.setup.check import ROOT
from tests.setup.debian import ROOTS
from tests.setup.installed import wait_until

pytestmark = pytest.mark.machine

INSTALL = "cd /srv/bayledger && sh service/units/install.sh ledger.example 127.0.0.1"
AGAIN = INSTALL.removesuffix(" ledger.example 127.0.0.1")
IN_PLACE = "everything is in its place, and nothing was started"
KEPT = "find /etc/bayledger -type f -exec sha256sum {} + | sort"
WISHES = "runuser -u postgres -- psql -Atd bayledger -c 'SELECT count(*) FROM refit_wish'"
MAKERS = "runuser -u postgres -- psql -Atc 'SELECT rolname FROM pg_roles WHERE rolcreatedb'"


@dataclass(frozen=True)
class Machine:
    """A Debian in a folder, and the place where its programs run."""

    folder: Path
    place: Apart

    def command(self, script: str) -> list[str]:
        """What runs a script in it as root."""
        return self.place.command("chroot", self.folder, "sh", "-euc", script)

    def run(self, script: str) -> str:
        """What a script said, which must end well."""
        ran = subprocess.run(
            self.command(script), env=ROOTS, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
        )  # fmt: skip
        assert ran.returncode == 0, f"{script}\n{ran.stdout}{ran.stderr}"
        return ran.stdout + ran.stderr

    def unit(self, name: str) -> str:
        """What the program of a unit said that does its work and ends."""
        return self.run(f"exec python3 /root/unit_runner.py {name}")

    @contextmanager
    def started(self, name: str) -> Iterator[None]:
        """The program of a unit that goes on until it is told to end; it must end well then, and must not run as root."""
        script = f"echo $$ > /run/{name}.pid; exec python3 /root/unit_runner.py {name} > /tmp/{name}.log 2>&1"
        process = subprocess.Popen(self.command(script), env=ROOTS, stdin=subprocess.DEVNULL)
        yield
        assert self.run(f"stat -c %U /proc/$(cat /run/{name}.pid)").strip() == "bayledger"
        self.run(f"kill $(cat /run/{name}.pid)")
        assert process.wait(timeout=60) == 0, (self.folder / f"tmp/{name}.log").read_text()


@pytest.fixture(scope="module")
def debian(prepared_debian: Path) -> Iterator[Path]:
    """One that can be written to."""
    with written_over(prepared_debian, "installed-") as folder:
        shutil.copy(ROOT / "tests/setup/unit_runner.py", folder / "root/unit_runner.py")
        yield folder


@pytest.fixture(scope="module")
def machine(debian: Path) -> Iterator[Machine]:
    """That Debian, with its database running as it is after a start."""
    with apart() as place:
        machine = Machine(debian, place)
        machine.run("mount -t proc proc /proc; mount -t tmpfs none /dev/shm")
        machine.run("pg_ctlcluster $(ls /etc/postgresql) main start")
        yield machine
        machine.run("pg_ctlcluster $(ls /etc/postgresql) main stop")


def test_a_newcomer_reaches_a_secured_answering_and_backed_up_ledger(machine: Machine) -> None:
    assert IN_PLACE in machine.run(INSTALL)
    kept = machine.run(KEPT)
    assert IN_PLACE in machine.run(AGAIN)
    assert machine.run(KEPT) == kept, "a second run made passwords or certificates anew"

    machine.run("nginx")
    machine.unit("bayledger-migrate")
    with machine.started("bayledger-serve"), machine.started("bayledger-worker"):
        token = machine.run("bayledger token create --scope admin --name owner").strip()
        authority = machine.folder / "etc/bayledger/tls/authority.pem"
        with machine.place.network(), client_of("https://127.0.0.1", authority, token) as client:
            wait_until(lambda: is_ready(client), machine.folder / "tmp/bayledger-serve.log")
            assert client.get("http://127.0.0.1/").headers["location"] == "https://127.0.0.1/"
            assert client.get("/v1/bays", headers={"Authorization": ""}).status_code == 401
            assert gain_of_what_was_posted(client) == pytest.approx(GAIN_PERCENT, abs=0.01)
        machine.run("bayledger refit")
        wait_until(lambda: machine.run(WISHES).strip() == "0", machine.folder / "tmp/bayledger-worker.log")
        machine.unit("bayledger-certificate")
        assert "verified: put back" in machine.unit("bayledger-backup")
        assert ".verified" in machine.run("ls /var/backups/bayledger")
        assert machine.unit("bayledger-selfcheck") == machine.run("bayledger selfcheck --quiet") == ""
        assert "verified: put back" in machine.run("bayledger backup --to /var/backups/bayledger --verify")
    said = machine.run("bayledger-restore $(ls /var/backups/bayledger/*.dump | tail -n 1)")
    assert "the ledger that was there is kept" in said
    assert machine.run(MAKERS).strip() == "postgres"
    machine.run("nginx -s stop")
