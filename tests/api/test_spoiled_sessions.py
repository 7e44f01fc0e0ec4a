"""Whatever a bay's file is spoiled into, a post is taken or refused in the one shape, and never breaks the service."""

import copy
import random

import pytest

from tests.factories import pull, session, setup

WORDS = [
    None,
    True,
    "",
    "x",
    "\x00",
    "é🏁",
    "=1+1",
    [],
    [[]],
    {},
    {"a": 1},
    "2026-03-18T16:20:00Z",
    "wide-pipe",
    "unknown",
]
NUMBERS = [0, -1, 1, 2, 1e-300, -1e-300, 1e-9, 0.5, 7.7, 5e4, 1e12, -1e12, 2**31, 2**63, 2**64, 1e308, -1e308]
TIMES = [
    "0001-01-01T00:00:00Z",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00",
    "1969-12-31T23:59:59+00:00",
]
RPM = [2000.0, 2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 5500.0, 6000.0, 6500.0]
CURVE = {
    "rpm": RPM,
    "torque": [200.0, 210.0, 220.0, 230.0, 235.0, 236.0, 230.0, 220.0, 205.0, 190.0],
    "lambda": [0.9] * 10,
    "time": [0.1 * i for i in range(10)],
    "resolution": {"rpm": 1, "torque": 0.1, "lambda": 0.001, "time": 0.1},
}
RECORD = {
    "basis": {"standard": "sae-j1349", "factor": 1.01},
    "best_of": 3,
    "peaks": {"power": 120.0, "torque": 210.0},
}

ANSWERS = (
    "/v1/typical-gain?part=wide-pipe&platform=stoat",
    "/v1/typical-gain?part=wide-pipe&platform=stoat&measure=band_torque&from=2500&to=6000&standard=none",
    "/v1/platforms/stoat/stock-spread?value=100&checked=any",
    "/v1/platforms/stoat/stock-spread?measure=power_at&rpm=3000",
    "/v1/sessions",
    "/v1/evidence",
    "/v1/stock-evidence",
)


def curve(n: int) -> dict:
    """The curve, a tenth of a newton metre apart from the others: no two pulls are ever the same."""
    return {**CURVE, "torque": [value + 0.1 * n for value in CURVE["torque"]]}


def whole() -> dict:
    """A session that says everything a session can say."""
    said = {
        "engine": {"coolant": 88, "oil": 95, "inlet": 24, "inlet_end": 29},
        "smoothing": {"method": "moving mean", "width_rpm": 50},
        "started_at": "2026-03-01T10:04:00+00:00",
        "ramp": 400,
    }
    one = setup(
        fuel={"ethanol": 0.05, "octane": 98, "octane_method": "ron"}, spark_advance=22.5, label="as found"
    )
    one["pulls"] = [
        pull(**said, curve=curve(0)),
        pull(**said, curve=curve(1), status="settling"),
        pull(**said, curve=curve(2), status="rejected", reason="slip"),
    ]
    two = setup([{"part": "wide-pipe", "slot": "down-pipe"}], pulls=1)
    two["pulls"] = [pull(curve=curve(3)), RECORD]
    more = {
        "operator": "kt",
        "gear": 4,
        "ratio": 3.9,
        "tyre_size": "225",
        "tyre_pressure": 240,
        "sequence": 118,
    }
    return session(one, two, clock="2026-03-01T11:00:00+00:00", **more)


def places(document: object, path: tuple = ()) -> list[tuple]:
    """Where every value of a document stands."""
    inside = list(document.items() if isinstance(document, dict) else enumerate(document or []))
    found = []
    for key, value in inside:
        found.append((*path, key))
        if isinstance(value, dict | list):
            found += places(value, (*path, key))
    return found


def spoiled(rng: random.Random) -> dict:
    """The whole session with one or two places replaced, dropped, doubled or scaled."""
    body = copy.deepcopy(whole())
    for _ in range(rng.choice((1, 1, 2))):
        at = rng.choice(places(body))
        holder = body
        for step in at[:-1]:
            holder = holder[step]
        value, how = holder[at[-1]], rng.choice(("word", "number", "time", "drop", "double", "scale", "flat"))
        if how == "drop":
            del holder[at[-1]]
        elif how == "double" and isinstance(value, list):
            holder[at[-1]] = value * 2
        elif how == "scale" and isinstance(value, list) and value and all(type(v) is float for v in value):
            factor = rng.choice((0, -1, 1e-3, 1e3, 1e40))
            holder[at[-1]] = [v * factor for v in value]
        elif how == "flat" and isinstance(value, list):
            holder[at[-1]] = [rng.choice(NUMBERS)] * len(value)
        else:
            holder[at[-1]] = rng.choice({"number": NUMBERS, "time": TIMES}.get(how, WORDS))
    return body


def test_the_session_that_is_spoiled_below_is_taken(stoats):
    assert stoats.post("/v1/sessions", whole()).status_code == 201


@pytest.mark.parametrize("seed", range(8))
def test_no_spoiled_session_breaks_the_service(stoats, connection, seed):
    rng = random.Random(seed)
    for n in range(40):
        body = spoiled(rng)
        before = connection.execute("SELECT count(*) FROM session").fetchone()[0]
        response = stoats.post("/v1/sessions", body)
        kept = connection.execute("SELECT count(*) FROM session").fetchone()[0] - before
        assert response.status_code in (201, 409, 422), (n, body, response.text)
        if response.status_code == 201:
            assert stoats.get(f"/v1/sessions/{response.json['id']}").json == response.json
            continue
        assert kept == 0
        assert response.json["errors"]
        assert all(fault["detail"] and "pointer" in fault for fault in response.json["errors"])
    assert_everything_can_still_be_asked(stoats, connection)


def assert_everything_can_still_be_asked(client, connection) -> None:
    """What was kept can be read, answered from, struck and taken back."""
    nan = "SELECT count(*) FROM setup_summary WHERE 'NaN' IN (spread_ss, power_kw, torque_nm, factor)"
    assert connection.execute(nan).fetchone() == (0,)
    for path in ANSWERS:
        assert client.get(path).status_code == 200, path
    for (session_id,) in connection.execute("SELECT id FROM session").fetchall():
        for body, verb in (({"reason": "tried"}, "strike"), (None, "unstrike")):
            assert client.post(f"/v1/sessions/{session_id}/{verb}", body).status_code == 200
    for (pull_id,) in connection.execute(
        "SELECT pull_id FROM pull ORDER BY pull_id DESC LIMIT 20"
    ).fetchall():
        assert client.get(f"/v1/pulls/{pull_id}?units=us").status_code == 200
        assert client.get(f"/v1/pulls/{pull_id}", Accept="text/csv").status_code == 200
