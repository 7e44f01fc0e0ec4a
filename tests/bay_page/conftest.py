"""The page of a bay with a folder of its own, over the bay's real desk, spool and tables, and a ledger to answer it."""

import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import waitress
from flask.testing import FlaskClient

from service.bay.desk import Desk
from service.bay.page.app import create_app
from service.bay.page.doors import Door
from service.bay.page.station import Heard, Station, station
from service.bay.reading import mapping_in, reader_by
from service.bay.sender import Address, Sender
from service.bay.settings import read_settings
from service.bay.weather import air_by, defaults_of
from tests.bay.answering import Answer, Answering, answering, kept
from tests.bay.computer import Computer

NOWHERE = "http://127.0.0.1:9"
"""The discard port (RFC 863), on which nothing listens here: a network that is down."""
ORIGIN = {"Origin": "http://localhost"}
SESSION = {
    "id": "0f3b2c1e-6f0a-4a55-9a55-5a9fca0b7a11", "vehicle": "stoat-014", "started_at": "2026-03-18T10:00:00+00:00",
    "gear": 4, "ratio": 3.9, "tyre_size": "225/45 R17", "tyre_pressure": 240.0, "operator": "JT", "struck": None,
    "setups": [
        {"n": 1, "parts": [], "struck": None, "fuel": {}},
        {
            "n": 2, "label": "as it came", "parts": ["wide-pipe", {"part": "cooler", "slot": "intercooler"}],
            "parts_known": "complete", "stock_checked": "verified", "struck": None,
            "fuel": {"ethanol": 0.07, "octane": 98.0, "octane_method": "ron"}, "pulls": [],
        },
        {"n": 3, "parts": ["road-map"], "struck": "wrong car", "fuel": {}},
    ],
}  # fmt: skip
"""The contract's GET /v1/sessions/ID, of which the page reads these fields."""


def shop(path: str) -> Answer:
    """A ledger with two cars, three parts and one session."""
    plain, _, question = path.partition("?")
    if plain == "/v1/vehicles":
        return Answer(200, {"items": [{"tag": "stoat-014"}, {"tag": "wren-002"}]})
    if plain == "/v1/parts":
        return Answer(200, {"items": [{"slug": "cooler"}, {"slug": "road-map"}, {"slug": "wide-pipe"}]})
    if plain == "/v1/sessions":
        items = [{"id": SESSION["id"]}] if "vehicle=stoat-014" in question else []
        return Answer(200, {"items": items})
    if plain == f"/v1/sessions/{SESSION['id']}":
        return Answer(200, SESSION)
    return Answer(200, {"status": "ready"})


@dataclass
class Bay:
    """A bay's computer, its page's parts, and a client that presses as a browser does."""

    computer: Computer
    station: Station
    client: FlaskClient

    def get(self, path: str) -> str:
        """A page that is well."""
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.text

    def press(self, path: str, **form: Any) -> Any:
        """A form sent by the page itself; answers what comes after the way on."""
        return self.client.post(path, data=form, headers=ORIGIN, follow_redirects=True)

    def machine_writes(self, *names: str) -> None:
        """New files of the machine, seen by the page."""
        for name in names:
            self.computer.machine_writes(name, random.Random(name))
        self.station.look()

    def choose(self, tag: str = "stoat-014", **more: Any) -> None:
        """A car on the rollers."""
        assert self.press(f"/setup/{tag}", do="keep", **more).status_code == 200
        assert self.station.desk.work() is not None

    def attach(self, *names: str, **more: Any) -> Any:
        """Files ticked and attached."""
        return self.press("/files", do="attach", file=list(names), **more)


def made(
    folder: Path,
    url: str,
    bay: str = "north",
    token: str = "t",
    settled_s: float = 0.0,
    tables: str = "",
    **more: str,
) -> Bay:
    """A bay's page for a ledger at this address; `tables`: what else stands in bay.toml."""
    computer = Computer(folder, bay, url, token, **{"watch": str(folder / "export"), "units": "si", **more})
    with (computer.bay_dir / "bay.toml").open("a") as settings_file:
        settings_file.write(tables)
    settings = read_settings({"bay_dir": computer.bay_dir}, {})
    reader, heard = reader_by(settings.mapping), Heard()
    desk = Desk(settings.folder, settings.bay, reader, air=air_by(settings), defaults=defaults_of(settings))
    address = Address(settings.url, settings.token)
    sender = Sender(desk.spool, address, told=heard, first_wait_s=0.05, longest_wait_s=0.2)
    known = lambda: mapping_in(settings.mapping).pull.basis is not None  # noqa: E731
    parts = station(settings, desk, sender, heard, reader, known, settled_s)
    return Bay(computer, parts, create_app(parts).test_client())


@contextmanager
def served(bay: Bay, door: Door | None = None) -> Iterator[str]:
    """The page on a port of its own, with all that goes on behind it; answers its address."""
    server = waitress.create_server(create_app(bay.station, door), host="127.0.0.1", port=0, threads=4)
    stop = threading.Event()
    serving = threading.Thread(target=server.run, daemon=True)
    rounds = [serving, *bay.station.run(stop)]
    serving.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        stop.set()
        bay.station.stop_sending()
        server.task_dispatcher.shutdown()
        server.close()
        for one in rounds[1:]:
            one.join(timeout=5)


@pytest.fixture
def ledger() -> Iterator[Answering]:
    """A ledger that keeps what it is sent."""
    with answering(kept, shop) as ledger:
        yield ledger


@pytest.fixture
def alone(tmp_path: Path) -> Bay:
    """A bay whose network is down."""
    return made(tmp_path, NOWHERE)


@pytest.fixture
def bay(tmp_path: Path, ledger: Answering) -> Bay:
    """A bay whose ledger answers."""
    bay = made(tmp_path, ledger.url)
    bay.station.ledger.look()
    assert bay.station.ledger.answers
    return bay
