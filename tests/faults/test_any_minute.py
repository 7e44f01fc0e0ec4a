"""Any minute of the database comes back: the log and a copy kept as docker-compose.yml has them kept, and gone back to.

What its containers `database`, `archive`, `base-backup` and `go-back` run is run here, by their words and as the
installation's own roles; only places are changed.
"""

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest

from service.keeping.figures import figures
from service.local import processes
from service.local.binaries import choose_binaries
from service.local.identity import identity_for
from service.store import tokens
from service.store.backups import rows_of_tables
from service.store.watched import watched
from tests.conftest import ROOT, Client
from tests.faults.bays import Bays, kept_of, straight_into
from tests.faults.conftest import CARS, client_of, poster
from tests.faults.sessions import a_small_shop, random_sessions
from tests.setup.installed import COMPOSE, Places, Shop, answers, database_of, launched, prepare, wait_until

pytestmark = pytest.mark.machine  # servers of its own, gone back with

POSTS = 24
LATER = 6
MISTAKE = "TRUNCATE session CASCADE"
CAUGHT_UP = "SELECT flush_lsn >= pg_current_wal_flush_lsn() FROM pg_stat_replication"


@pytest.fixture
def shop() -> Iterator[Shop]:
    """An installation of which nothing runs yet, and an empty archive."""
    folder = Path(tempfile.mkdtemp(prefix="shop-"))
    subprocess.run(["sh", ROOT / "service/units/secrets.sh", folder / "secrets"], check=True)
    identity = identity_for(folder / "postgres")
    (folder / "archive").mkdir()
    shutil.copy(ROOT / "service/units/archive.sh", folder)
    shutil.copy(folder / "secrets/standby_password", folder)
    for path in (folder, folder / "archive", folder / "archive.sh", folder / "standby_password"):
        identity.give(path)
    yield Shop(Places(folder), choose_binaries(identity, None), identity)
    subprocess.run(["rm", "-r", folder], check=True)  # a third of what `shutil.rmtree` takes


def words_of(shop: Shop, name: str, *more: str) -> list[str]:
    """What a container runs, with the places of this machine."""
    folder, described = shop.places.folder, COMPOSE["services"][name]
    places = {
        "/srv/archive.sh": str(folder / "archive.sh"),
        "/archive": str(folder / "archive"),
        "/var/lib/postgresql/18/docker": str(folder / "postgres"),
        "/run/secrets/standby_password": str(folder / "standby_password"),
        "database": "127.0.0.1",
    }
    told = {key: places.get(value, value) for key, value in described.get("environment", {}).items()}
    told |= {"PGPORT": str(shop.places.database), "PATH": f"{shop.programs.folder}:{os.environ['PATH']}"}
    settings = [f"{key}={value}" for key, value in told.items()]
    return ["env", *settings, *(places.get(word, word) for word in described["entrypoint"]), *more]


def done(shop: Shop, name: str, *more: str) -> str:
    """Run a container to its good end; what it said."""
    ran = shop.identity.run(words_of(shop, name, *more))
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout


@contextmanager
def archived(shop: Shop) -> Iterator[subprocess.Popen[bytes]]:
    """While the log is kept."""
    archive = launched(shop, "archive", words_of(shop, "archive"))
    try:
        wait_until(lambda: above(shop, CAUGHT_UP) == [(True,)], shop.places.log("archive"))
        yield archive
    finally:
        archive.send_signal(signal.SIGTERM)
        archive.wait(timeout=60)


@contextmanager
def database_again(shop: Shop) -> Iterator[None]:
    """The container `database` over the folder that is there."""
    command = [shop.programs.program("postgres"), "-D", str(shop.places.folder / "postgres")]
    command += ["-c", "listen_addresses=127.0.0.1", *COMPOSE["services"]["database"]["command"][1:]]
    server = launched(shop, "database", command)
    try:
        wait_until(lambda: answers(url_of(shop, "owner")), shop.places.log("database"))
        yield
    finally:
        server.send_signal(signal.SIGINT)
        server.wait(timeout=60)


def url_of(shop: Shop, role: str) -> str:
    return shop.database_url(f"bayledger_{role}", shop.secret(f"{role}_password"))


def above(shop: Shop, statement: str) -> list[tuple[Any, ...]]:
    """A statement of the superuser's."""
    with psycopg.connect(shop.database_url("postgres", shop.secret("superuser_password"))) as line:
        return line.execute(statement).fetchall()  # type: ignore[arg-type]


@contextmanager
def service_of(shop: Shop, token: str) -> Iterator[Client]:
    """The service, as its own role."""
    client = client_of(url_of(shop, "service"), token)
    yield client
    client.client.application.extensions["bayledger"].close()


def new_token(shop: Shop) -> str:
    with psycopg.connect(url_of(shop, "owner"), autocommit=True) as owner:
        return tokens.create_token(owner, scope="admin", name="counter")


def rows(shop: Shop) -> dict[str, int]:
    """How many rows each table has."""
    with psycopg.connect(url_of(shop, "owner")) as owner:
        return rows_of_tables(owner)


def answered(shop: Shop) -> dict[str, Any]:
    """Three answers: a gain, stock cars, a car's states; each rests on something."""
    with psycopg.connect(url_of(shop, "owner"), autocommit=True) as owner, owner.transaction():
        found = figures(owner)
    assert all(found.values())
    return found


def when_copied(said: str) -> datetime:
    """When a base backup was finished, by its name, which the container said."""
    name = Path(said.split(":")[0]).name
    return datetime.strptime(name, "base-%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)


def archives(shop: Shop) -> int:
    """How many follow the log, as /metrics tells it: by the service's own role."""
    seen = watched(lambda: psycopg.connect(url_of(shop, "service")))
    assert seen is not None
    return seen.archives


def now(shop: Shop) -> datetime:
    """By the database's clock."""
    return above(shop, "SELECT clock_timestamp()")[0][0]


def test_what_the_owner_deleted_by_mistake_is_back_as_it_was_just_before(shop, tell):
    documents = random_sessions(81, POSTS, CARS)
    bays, later = Bays.of(documents), Bays.of(random_sessions(82, LATER, CARS))
    with database_of(shop):
        prepare(shop)
        token = new_token(shop)
        with archived(shop), service_of(shop, token) as client:
            a_small_shop(poster(client), CARS)
            Bays.of(documents[: POSTS // 2]).send_until_acknowledged(straight_into(client))
            taken = when_copied(done(shop, "base-backup"))
            bays.send_until_acknowledged(straight_into(client))
            wait_until(lambda: now(shop) > taken + timedelta(seconds=1))
            before, answers_then, moment = rows(shop), answered(shop), now(shop)
            with psycopg.connect(url_of(shop, "owner"), autocommit=True) as owner:
                owner.execute(MISTAKE)
            assert rows(shop)["session"] == 0
            later.send_until_acknowledged(straight_into(client))
    done(shop, "go-back", moment.isoformat(sep=" "))
    with database_again(shop), service_of(shop, token) as client:
        after, answers_now, kept = rows(shop), answered(shop), kept_of(bays, url_of(shop, "owner"))
        same = sum(answers_now[name] == answers_then[name] for name in answers_then)
        other = sum(after.get(table) != count for table, count in before.items())
        tell(
            f"gone back to just before a mistake: 1 fault injected, {before['session']} sessions before, {LATER} posted after, "
            f"{kept.sessions} recovered, {kept.lost} lost, {kept.doubled} doubled, {len(kept.damage)} damaged; "
            f"{sum(before.values())} rows in {len(before)} tables compared, {other} tables differ; {same} of 3 answers the same"
        )
        assert kept.is_whole
        assert after == before
        assert answers_now == answers_then
        later.answered.clear()
        later.send_until_acknowledged(straight_into(client))
        with archived(shop):  # of what is written from here on, another archive begins
            done(shop, "base-backup")


def test_where_the_databases_disk_is_lost_all_that_the_archive_has_comes_back(shop, tell):
    bays = Bays.of(random_sessions(83, POSTS, CARS))
    with database_of(shop):
        prepare(shop)
        token = new_token(shop)
        assert archives(shop) == 0
        with archived(shop), service_of(shop, token) as client:
            assert archives(shop) == 1
            done(shop, "base-backup")
            a_small_shop(poster(client), CARS)
            bays.send_until_acknowledged(straight_into(client))
            wait_until(lambda: above(shop, CAUGHT_UP) == [(True,)])
            place = shop.places.folder / "postgres"
            os.kill(int((place / "postmaster.pid").read_text().split()[0]), signal.SIGKILL)
    wait_until(lambda: not processes.living_in(place))
    shutil.rmtree(place)
    done(shop, "go-back", "latest")
    with database_again(shop):
        kept = kept_of(bays, url_of(shop, "owner"))
    tell(
        f"the database's disk lost: 1 fault injected, {len(bays.answered)} posts acknowledged, {kept.sessions} recovered, "
        f"{kept.lost} lost, {kept.doubled} doubled, {len(kept.damage)} damaged"
    )
    assert kept.is_whole
    assert kept.sessions == POSTS


def test_an_archive_whose_disk_was_full_goes_on_once_there_is_room(shop, tell):
    """Room for two files of the log, which are filled with zeros before they are written to, and a half."""
    assert COMPOSE["services"]["archive"]["restart"] == "unless-stopped"
    place = shop.places.folder / "archive"
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=40m", "none", place], check=True)
    shop.identity.give(place)
    try:
        with database_of(shop):
            prepare(shop)
            with archived(shop) as archive:
                for _ in range(3):
                    above(shop, "SELECT pg_logical_emit_message(true, 'log', 'more'), pg_switch_wal()")
                assert archive.wait(timeout=60) == 1
            assert not_followed(shop).count("No space left") == 2
            assert new_token(shop)  # nothing is held up meanwhile
            subprocess.run(["mount", "-o", "remount,size=400m", place], check=True)
            with archived(shop):
                whole = sorted(path.name for path in (place / "log").iterdir() if path.suffix == "")
        tell(
            f"the archive's disk full: 1 fault injected, the log followed again, {len(whole)} whole files of it"
        )
        first = int(whole[0], 16)
        assert [int(name, 16) for name in whole] == list(range(first, first + len(whole)))
        assert len(whole) >= 3
    finally:
        subprocess.run(["umount", place], check=True)


def not_followed(shop: Shop) -> str:
    """One more beginning of the archive ends by itself, as no good one; what it said up to now."""
    assert launched(shop, "archive", words_of(shop, "archive")).wait(timeout=60) == 1
    return shop.places.log("archive").read_text()


def test_an_archive_that_cannot_begin_says_so_and_ends(shop):
    """Its password was changed: told by the state of its container or unit, where nobody reads what it says."""
    with database_of(shop):
        prepare(shop)
        (shop.places.folder / "standby_password").write_text("another")
        assert "password authentication failed" in not_followed(shop)


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        ("2026-03-01 14:05", "say the moment with its distance from UTC"),
        ("yesterday at noon", "say the moment with its distance from UTC"),
        ("2026-03-01 14:05:00+01", "no base backup"),
    ],
)
def test_a_moment_that_cannot_be_gone_back_to_changes_nothing(shop, moment, words):
    (shop.places.folder / "postgres").mkdir()
    ran = shop.identity.run(words_of(shop, "go-back", moment))
    assert ran.returncode == 1
    assert words in ran.stderr
    assert {path.name for path in shop.places.folder.iterdir()} >= {"postgres", "archive"}
    assert list(shop.places.folder.glob("postgres-*")) == []
