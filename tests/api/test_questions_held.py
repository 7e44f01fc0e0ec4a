"""What the store is asked for, at its edges: which of several, the newest or the nearest, whose own, and what is gone."""

from datetime import UTC, datetime

import pytest

from service.store import sessions
from service.store.surroundings import ask_bay_stock
from tests.api.gains import post
from tests.api.mending import done
from tests.factories import AIR, pull, session, setup

WHY = {"reason": "another car"}
FIRST, SECOND = (f"0190c3a0-0000-7000-8000-00000000000{n}" for n in (1, 2))


def test_a_posts_own_id_comes_before_one_that_has_its_content(stoats):
    """Under the first one's id the second one's content: neither is sent again, both stay as they are."""
    bodies = [session(setup(scale=scale), vehicle="stoat-1", day=day) for scale, day in ((1.0, 1), (1.01, 2))]
    for id, body in zip((FIRST, SECOND), bodies, strict=True):
        assert stoats.post("/v1/sessions", {**body, "id": id}).status_code == 201
    mixed = stoats.post("/v1/sessions", {**bodies[1], "id": FIRST})
    assert (mixed.status_code, mixed.headers.get("Idempotency-Replayed")) == (409, None)
    again = stoats.post("/v1/sessions", {**bodies[1], "id": SECOND})
    assert again.headers["Idempotency-Replayed"] == "true"


def test_a_bays_spread_is_that_of_its_newest_setups(stoats, connection, monkeypatch):
    """Two pulls a tenth of a percent about their mean, and before them two of half a percent: squares of 2 x 0.001^2."""
    monkeypatch.setattr(sessions, "RECENT_SETUPS", 1)
    for day, apart in ((1, 0.005), (2, 0.001)):
        states = setup() | {"pulls": [pull(1.0 + apart), pull(1.0 - apart)]}
        post(stoats, states, vehicle=f"stoat-{day}", day=day)
    found = sessions.ask_posting_bay(connection, "north")()
    assert found is not None
    assert (found.spread_ss, found.spread_df) == (pytest.approx(2e-6, rel=0.02), 1)


def test_a_setup_whose_pulls_are_struck_keeps_no_curve(stoats, connection):
    kept = post(stoats, setup(pulls=1), setup(["wide-pipe"], 1.05, pulls=1))
    counted = "SELECT count(*) FROM setup_curve"
    assert connection.execute(counted).fetchone() == (2,)
    done(stoats.post(f"/v1/pulls/{kept['setups'][0]['pulls'][0]['id']}/strike", WHY))
    assert connection.execute(counted).fetchone() == (1,)


def test_a_bays_own_level_is_taken_without_the_car_that_is_held_against_it(stoats, connection):
    for n in range(1, 10):
        post(stoats, setup(), vehicle=f"stoat-{n}", day=n)
    at = datetime(2026, 3, 9, 12, tzinfo=UTC)
    others = ask_bay_stock(connection, "north", at, "stoat-9")()
    assert {one.vehicle for one in others} == {f"stoat-{n}" for n in range(1, 9)}
    assert {one.vehicle for one in ask_bay_stock(connection, "north", at, "stoat-12")()} == {
        f"stoat-{n}" for n in range(1, 10)
    }


def test_a_pulls_own_curve_stands_at_the_standard_of_the_mean_in_thin_air_too(stoats):
    """One pull is its own mean. 85 kPa ask for a good tenth more."""
    thin = {**AIR, "pressure": 85.0}
    kept = post(stoats, setup() | {"pulls": [pull(ambient=thin)]})
    answer = stoats.get(f"/v1/sessions/{kept['id']}/setups/1/curve?units=si&singles=true").json
    (single,) = answer["singles"]
    assert answer["standard"] == "sae-j1349"
    assert single["torque"] == pytest.approx(answer["curve"]["torque"], abs=0.011)  # five digits are shown
    assert max(single["torque"]) > 1.1 * 260.0
