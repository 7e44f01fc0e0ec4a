"""Both images built by buildah from the unaltered Dockerfile, and what runs in them (machine: root, network).

There is no registry here: the two images that ours begin with are made of Debian's own packages, under their names. Nor is
there an engine: buildah runs the programs with the image's files, user and environment, and both in one network, apart.
"""

import json
import os
import socketserver
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import ROOT
from tests.setup.apart import Apart, apart, memory
from tests.setup.asking import GAIN_PERCENT, client_of, gain_of_what_was_posted, is_ready
from tests.setup.installed import COMPOSE, wait_until

pytestmark = pytest.mark.machine

PYTHON = """
export DEBIAN_FRONTEND=noninteractive
apt-get update -qq
apt-get install --yes -qq --no-install-recommends python3 python3-venv
ln -s /usr/bin/python3 /usr/local/bin/python
rm -rf /var/lib/apt/lists/* /var/cache/apt/*
"""
URL = "https://127.0.0.1:8443"
# An engine's pipes belong to the image's user, buildah's to root, who alone could open them again as /dev/stdout.
SAYING = ("sh", "-c", 'echo $$ > /said/pid; exec "$@" >> /said/log 2>&1', "sh")


@dataclass(frozen=True)
class Store:
    """Where buildah keeps images and all else, away from any that the machine has."""

    folder: Path

    def command(self, *words: str | Path) -> list[str]:
        kept = [
            "--root",
            f"{self.folder}/store",
            "--runroot",
            f"{self.folder}/run",
            "--storage-driver",
            "overlay",
        ]
        return ["buildah", *kept, *map(str, words)]

    def environment(self) -> dict[str, str]:
        """A cache mount of the Dockerfile lies in the folder for temporary files."""
        return {**os.environ, "TMPDIR": f"{self.folder}/tmp"}

    def buildah(self, *words: str | Path) -> str:
        """What it said, which must end well; what it mounts is seen by nobody else, and gone with it."""
        ran = subprocess.run(
            ["unshare", "--mount", *self.command(*words)],
            env=self.environment(),
            capture_output=True,
            text=True,
            check=False,
        )
        assert ran.returncode == 0, ran.stdout[-2000:] + ran.stderr[-4000:]
        return ran.stdout.strip()


@pytest.fixture(scope="module")
def store(bare_debian: Path) -> Iterator[Store]:
    """The images that ours begin with, and ours."""
    with memory("images-") as folder:
        (folder / "tmp").mkdir()
        store = Store(folder)
        begin(store, bare_debian)
        for name in ("service", "dashboard"):
            build(store, COMPOSE["services"][name])
        yield store


def begin(store: Store, bare_debian: Path) -> None:
    """Debian as `debian:trixie-slim`, and with its own Python, which is a 3.13 too, as `python:3.13-slim-trixie`."""
    container = store.buildah("from", "scratch")
    store.buildah("copy", "--quiet", container, bare_debian, "/")
    store.buildah("commit", "--quiet", container, "docker.io/library/debian:trixie-slim")
    store.buildah("run", "--isolation", "chroot", container, "--", "sh", "-euc", PYTHON)
    store.buildah("commit", "--quiet", "--rm", container, "docker.io/library/python:3.13-slim-trixie")


def build(store: Store, described: dict[str, Any]) -> None:
    """Build an image as docker-compose.yml says."""
    begun = time.monotonic()
    store.buildah(
        "bud", "--isolation", "chroot", "--format", "docker", "--pull-never",
        "--target", described["build"]["target"], "--tag", described["image"], ROOT / described["build"]["context"],
    )  # fmt: skip
    size = store.buildah("images", "--format", "{{.Size}}", described["image"])
    print(f"\n{described['image']}: built in {time.monotonic() - begun:.0f} s, {size}")


class Container:
    """A container of an image, with what it was told to be."""

    def __init__(self, store: Store, name: str, place: Apart) -> None:
        self.store, self.place = store, place
        self.name = store.buildah("from", "--pull-never", COMPOSE["services"][name]["image"])
        self.told = json.loads(store.buildah("inspect", self.name))["Docker"]["config"]

    def command(self, *words: str, lent: Path | None = None, **environment: str) -> list[str]:
        """What runs a program in it, as the image's user and in its environment; `lent` is then /said."""
        given = [f"--env={name}={value}" for name, value in environment.items()]
        given += [f"--volume={lent}:/said"] if lent else []
        return self.place.command(
            *self.store.command("run", "--isolation", "chroot", *given, self.name, "--", *words)
        )

    def ran(self, *words: str) -> subprocess.CompletedProcess[str]:
        """What a program beside its own said."""
        return subprocess.run(
            self.command(*words), env=self.store.environment(), capture_output=True, text=True, check=False
        )

    def is_healthy(self) -> bool:
        """What its health check finds."""
        kind, *words = self.told["Healthcheck"]["Test"]
        assert kind == "CMD"
        return self.ran(*words).returncode == 0

    @contextmanager
    def running(self, said: Path, stop_signal: str, **environment: str) -> Iterator[Path]:
        """What the image starts, until the block ends, and the file with what it says. It must end well when it is told to,
        itself: buildah hands no signal on."""
        said.mkdir()
        said.chmod(0o777)
        process = subprocess.Popen(
            self.command(*SAYING, *self.told["Cmd"], lent=said, **environment),
            env=self.store.environment(), stdin=subprocess.DEVNULL,
        )  # fmt: skip
        log = said / "log"
        wait_until(log.exists)
        yield log
        assert process.poll() is None, log.read_text()
        told = self.place.command("kill", f"-{stop_signal}", (said / "pid").read_text().strip())
        subprocess.run(told, check=True)
        assert process.wait(timeout=60) == 0, log.read_text()


class ServiceIsHere(socketserver.BaseRequestHandler):
    """What an engine's name service answers to the proxy (RFC 1035, 4.1): `service` is 127.0.0.1, and has no IPv6 address."""

    def handle(self) -> None:
        question, door = self.request
        name, kind, rest = question[12:21], question[21:23], question[23:25]
        if name != b"\x07service\x00":
            return
        record = b"\xc0\x0c\x00\x01\x00\x01" + b"\x00\x00\x00\x01" + b"\x00\x04\x7f\x00\x00\x01"
        found = record if kind == b"\x00\x01" else b""
        counts = b"\x00\x01" + bytes([0, bool(found)]) + bytes(4)
        door.sendto(question[:2] + b"\x81\x80" + counts + name + kind + rest + found, self.client_address)


@contextmanager
def name_service(place: Apart) -> Iterator[None]:
    """It, where an engine has it."""
    with place.network():
        server = socketserver.UDPServer(("127.0.0.11", 53), ServiceIsHere)
    with server:
        threading.Thread(target=server.serve_forever).start()
        try:
            yield
        finally:
            server.shutdown()


@pytest.fixture(scope="module")
def place() -> Iterator[Apart]:
    """Where both run."""
    with apart() as place:
        yield place


@pytest.fixture(scope="module")
def service(store: Store, place: Apart) -> Container:
    """A container of the service, which both tests look at."""
    return Container(store, "service", place)


def test_together_they_take_a_post_and_answer_it_and_stop_when_they_are_told(
    store: Store, place: Apart, service: Container, tmp_path: Path
) -> None:
    """The service over the Postgres that it carries, since there is no image of one here."""
    dashboard = Container(store, "dashboard", place)
    stop_signal = COMPOSE["services"]["dashboard"]["stop_signal"]
    names = "ledger.example 192.0.2.20"
    with (
        name_service(place),
        dashboard.running(tmp_path / "dashboard", stop_signal, BAYLEDGER_NAMES=names) as log,
    ):
        wait_until(dashboard.is_healthy, log)
        authority = tmp_path / "authority.pem"
        authority.write_text(dashboard.ran("cat", "/etc/bayledger/tls/authority.pem").stdout)
        with place.network(), client_of(URL, authority) as client:
            assert client.get("/v1/ready").status_code == 503  # nobody is behind it yet
            assert client.get("/gain.html").content == (ROOT / "dashboard/site/gain.html").read_bytes()
        with service.running(tmp_path / "service", "TERM", BAYLEDGER_BEHIND_TLS="yes") as log:
            wait_until(lambda: "Bayledger serves" in log.read_text(), log)
            wait_until(service.is_healthy, log)
            made = service.ran("bayledger", "token", "create", "--scope", "admin", "--name", "owner")
            with place.network(), client_of(URL, authority, made.stdout.strip()) as client:
                wait_until(lambda: is_ready(client), log)
                assert gain_of_what_was_posted(client) == pytest.approx(GAIN_PERCENT, abs=0.01)
        assert not service.is_healthy()
    assert not dashboard.is_healthy()


INSIDE = """
test $(id -u) = 10001
! test -w /srv/bayledger
! test -w service/app.py
test -w /var/lib/bayledger
! command -v pip
! command -v gcc
bayledger worker --help
bayledger backup --help
""".strip().splitlines()


def test_inside_the_service_there_is_what_it_needs_and_nothing_to_change_it_with(service: Container) -> None:
    """All of it in one run, which takes a second."""
    asked = [f"{{ {line}; }} > /dev/null 2>&1 && echo holds || echo fails" for line in INSIDE]
    found = service.ran("sh", "-c", "\n".join(asked)).stdout.split()
    assert dict(zip(INSIDE, found, strict=True)) == dict.fromkeys(INSIDE, "holds")
