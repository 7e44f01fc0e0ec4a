"""A ledger of a test's own that pages may change: the app on a port, over a database of its own."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import psycopg
from werkzeug.serving import make_server

from service.app import create_app
from service.local import LocalServer
from service.store import tokens
from tests.conftest import SETTINGS, Client, new_database
from tests.factories import a_shop, pull, session, setup


@dataclass(frozen=True)
class OwnLedger:
    """Its address, tokens by scope, and an admin's client past the browser."""

    url: str
    tokens: dict[str, str]
    admin: Client

    def ask(self, path: str) -> Any:
        """A GET's JSON."""
        answer = self.admin.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json

    def post(self, body: dict[str, Any]) -> dict[str, Any]:
        """Post a session; what was kept."""
        answer = self.admin.post("/v1/sessions", body)
        assert answer.status_code == 201, answer.text
        kept: dict[str, Any] = answer.json
        return kept


@contextmanager
def own_ledger(server: LocalServer, name: str) -> Iterator[OwnLedger]:
    """A small shop, open for reading, served until the end of the block."""
    owner_url, url = new_database(server, name)
    with psycopg.connect(owner_url, autocommit=True) as owner:
        made = {
            "admin": tokens.create_token(owner, scope="admin", name="lead"),
            "read": tokens.create_token(owner, scope="read", name="counter"),
        }
    app = create_app(replace(SETTINGS, database_url=url))
    admin = Client(app.test_client(), made["admin"])
    a_shop(admin, cars=3)
    opened = admin.patch(
        "/v1/settings", {"open_reading": True}, If_Match=admin.get("/v1/settings").headers["ETag"]
    )
    assert opened.status_code == 200, opened.text
    with psycopg.connect(owner_url, autocommit=True) as owner:
        made["hub"] = tokens.create_token(owner, scope="post", bay="hub", name="hub")
    serving = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=serving.serve_forever, daemon=True)
    thread.start()
    try:
        yield OwnLedger(f"http://127.0.0.1:{serving.server_port}", made, admin)
    finally:
        serving.shutdown()
        thread.join(timeout=30)
        serving.server_close()
        app.extensions["bayledger"].close()


def a_measured_car(ledger: OwnLedger, tag: str, height: float) -> list[dict[str, Any]]:
    """A car, stock and piped on day 1, with one pull of the piped setup far above its others, and lower on day 2.

    height: of its curves against any other car's: a curve that was posted before is refused.
    """
    pulls = [pull(height * scale) for scale in (1.05, 1.05, 1.05 * 1.04)]
    piped = {"parts": ["wide-pipe"], "stock_checked": "verified", "pulls": pulls}
    return [
        ledger.post(session(setup(scale=height, label="as it came"), piped, vehicle=tag, day=1)),
        ledger.post(session(setup(scale=0.95 * height), vehicle=tag, day=2)),
    ]
