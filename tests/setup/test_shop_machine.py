"""A shop's whole installation, by the commands and settings of docker-compose.yml: it takes posts, answers, estimates."""

import os
import signal
from collections.abc import Iterator

import httpx
import psycopg
import pytest

from service.bay.sender import Address
from tests.conftest import ROOT
from tests.factories import session, setup
from tests.setup.installed import COMPOSE, Shop, answers, launched, wait_until

pytestmark = pytest.mark.machine

PLATFORM = {"slug": "stoat", "name": "Stoat", "aspiration": "turbo", "ignition": "spark"}


@pytest.fixture(scope="module")
def admin(shop: Shop) -> Iterator[httpx.Client]:
    """The counter's client, with a token made as README says."""
    token = shop.ledger("token", "create", "--scope", "admin", "--name", "counter")
    with shop.client(headers={"Authorization": f"Bearer {token}"}) as client:
        yield client


@pytest.fixture(scope="module")
def measured(admin: httpx.Client) -> httpx.Client:
    """Three cars, each before and after a part, posted through the proxy."""
    documents = [
        ("bays", {"slug": "north", "name": "North", "kind": "roller-inertia"}),
        ("platforms", PLATFORM),
        ("parts", {"slug": "wide-pipe", "name": "Wide pipe", "slots": ["charge-pipes"]}),
    ]
    documents += [("vehicles", {"tag": f"stoat-{n}", "platform": "stoat"}) for n in (1, 2, 3)]
    documents += [
        ("sessions", session(setup(), setup(["wide-pipe"], gain), vehicle=f"stoat-{n}", day=n))
        for n, gain in enumerate((1.04, 1.05, 1.06), 1)
    ]
    for resource, document in documents:
        answer = admin.post(f"/v1/{resource}", json=document)
        assert answer.status_code == 201, answer.text
    return admin


def test_what_is_posted_through_the_proxy_is_answered_from(measured: httpx.Client) -> None:
    answer = measured.get(
        "/v1/typical-gain", params={"part": "wide-pipe", "platform": "stoat", "curve": "false"}
    )
    assert answer.status_code == 200
    assert answer.json()["evidence"]["cars"] == 3


def test_the_worker_estimates_and_the_service_does_not(shop: Shop, measured: httpx.Client) -> None:
    worker = shop.places.log("worker")
    wait_until(lambda: "estimating the model" in worker.read_text(), worker)
    wait_until(lambda: measured.get("/v1/model").json().get("fit") is not None, worker)
    assert "estimating the model" not in shop.places.log("service").read_text()


def test_a_bay_that_trusts_the_authority_reaches_the_ledger(shop: Shop) -> None:
    url = f"https://localhost:{shop.places.https}"
    with Address(url, "", shop.authority).client(20.0) as client:
        assert client.get("/v1/ready").status_code == 200
    with Address(url).client(20.0) as client, pytest.raises(httpx.ConnectError, match="certificate"):
        client.get("/v1/ready")


@pytest.mark.parametrize("role", ["postgres", "bayledger_owner", "bayledger_service", "bayledger_standby"])
def test_nobody_comes_into_the_database_without_the_password_of_its_role(shop: Shop, role: str) -> None:
    assert not answers(shop.database_url(role, "guessed"))


def test_what_a_standby_may_do_is_to_follow(shop: Shop) -> None:
    """Its role reads no table: it may not even connect to the ledger's database."""
    password = shop.secret("standby_password")
    with pytest.raises(psycopg.OperationalError, match="permission denied for database"):
        psycopg.connect(shop.database_url("bayledger_standby", password))
    admitted = """
        SELECT type, database, address, auth_method FROM pg_hba_file_rules WHERE 'bayledger_standby' = ANY (user_name)
    """
    with psycopg.connect(shop.database_url("postgres", shop.secret("superuser_password"))) as above:
        rules = above.execute(admitted).fetchall()
    assert rules == [("host", ["replication"], "samenet", "scram-sha-256")]


def test_the_standby_copies_the_database_and_follows_it(shop: Shop, measured: httpx.Client) -> None:
    folder = shop.places.folder / "standby"
    folder.mkdir()
    shop.identity.give(folder)
    password = folder / "password"  # a container is lent the one file; its folder may be entered by root only
    password.write_text(shop.secret("standby_password"))
    shop.identity.give(password)
    script = folder / "standby.sh"
    script.write_text((ROOT / "migrations" / "standby.sh").read_text())
    told = {
        "BAYLEDGER_PRIMARY": "127.0.0.1",
        "BAYLEDGER_STANDBY_PASSWORD_FILE": password,
        "PGPORT": shop.places.database,
        "PGDATA": folder / "data",
        "PATH": f"{shop.programs.folder}:{os.environ['PATH']}",
    }
    assert COMPOSE["services"]["standby"]["environment"].keys() < told.keys()
    words = [f"{name}={value}" for name, value in told.items()]
    server = launched(shop, "standby", ["env", *words, "sh", str(script)])
    url = shop.database_url("bayledger_service", shop.secret("service_password")).replace(
        "127.0.0.1", "127.0.0.2"
    )
    try:
        wait_until(lambda: answers(url), shop.places.log("standby"))
        cars = "SELECT pg_is_in_recovery(), count(*) FROM vehicle"
        with psycopg.connect(url, autocommit=True) as line:
            assert line.execute(cars).fetchone() == (True, 3)
            assert (
                measured.post("/v1/vehicles", json={"tag": "one-more", "platform": "stoat"}).status_code
                == 201
            )
            wait_until(lambda: line.execute(cars).fetchone() == (True, 4))
    finally:
        server.send_signal(signal.SIGINT)
        server.wait(timeout=60)


def test_a_graceful_stop_ends_service_and_worker_well(shop: Shop) -> None:
    for name in ("worker", "service"):
        assert shop.stop(name) == 0, shop.places.log(name).read_text()
        shop.start(name)
    wait_until(shop.is_ready, shop.places.log("service"))
