"""What a run posts, and whether the ledger kept exactly that.

Cars, bays and a part of the run's own, so that no question asked rests on them and a kept history can be used again.
"""

import json
import random
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any
from uuid import UUID, uuid4

import psycopg
from psycopg import sql

from tests.bench.clients import Crowd
from tests.bench.line import Line
from tests.bench.meter import Meter
from tests.bench.pulls import pull
from tests.faults.kept import Kept, kept_in

BAYS = 8
CARS = 97
"""No multiple of three: each car comes with the part and without it."""
PULLS = 4
SLOT = "down-pipe"
OPENED = datetime(2025, 3, 3, 8, tzinfo=UTC)
BETWEEN = timedelta(minutes=5)
"""From one session to the next, in the next bay: each bay takes forty minutes (our choice)."""
TWICE = 3
"""Sessions of each bay that are sent two times over, as after a cut line."""


class Posting:
    """A run's own corner of the ledger, and every body that was made for it."""

    def __init__(self, line: Line, run: str, cars: int = CARS) -> None:
        self._line = line
        self._rng = random.Random(run)
        self._numbers = count()
        self.made: list[bytes] = []
        self.platform, self.part = f"posted-{run}", f"pipe-{run}"
        self.bays = [f"bay-{run}-{n}" for n in range(BAYS)]
        self.cars = [f"car-{run}-{n:02d}" for n in range(cars)]
        self._enter()

    def _enter(self) -> None:
        """The records that posts name."""
        kind = {"aspiration": "turbo", "ignition": "spark", "rpm_limit": 6600}
        self._line.json("POST", "/v1/platforms", {"slug": self.platform, "name": self.platform, **kind})
        self._line.json("POST", "/v1/parts", {"slug": self.part, "name": "Pipe", "slots": [SLOT]})
        for bay in self.bays:
            self._line.json("POST", "/v1/bays", {"slug": bay, "name": bay, "kind": "hub"})
        for car in self.cars:
            self._line.json("POST", "/v1/vehicles", {"tag": car, "platform": self.platform, "confirm": True})

    def body(self, *, resolution: bool = True) -> bytes:
        """A session that will be sent; what the ledger then holds is held against all of these."""
        self.made.append(self.unsent(resolution=resolution))
        return self.made[-1]

    def unsent(self, *, resolution: bool = True) -> bytes:
        """A session of four pulls never made before: the next bay's, the next car's, every third with the part fitted."""
        n = next(self._numbers)
        parts = [self.part] if n % 3 == 0 else []
        pulls = [pull(self._rng, 1.04 ** len(parts), resolution=resolution) for _ in range(PULLS)]
        document = {
            "id": str(UUID(int=self._rng.getrandbits(128), version=4)),
            "units": "si",
            "vehicle": self.cars[n % len(self.cars)],
            "bay": self.bays[n % BAYS],
            "started_at": (OPENED + n * BETWEEN).isoformat(),
            "sequence": n,
            "gear": 4,
            "ratio": 3.9,
            "setups": [{"parts": parts, "stock_checked": "verified", "pulls": pulls}],
        }
        return json.dumps(document).encode()

    def request(self, *, keyed: bool = False, resolution: bool = True) -> bytes:
        """The next session as it goes over the wire."""
        key = {"Idempotency_Key": str(uuid4())} if keyed else {}
        return self._line.prepare("POST", "/v1/sessions", self.body(resolution=resolution), **key)

    def post_twice(self, crowd: Crowd, meter: Meter) -> None:
        """Every bay sends some sessions, without a declared resolution, and then sends them again on another's line."""
        requests = [self.request(resolution=False) for _ in range(TWICE * BAYS)]
        crowd.took(requests, 201, "a post", meter)
        crowd.took(requests[1:] + requests[:1], 201, "a repeated post", meter)


def kept_of(posting: Posting, conn: psycopg.Connection[Any]) -> Kept:
    """What the ledger holds of a run's posts, each of which it acknowledged."""
    documents = [json.loads(body) for body in posting.made]
    acknowledged = [document["id"] for document in documents]
    with conn.transaction(force_rollback=True):
        look_at_cars_of(conn, posting.platform)
        return kept_in(conn, documents, acknowledged, {posting.part: frozenset({SLOT})})


def look_at_cars_of(conn: psycopg.Connection[Any], platform: str) -> None:
    """Until the transaction ends, `session` and `pair` are those of one platform's cars: temporary names come first
    (PostgreSQL documentation, search_path)."""
    for table in ("session", "pair"):
        view = sql.SQL(
            "CREATE TEMPORARY VIEW {table} AS SELECT {table}.* FROM public.{table} JOIN vehicle USING (vehicle_id)"
            " JOIN platform ON platform.platform_id = vehicle.platform_id WHERE platform.slug = {platform}"
        )
        conn.execute(view.format(table=sql.Identifier(table), platform=sql.Literal(platform)))
