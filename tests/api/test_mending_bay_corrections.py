"""A bay's figures found wrong weeks later: corrected for a period, they are as if the bay had been right all along."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import psycopg
import pytest

from service.local import LocalServer
from service.worker.refit import refit
from tests.api.mending import apart, asked, close, done, ledger_of_its_own, pin_fit, posted
from tests.conftest import Client
from tests.factories import AIR, RPM, SMOOTHED, WARM, hump, peak_of_hump, pull, session, setup

FACTOR = 1.02
"""The north bay reads 2 % low from the 5th to the 15th of March."""
PERIOD = {"from": "2026-03-05T00:00:00+00:00", "to": "2026-03-15T00:00:00+00:00"}
WHY = {"reason": "load cell arm measured again: 2 % long"}
CORRECTIONS = "/v1/bays/north/corrections"
PEAKS = {
    "peaks": {"power": 101.3, "power_rpm": 5600.0, "torque": 203.7, "torque_rpm": 4100.0},
    "basis": {"standard": "sae-j607", "factor": 1.0371},
    "ambient": dict(AIR),
    "best_of": 3,
}
PEAKS_ALONE = session({"parts": [], "pulls": [PEAKS]}, day=7)
"""A record without a curve."""
STEP = 0.1
"""A step of torque [N.m] that stays whole when multiplied: both ledgers then hold figures equal to the last digits."""


def stepped(scale: float, true_over_recorded: float, lift: float) -> dict[str, Any]:
    """A pull recorded in steps of 0.1 N.m, and what a right bay would have recorded in steps as much larger.

    lift: by what its first samples differ from any other's, as no two pulls are the same.
    """
    torque = [scale * hump(rpm) * (lift if rpm <= 2100.0 else 1.0) for rpm in RPM]
    step = STEP * true_over_recorded
    curve = {
        "rpm": RPM,
        "torque": [round(value / STEP) * step for value in torque],
        "resolution": {"torque": step, "rpm": 1},
    }
    return {
        "ambient": dict(AIR), "engine": dict(WARM), "basis": "observed", "smoothing": dict(SMOOTHED), "curve": curve,
    }  # fmt: skip


def history(right: bool) -> Iterator[dict[str, Any]]:
    """Nine cars on nine days in two bays, with and without parts, the same in both ledgers but for the factor.

    The north bay recorded what it measured from the 5th of March on 2 % low; one car was in both bays.
    """
    lifts = iter(1.0 + 0.0005 * n for n in itertools.cycle(range(-40, 41)))
    visits = [(n, "hub" if n % 3 == 0 else "north", n) for n in range(1, 10)] + [(5, "hub", 20)]
    for n, bay, day in visits:
        low = bay == "north" and 5 <= day < 15
        states = [([], 1.0), (["wide-pipe"], 1.05 + 0.002 * n)] + [(["road-map"], 1.2)] * (n % 2)
        true = 1.0 + 0.01 * ((n * 7) % 5 - 2)
        setups = [
            {
                "parts": parts,
                "stock_checked": "verified",
                "pulls": [
                    stepped(
                        true * gain / (FACTOR if low else 1.0),
                        FACTOR if low and right else 1.0,
                        next(lifts),
                    )
                    for _ in range(3)
                ],
            }
            for parts, gain in (states if day == n else states[:1])
        ]
        id = str(uuid5(NAMESPACE_URL, f"{n} {day}"))
        yield session(*setups, vehicle=f"stoat-{n}", bay=bay, day=day, id=id)


@dataclass
class TwoLedgers:
    """One posted wrong, one posted right, the same fit kept in both."""

    wrong: Client
    right: Client


@pytest.fixture(scope="module")
def ledgers(server: LocalServer, stoats_url: str) -> Iterator[TwoLedgers]:
    wrong, wrong_url = ledger_of_its_own(server, "posted_wrong")
    right, right_url = ledger_of_its_own(server, "posted_right")
    for client, is_right in ((wrong, False), (right, True)):
        for body in history(is_right):
            posted(client, body)
    with psycopg.connect(right_url, autocommit=True) as conn:
        refit(conn)
    pin_fit(right_url, wrong_url)
    yield TwoLedgers(wrong, right)
    close(wrong)
    close(right)


@pytest.mark.slow
def test_a_corrected_period_answers_as_posting_right_figures_would_have_and_its_undoing_brings_the_wrong_ones_back(
    ledgers,
):
    before, meant = asked(ledgers.wrong), asked(ledgers.right)
    assert list(apart(before, meant, 1e-4)) != []
    made = done(ledgers.wrong.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    corrected = asked(ledgers.wrong)
    assert list(apart(corrected, meant, 1e-9)) == []
    assert made["pulls"] == 3 * (
        3 + 2 + 3
    )  # cars 5, 7 and 8: with, without, and cars of odd numbers the calibration
    done(ledgers.wrong.post(f"{CORRECTIONS}/{made['id']}/undo", {"reason": "it was the other bay"}))
    assert asked(ledgers.wrong) == before


def test_what_is_posted_late_from_the_period_is_corrected_alike(stoats):
    done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    late = posted(stoats, session(setup(), day=7))
    power = late["setups"][0]["summary"]["peak_power"]["mean"]
    assert power == pytest.approx(
        FACTOR * peak_of_hump()[0], rel=2e-3
    )  # the air's factor is 1 to three digits
    assert late == stoats.get(f"/v1/sessions/{late['id']}").json
    assert all(one["bay_correction"] for one in late["setups"][0]["pulls"])
    outside = posted(stoats, session(setup(), day=16))
    assert [p["bay_correction"] for p in outside["setups"][0]["pulls"]] == [None] * 3


def summary(body: dict[str, Any]) -> dict[str, Any]:
    """What a session's first setup comes to."""
    return body["setups"][0]["summary"]


@pytest.mark.parametrize(
    ("wrong", "right", "correction"),
    [
        ({"ambient": {**AIR, "pressure": 101.5}}, {}, {"pressure": -1.5, "units": "si"}),
        ({"ambient": {**AIR, "temperature": 15.0}}, {}, {"temperature": 18.0, "units": "us"}),  # 10 K are 18 degF
        ({}, {"basis": {"standard": "din-70020", "factor": 1.03}}, {"basis": {"standard": "din-70020", "factor": 1.03}}),
        ({"basis": {"standard": "iso-1585"}}, {}, {"basis": "observed"}),
    ],
    ids=["pressure", "temperature", "basis", "observed"],
)  # fmt: skip
def test_wrong_air_and_a_wrong_basis_of_a_period_are_corrected_alike(stoats, wrong, right, correction):
    pulls = [pull() for _ in range(3)]
    meant = posted(stoats, session({"parts": [], "pulls": [{**one, **right} for one in pulls]}, day=20))
    body = {"parts": [], "pulls": [{**one, **wrong} for one in pulls]}
    late = posted(stoats, session(body, vehicle="stoat-2", day=7))
    assert summary(late) != summary(meant)
    made = done(stoats.post(CORRECTIONS, {**PERIOD, **correction, **WHY}), 201)
    mended = stoats.get(f"/v1/sessions/{late['id']}").json
    assert list(apart(summary(mended), summary(meant), 1e-9)) == []
    shown = mended["setups"][0]["pulls"][0]
    assert (shown["ambient"], shown["basis"]) == tuple(
        late["setups"][0]["pulls"][0][name] for name in ("ambient", "basis")
    )
    assert shown["bay_correction"] == made["id"]
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", WHY))
    assert summary(stoats.get(f"/v1/sessions/{late['id']}").json) == summary(late)


def test_a_correction_that_was_taken_back_does_not_hold_for_what_is_posted_later(stoats):
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", WHY))
    late = posted(stoats, session(setup(), day=7))
    assert late["setups"][0]["pulls"][0]["bay_correction"] is None
    assert summary(late)["peak_power"]["mean"] == pytest.approx(peak_of_hump()[0], rel=5e-4)


def test_a_record_of_peaks_alone_comes_back_to_the_last_bit(stoats):
    kept = posted(stoats, PEAKS_ALONE)
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    mended = stoats.get(f"/v1/sessions/{kept['id']}").json
    assert summary(mended)["peak_power"]["mean"] == pytest.approx(
        FACTOR * summary(kept)["peak_power"]["mean"], rel=1e-8
    )
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", WHY))
    back = stoats.get(f"/v1/sessions/{kept['id']}").json
    assert back["setups"] == kept["setups"]


def test_a_session_whose_time_is_amended_follows_the_period_it_comes_into(stoats):
    done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    kept = posted(stoats, session(setup(), day=20))
    path = f"/v1/sessions/{kept['id']}"
    for at, factor in (("2026-03-07T10:00:00+00:00", FACTOR), ("2026-03-20T10:00:00+00:00", 1.0)):
        etag = stoats.get(path).headers["ETag"]
        moved = done(stoats.patch(path, {"started_at": at, "reason": "clock was off"}, If_Match=etag))
        assert summary(moved)["peak_power"]["mean"] == pytest.approx(
            factor * summary(kept)["peak_power"]["mean"], rel=1e-8
        )
    assert moved["setups"] == kept["setups"]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({**PERIOD, **WHY}, "/factor"),
        ({**PERIOD, "factor": 3.0, **WHY}, "/factor"),
        ({**PERIOD, "factor": 1.02}, "/reason"),
        ({"from": PERIOD["to"], "to": PERIOD["from"], "factor": 1.02, **WHY}, "/to"),
        ({**PERIOD, "pressure": -1.5, **WHY}, "/pressure"),
        ({**PERIOD, "pressure": -15.0, "units": "us", **WHY}, "/pressure"),
        ({**PERIOD, "basis": {"standard": "unknown"}, **WHY}, "/basis"),
        ({**PERIOD, "basis": {"standard": "un-r85"}, **WHY}, "/basis"),
    ],
    ids=["nothing", "too far", "no reason", "backwards", "no units", "off the scale", "unknown", "engine's"],
)
def test_a_correction_that_says_nothing_true_is_refused_at_its_field(stoats, body, pointer):
    response = stoats.post(CORRECTIONS, body)
    assert response.status_code == 422
    assert [fault["pointer"] for fault in response.json["errors"]] == [pointer]


def test_two_corrections_never_hold_at_once_but_one_may_begin_where_another_ends(stoats):
    first = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    twice = stoats.post(CORRECTIONS, {**PERIOD, "from": "2026-03-14T23:59:59+00:00", "factor": 1.01, **WHY})
    assert twice.status_code == 409
    assert f"{CORRECTIONS}/{first['id']}" in twice.json["detail"]
    after = {"from": PERIOD["to"], "to": "2026-03-18T00:00:00+00:00", "factor": 1.01, **WHY}
    done(stoats.post(CORRECTIONS, after), 201)
    done(stoats.post("/v1/bays/hub/corrections", {**PERIOD, "factor": 1.01, **WHY}), 201)
    done(stoats.post(f"{CORRECTIONS}/{first['id']}/undo", {"reason": "other factor"}))
    done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1.03, **WHY}), 201)


def test_corrections_are_listed_with_those_taken_back_also_as_csv(stoats):
    made = done(
        stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, "pressure": -0.1, "units": "us", **WHY}), 201
    )
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", {"reason": "wrong week"}))
    row = stoats.get(f"{CORRECTIONS}?units=us").json["items"][0]
    assert (row["factor"], row["pressure"], row["reason"]) == (FACTOR, -0.1, WHY["reason"])
    assert (row["undone_by"], row["undone_reason"]) == ("admin", "wrong week")
    csv = stoats.raw("GET", CORRECTIONS, headers={"Accept": "text/csv"})
    assert csv.text.splitlines()[0].startswith("id,bay,from,to,factor")
    assert stoats.get(f"{CORRECTIONS}/{made['id']}").json["pulls"] == 0
    again = stoats.post(f"{CORRECTIONS}/{made['id']}/undo", WHY)
    assert again.status_code == 409
    assert stoats.get(f"{CORRECTIONS}/999").status_code == 404
    assert stoats.get("/v1/bays/nort/corrections").status_code == 404


def test_the_history_and_the_sheet_say_that_a_session_was_corrected(stoats):
    kept = posted(stoats, session(setup(), setup(["wide-pipe"], 1.05), day=7))
    sheet = f"/v1/sessions/{kept['id']}/sheet?before=1&after=2"
    version = done(stoats.get(sheet))["version"]
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    row = stoats.get(f"/v1/history?about=sessions/{kept['id']}").json["items"][0]
    assert (row["action"], row["reason"], row["after"]) == (
        "amended", WHY["reason"], {"bay_correction": made["id"], "bay_factor": FACTOR},
    )  # fmt: skip
    assert done(stoats.get(sheet))["version"] > version
    of_bay = stoats.get(f"/v1/history?about=bays/north/corrections/{made['id']}").json["items"]
    assert [(one["action"], one["after"]["factor"]) for one in of_bay] == [("added", FACTOR)]


def test_a_doubt_that_the_wrong_factor_made_goes_with_it_and_comes_back_with_it(stoats):
    for n in range(2, 12):
        posted(stoats, session(setup(), vehicle=f"stoat-{n}", day=n % 4 + 1))
    low = posted(stoats, session(setup(scale=0.7), day=7))
    doubts = low["setups"][0]["doubts"]
    assert doubts != []
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1 / 0.7, **WHY}), 201)
    assert stoats.get(f"/v1/sessions/{low['id']}").json["setups"][0]["doubts"] == []
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", WHY))
    back = stoats.get(f"/v1/sessions/{low['id']}").json
    assert back["setups"][0]["doubts"] == doubts
    cleared = [one["cleared"] for one in back["checks"] if "cleared" in one and one["level"] == "doubtful"]
    assert {(one["by"], one["reason"], one["confirmed"]) for one in cleared} == {
        ("admin", f"no longer so after correction {made['id']} of north", False)
    }
    pull = back["setups"][0]["pulls"][0]["id"]
    unconfirmed = stoats.post(f"/v1/pulls/{pull}/unconfirm", {"reason": "nobody had confirmed it"})
    assert unconfirmed.status_code == 409


def test_a_doubt_that_a_right_factor_would_make_goes_when_the_correction_is_taken_back(stoats):
    for n in range(2, 12):
        posted(stoats, session(setup(), vehicle=f"stoat-{n}", day=n % 4 + 1))
    right = posted(stoats, session(setup(), day=7))
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": 1.3, **WHY}), 201)
    doubted = stoats.get(f"/v1/sessions/{right['id']}").json["setups"][0]["doubts"]
    assert doubted != []
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", WHY))
    checks = stoats.get(f"/v1/sessions/{right['id']}").json["checks"]
    said = {one["cleared"]["reason"] for one in checks if one["level"] == "doubtful"}
    assert said == {f"no longer so after correction {made['id']} of north was taken back"}


def test_only_an_admin_corrects_a_bay(stoats, reader, north):
    for client in (reader, north):
        assert client.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}).status_code == 403
        assert client.get(CORRECTIONS).status_code == 200


def test_a_record_of_peaks_kept_before_its_posted_figures_were_comes_back_too(stoats, connection):
    kept = posted(stoats, PEAKS_ALONE)
    connection.execute("UPDATE pull SET posted_power_kw = NULL, posted_torque_nm = NULL")
    made = done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    mended = stoats.get(f"/v1/sessions/{kept['id']}").json
    assert summary(mended)["peak_power"]["mean"] == pytest.approx(
        FACTOR * summary(kept)["peak_power"]["mean"], rel=1e-8
    )
    done(stoats.post(f"{CORRECTIONS}/{made['id']}/undo", WHY))
    back = stoats.get(f"/v1/sessions/{kept['id']}").json
    assert list(apart(back["setups"], kept["setups"], 1e-12)) == []


def test_a_strike_under_a_correction_and_its_end_bring_the_same_figures_back(stoats):
    done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, "pressure": -0.4, "units": "si", **WHY}), 201)
    kept = posted(stoats, session(setup(), setup(["wide-pipe"], 1.05), day=7))
    path = f"/v1/sessions/{kept['id']}"
    done(stoats.post(f"{path}/strike", WHY))
    done(stoats.post(f"{path}/unstrike", {"reason": "right"}))
    assert stoats.get(path).json["setups"] == kept["setups"]


def test_the_same_curve_sent_again_is_known_under_a_correction_too(stoats):
    done(stoats.post(CORRECTIONS, {**PERIOD, "factor": FACTOR, **WHY}), 201)
    one = {"parts": [], "pulls": [pull()]}
    posted(stoats, session(one, day=7))
    again = stoats.post("/v1/sessions", session(one, day=7, started_at="2026-03-07T13:00:00+00:00"))
    assert again.status_code == 422
