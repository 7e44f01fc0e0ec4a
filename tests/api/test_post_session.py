"""POST /v1/sessions: kept whole, corrected, checked, paired, and read back as it was answered."""

import json
import math

import pytest

from tests.factories import AIR, RPM, hump, lifted, peak_of_hump, pull, session, setup

FOOT_POUND = 1.3558179483314004  # N.m, NIST SP 811 App. B.8
HORSEPOWER = 0.7456998715822702  # kW of 550 ft.lbf/s, NIST SP 811 App. B.8
METRIC_HORSEPOWER = 0.73549875  # kW, NIST SP 811 App. B.8
INCH_MERCURY = 3.386388640341  # kPa, conventional
READY = {"coolant": 88.0, "inlet": 27.0}
WARM = {"temperature": 30.0, "pressure": 98.0, "humidity": 0.0}
WARM_FACTOR = 1.18 * (99 / 98.0) * math.sqrt((30 + 273) / 298) - 0.18  # SAE J1349 in dry air, by hand


def kept(client, body, **headers):
    """The answer to a post that must be taken."""
    response = client.post("/v1/sessions", body, **headers)
    assert response.status_code == 201, response.text
    return response.json


def peak_power(body: dict, n: int = 0) -> float:
    """Mean peak power of a setup."""
    return body["setups"][n]["summary"]["peak_power"]["mean"]


def test_a_session_is_kept_whole_and_reads_back_as_it_was_answered(stoats):
    body = session(
        setup(
            ["wide-pipe"],
            label="after",
            fuel={"ethanol": 0.05, "octane": 98, "octane_method": "ron"},
            lambda_probe="tailpipe",
        ),
        operator="kt",
        gear=4,
        ratio=3.9,
        tyre_size="225/45R17",
        tyre_pressure=240,
        sequence=118,
    )
    answer = stoats.post("/v1/sessions", body)
    back = stoats.get(answer.headers["Location"])
    assert (answer.status_code, back.status_code) == (201, 200)
    assert back.json == answer.json
    assert back.headers["ETag"] == answer.headers["ETag"]
    for name in (
        "vehicle",
        "bay",
        "started_at",
        "operator",
        "gear",
        "ratio",
        "tyre_size",
        "tyre_pressure",
        "sequence",
    ):
        assert back.json[name] == body[name], name
    for name in ("fuel", "lambda_probe"):
        assert back.json["setups"][0][name] == body["setups"][0][name], name


@pytest.mark.parametrize("units", ["si", "us"])
def test_a_post_is_answered_byte_for_byte_as_it_reads_back(stoats, units):
    # The answer is made of what was written, not read back: here is all that an answer can show.
    said = {
        "started_at": "2026-03-02T12:05:00.250+02:00",
        "smoothing": {"width_rpm": 100, "method": "by the bay"},
        "test": "sweep",
        "source": "file",
        "status": "rejected",
        "reason": "the strap slipped",
    }
    peaks = {"power": 150.0, "power_rpm": 5500.0, "torque": 260.0}
    old = {"basis": {"standard": "unknown"}, "best_of": 3, "peaks": peaks}
    setups = [
        setup(
            label="as it came",
            stock_checked="unknown",
            fuel={"ethanol": 0.1, "octane": 95, "octane_method": "ron"},
        ),
        setup(["wide-pipe"], 1.04, spark_advance=12.5, pulls=4),
        {**setup(pulls=1), "pulls": [pull(), pull(**said)]},
        {"parts": [{"part": "wide-pipe", "slot": "down-pipe"}], "parts_known": "partial", "pulls": [old]},
    ]
    of_car = {"operator": "kt", "gear": 4, "ratio": 3.9, "tyre_size": "225/45R17", "sequence": 2**40}
    air = {"temperature": 77.0, "pressure": 29.5, "humidity": 0.3} if units == "us" else dict(AIR)
    for k, run in enumerate(run for one in setups for run in one["pulls"]):
        run["ambient"], run["engine"] = air, {}
        if "curve" in run:
            run["curve"] = pull(1.0 + 0.003 * k)["curve"]  # no pull is another's copy
    kept(stoats, session(setup(["wide-pipe"], 1.05), day=1))
    body = session(*setups, day=2, clock="2026-03-02T10:10:00+00:00", **of_car)
    answer = stoats.post("/v1/sessions", {**body, "units": units})
    assert answer.status_code == 201, answer.text
    back = stoats.get(f"{answer.headers['Location']}?units={units}")
    assert back.status_code == 200, back.text
    assert answer.data == back.data
    assert answer.headers["ETag"] == back.headers["ETag"]
    assert {pair["match"] for pair in answer.json["pairs"]} >= {"same-session-aba"}
    assert answer.json["checks"]
    assert len({pair["before"].split("/")[3] for pair in answer.json["pairs"]} - {answer.json["id"]}) <= 1


def test_what_was_said_of_a_pull_reads_back(stoats):
    said = {
        "engine": {"coolant": 88, "oil": 95, "inlet": 24, "inlet_end": 29},
        "test": "sweep",
        "ramp": 400,
        "smoothing": {"method": "moving mean", "width_rpm": 50},
        "source": "live",
        "started_at": "2026-03-01T10:04:00+00:00",
    }
    one = kept(stoats, session(setup(pulls=1) | {"pulls": [pull(**said)]}))["setups"][0]["pulls"][0]
    assert {name: one[name] for name in said} == said
    assert one["ambient"] == {**AIR, "dew_point": None}
    assert (one["basis"], one["status"], one["rpm_from"], one["rpm_to"]) == (
        "observed",
        "accepted",
        2000,
        6500,
    )


def test_figures_are_corrected_by_the_published_factor(stoats):
    body = kept(stoats, session({"parts": [], "pulls": [pull(ambient=WARM)]}))
    found, (power, speed) = body["setups"][0], peak_of_hump()
    assert body["standard"] == "sae-j1349"
    assert found["pulls"][0]["factor"] == pytest.approx(WARM_FACTOR, abs=1e-6)
    assert found["pulls"][0]["observed"]["peak_power"] == pytest.approx(power, rel=5e-4)
    assert found["summary"]["peak_power"]["mean"] == pytest.approx(WARM_FACTOR * power, rel=5e-4)
    assert found["summary"]["peak_torque"]["mean"] == pytest.approx(WARM_FACTOR * 260, rel=5e-4)
    assert found["summary"]["peak_power"]["rpm"] == pytest.approx(speed, abs=10)


def test_a_summary_says_mean_best_spread_and_how_many(stoats):
    body = kept(stoats, session({"parts": [], "pulls": [pull(0.995), pull(1.0), pull(1.005)]}))
    found, power = body["setups"][0]["summary"]["peak_power"], peak_of_hump()[0]
    assert found["mean"] == pytest.approx(power, rel=5e-4)
    assert found["best"] == pytest.approx(1.005 * power, rel=5e-4)
    assert found["spread"] == pytest.approx(0.005 * power, rel=2e-3)  # sd of -0.5, 0, +0.5 %
    assert (found["spread_percent"], found["pulls"]) == (pytest.approx(0.5, abs=1e-3), 3)


def in_us(torque: list[float]) -> dict:
    """The hump in ft.lbf, and the reference air in degF and inHg."""
    air = {"temperature": 77.0, "pressure": 100 / INCH_MERCURY, "humidity": AIR["humidity"]}
    return pull(ambient=air, curve={"rpm": RPM, "torque": [t / FOOT_POUND for t in torque]})


def in_ps(torque: list[float]) -> dict:
    """The hump as power in metric horsepower, and the reference air in hPa."""
    power = [t * n * math.pi / 30_000 / METRIC_HORSEPOWER for t, n in zip(torque, RPM, strict=True)]
    return pull(ambient={**AIR, "pressure": 1000.0}, curve={"rpm": RPM, "power": power})


@pytest.mark.parametrize(
    ("units", "shown", "unit"), [("us", in_us, HORSEPOWER), ("ps", in_ps, METRIC_HORSEPOWER)]
)
def test_other_units_come_to_the_same_figures_and_are_answered_in_their_own(stoats, units, shown, unit):
    torque = [hump(rpm) for rpm in RPM]
    si = kept(stoats, session(setup(pulls=1)))
    other = kept(stoats, session({"parts": [], "pulls": [shown(torque)]}, vehicle="stoat-2", units=units))
    assert other["units"] == units
    assert peak_power(other) * unit == pytest.approx(peak_power(si), rel=1e-7)
    back = stoats.get(f"/v1/sessions/{other['id']}?units=si").json
    assert peak_power(back) == pytest.approx(peak_power(si), rel=1e-7)
    assert back["setups"][0]["pulls"][0]["ambient"]["pressure"] == pytest.approx(100.0)


def test_best_and_spread_stand_at_the_standard_of_their_mean(stoats):
    pulls = [pull(scale, ambient=WARM) for scale in (0.995, 1.0, 1.005)]
    body = kept(stoats, session({"parts": [], "pulls": pulls}))
    back = stoats.get(f"/v1/sessions/{body['id']}?standard=none").json
    found, (power, _) = back["setups"][0]["summary"]["peak_power"], peak_of_hump()
    assert found["mean"] == pytest.approx(power, rel=5e-4)
    assert found["best"] == pytest.approx(1.005 * power, rel=5e-4)
    assert found["spread"] == pytest.approx(0.005 * power, rel=2e-3)  # sd of -0.5, 0, +0.5 %


def test_a_dew_point_is_shown_in_the_asked_units(stoats):
    air = {"temperature": 25.0, "pressure": 100.0, "dew_point": 10.0}
    body = kept(stoats, session({"parts": [], "pulls": [pull(ambient=air)]}))
    shown = stoats.get(f"/v1/sessions/{body['id']}?units=us").json["setups"][0]["pulls"][0]["ambient"]
    assert (shown["dew_point"], shown["temperature"]) == (50.0, 77.0)  # 10 and 25 degC


def test_a_figure_corrected_already_by_a_given_factor_is_brought_back_to_observed(stoats):
    corrected = pull(1.02, basis={"standard": "sae-j1349", "factor": 1.02}, ambient=WARM)
    body = kept(stoats, session({"parts": [], "pulls": [corrected]}))
    observed = body["setups"][0]["pulls"][0]["observed"]["peak_power"]
    assert observed == pytest.approx(peak_of_hump()[0], rel=5e-4)
    assert peak_power(body) == pytest.approx(WARM_FACTOR * peak_of_hump()[0], rel=5e-4)


def test_a_figure_corrected_already_in_known_air_is_brought_back_to_observed(stoats):
    corrected = pull(WARM_FACTOR, basis={"standard": "sae-j1349"}, ambient=WARM)
    body = kept(stoats, session({"parts": [], "pulls": [corrected]}))
    assert body["setups"][0]["pulls"][0]["observed"]["peak_power"] == pytest.approx(
        peak_of_hump()[0], rel=5e-4
    )
    assert body["setups"][0]["pulls"][0]["basis"] == {"standard": "sae-j1349", "factor": None}


def test_a_figure_corrected_by_nobody_knows_what_is_kept_as_it_is_and_says_so(stoats):
    body = kept(stoats, session({**setup(), "pulls": [pull(basis={"standard": "unknown"})]}))
    found = body["setups"][0]
    assert peak_power(body) == pytest.approx(peak_of_hump()[0], rel=5e-4)
    assert (found["pulls"][0]["factor"], found["summary"]["standard"]) == (None, None)
    assert found["summary"]["standing"] == "as it was posted: corrected by a standard that was not recorded"
    assert [check["code"] for check in body["checks"]] == ["basis-unknown"]


def test_axle_torque_is_brought_to_the_engine_by_the_ratio(stoats):
    curve = {"rpm": RPM, "axle_torque": [3.9 * hump(rpm) for rpm in RPM]}
    body = kept(stoats, session({"parts": [], "pulls": [pull(curve=curve)]}, ratio=3.9))
    assert peak_power(body) == pytest.approx(peak_of_hump()[0], rel=5e-4)


@pytest.mark.parametrize("status", ["settling", "rejected"])
def test_settling_and_rejected_pulls_are_kept_and_count_nowhere(stoats, status):
    odd = pull(0.8, status=status, reason="cold")
    body = kept(stoats, session({"parts": [], "stock_checked": "declared", "pulls": [odd, pull(), pull()]}))
    found = body["setups"][0]
    assert (found["pulls"][0]["status"], found["pulls"][0]["reason"]) == (status, "cold")
    assert (found["summary"]["peak_power"]["pulls"], body["checks"]) == (2, [])
    assert peak_power(body) == pytest.approx(peak_of_hump()[0], rel=5e-4)


def test_a_pull_refused_as_it_stands_can_be_posted_as_rejected(stoats):
    torque = [hump(rpm) for rpm in RPM]
    torque[40] = 9e9
    slipped = {"curve": {"rpm": RPM, "torque": torque}}
    assert stoats.post("/v1/sessions", session({"parts": [], "pulls": [pull(**slipped)]})).status_code == 422
    body = kept(
        stoats, session({"parts": [], "pulls": [pull(), pull(**slipped, status="rejected", reason="slip")]})
    )
    assert peak_power(body) == pytest.approx(peak_of_hump()[0], rel=5e-4)


def test_a_setup_of_rejected_pulls_alone_is_kept_and_pairs_with_nothing(stoats):
    lost = {"parts": [], "pulls": [pull(status="rejected", reason="fuel pump")]}
    body = kept(stoats, session(lost, setup(["wide-pipe"])))
    assert body["setups"][0]["summary"]["peak_power"] is None
    assert body["pairs"] == []


@pytest.mark.parametrize("missing", ["temperature", "pressure", "humidity"])
def test_a_pull_without_its_whole_air_is_kept_marked_and_pairs_in_its_own_session_only(stoats, missing):
    air = {name: value for name, value in AIR.items() if name != missing}
    bare = [
        {"parts": parts, "stock_checked": "declared", "pulls": [pull(scale, ambient=air)]}
        for parts, scale in (([], 1), (["wide-pipe"], 1.05))
    ]
    body = kept(stoats, session(*bare))
    assert [(c["code"], c["level"]) for c in body["checks"]] == [("air-incomplete", "note")] * 2
    summary = body["setups"][0]["summary"]
    lacks = "humidity" if missing == "humidity" else f"the air's {missing}"
    assert (summary["standard"], summary["standing"]) == (
        None, f"as measured, not corrected: {lacks} was not recorded",
    )  # fmt: skip
    assert [pair["match"] for pair in body["pairs"]] == ["same-session"]
    assert body["pairs"][0]["peak_power_percent"] == pytest.approx(5.0, abs=0.01)
    assert kept(stoats, session(setup(), day=2))["pairs"] == []


def test_a_record_of_peaks_alone_is_kept_with_how_many_it_was_the_best_of(stoats):
    record = {"basis": {"standard": "sae-j1349", "factor": 1.01}, "best_of": 3, "source": "paper"}
    peaks = {"power": 120.0, "power_rpm": 5600, "torque": 250.0, "torque_rpm": 4000}
    body = kept(stoats, session({"parts": [], "pulls": [{**record, "peaks": peaks}]}))
    found = body["setups"][0]
    assert found["summary"]["best_of"] == 3
    assert found["summary"]["peak_power"]["best"] == pytest.approx(120.0)
    # The best of three reads 3 / (2 sqrt(pi)) = 0.846 spreads of 0.5 % high.
    assert found["summary"]["peak_power"]["mean"] == pytest.approx(120.0 / (1 + 0.84628 * 0.005), rel=1e-6)
    assert found["pulls"][0]["observed"]["peak_power"] == pytest.approx(120.0 / 1.01)
    assert stoats.get(f"/v1/pulls/{found['pulls'][0]['id']}").json["curve"] is None


def test_a_part_may_say_the_slot_it_sits_in(stoats):
    parts = [{"part": "mesh-pipe", "slot": "down-pipe"}, "road-map"]
    body = kept(stoats, session(setup(parts, pulls=1)))
    assert body["setups"][0]["parts"] == parts


def test_a_repeat_under_its_key_gets_the_first_answer_and_is_kept_once(stoats):
    body = session()
    first, again = (stoats.post("/v1/sessions", body, Idempotency_Key="one") for _ in range(2))
    assert (again.status_code, again.data) == (201, first.data)
    assert again.headers["Idempotency-Replayed"] == "true"
    assert len(stoats.get("/v1/sessions").json["items"]) == 1


def test_the_same_content_without_a_key_is_kept_once(stoats):
    body = session()
    first, again = (stoats.post("/v1/sessions", body) for _ in range(2))
    assert (again.status_code, again.json["id"]) == (201, first.json["id"])
    assert again.headers["Idempotency-Replayed"] == "true"
    assert "Idempotency-Replayed" not in first.headers
    assert len(stoats.get("/v1/sessions").json["items"]) == 1


def test_the_same_content_spelt_otherwise_at_another_moment_is_kept_once(stoats):
    body = session(clock="2026-03-01T11:00:00+00:00")
    first = kept(stoats, body)
    later = dict(reversed({**body, "clock": "2026-03-02T08:00:00+00:00"}.items()))
    again = stoats.raw(
        "POST", "/v1/sessions", data=json.dumps(later, indent=2), content_type="application/json"
    )
    assert (again.status_code, again.json["id"]) == (201, first["id"])
    assert again.headers["Idempotency-Replayed"] == "true"


def test_the_same_content_under_another_id_is_the_session_that_is_kept(stoats):
    body, ids = session(), [f"00000000-0000-4000-8000-00000000000{n}" for n in (1, 2)]
    first, again = (kept(stoats, {**body, "id": id}) for id in ids)
    assert (first["id"], again["id"]) == (ids[0], ids[0])
    assert len(stoats.get("/v1/sessions").json["items"]) == 1


def test_other_content_under_a_kept_id_is_a_conflict(stoats):
    named = {"id": "0d9f4c1e-4c0e-4b52-9d52-3f6a0b1c2d3e"}
    assert kept(stoats, session(**named))["id"] == named["id"]
    response = stoats.post("/v1/sessions", session(setup(scale=1.1), **named))
    assert response.status_code == 409
    assert response.json["errors"][0]["pointer"] == "/id"
    assert "its own id" in response.json["detail"]


def test_a_bays_token_posts_for_its_own_bay_only(north):
    assert north.post("/v1/sessions", session()).status_code == 201
    response = north.post("/v1/sessions", session(bay="hub", day=2))
    assert response.status_code == 422
    assert response.json["errors"][0]["pointer"] == "/bay"
    assert "that bay's own token" in response.json["detail"]


def test_a_bays_token_reads_its_own_posts_and_any_cars_last_session(stoats, north):
    older, newer = (kept(stoats, session(bay="hub", day=day)) for day in (1, 2))
    assert north.get(f"/v1/sessions/{newer['id']}").status_code == 200
    assert north.get(f"/v1/sessions/{older['id']}").status_code == 404
    assert north.get("/v1/sessions").json["items"] == []


def test_a_post_stands_in_the_history_with_who_posted_it(north, stoats):
    body = kept(north, session())
    (row,) = stoats.get(f"/v1/history?about=sessions/{body['id']}").json["items"]
    assert (row["who"], row["action"], row["about"]) == ("north", "posted", f"sessions/{body['id']}")
    assert body["posted_by"] == "north"


def test_a_part_invoiced_but_not_listed_is_doubtful_and_keeps_the_pair_out(stoats):
    fitted = {"part": "road-map", "fitted_on": "2026-02-01"}
    assert stoats.post("/v1/vehicles/stoat-1/modifications", fitted).status_code == 201
    body = kept(stoats, session(setup(), setup(["wide-pipe"], 1.05)))
    (check,) = body["checks"]
    assert (check["code"], check["level"]) == ("parts-differ-from-modifications", "doubtful")
    assert "road-map" in check["message"]
    assert [one["doubts"] for one in body["setups"]] == [[check["code"]]] * 2
    assert [pair["usable"] for pair in body["pairs"]] == [False]


def test_sessions_since_a_moment_begin_with_the_one_of_that_moment(stoats):
    for day in (1, 2, 3):
        kept(stoats, session(day=day))
    listed = stoats.get("/v1/sessions?since=2026-03-02T10:00:00Z").json["items"]
    assert [one["started_at"][:10] for one in listed] == ["2026-03-03", "2026-03-02"]


@pytest.mark.parametrize(
    "invoice",
    [
        {"fitted_on": "2026-02-01", "removed_on": "2026-03-01"},
        {"fitted_on": "2026-03-01"},
    ],
    ids=["taken off", "fitted"],
)
@pytest.mark.parametrize("listed", [["road-map"], []])
def test_what_went_on_or_off_on_the_day_may_be_listed_or_not(stoats, invoice, listed):
    fitted = {"part": "road-map", **invoice}
    assert stoats.post("/v1/vehicles/stoat-1/modifications", fitted).status_code == 201
    body = kept(stoats, session(setup(listed)))
    assert "parts-differ-from-modifications" not in {one["code"] for one in body["checks"]}


def test_a_part_invoiced_and_listed_raises_no_doubt(stoats):
    fitted = {"part": "road-map", "fitted_on": "2026-02-01"}
    assert stoats.post("/v1/vehicles/stoat-1/modifications", fitted).status_code == 201
    assert kept(stoats, session(setup(["road-map"])))["checks"] == []


def test_the_pairs_a_session_makes_are_answered_with_links_that_resolve(stoats):
    kept(stoats, session(setup()))
    body = kept(
        stoats, session(setup(["wide-pipe"], 1.05), setup(["road-map", "wide-pipe"], 1.2), day=1, gear=4)
    )
    found = {(p["part"], p["match"]): p for p in body["pairs"]}
    assert set(found) == {("wide-pipe", "same-day"), ("road-map", "same-session")}
    pair = found["wide-pipe", "same-day"]
    assert (pair["against"], pair["held"], pair["differs"]) == ("without", True, [])
    assert pair["peak_power_percent"] == pytest.approx(5.0, abs=0.01)
    assert stoats.get(pair["before"]).json["parts"] == []
    assert stoats.get(pair["after"]).json["parts"] == ["wide-pipe"]


def test_a_pairs_percent_takes_a_repeated_state_between_its_two_readings(stoats):
    drift = [math.exp(-0.01 * n) for n in range(3)]  # a straight drift of 1 % a setup cancels: 1.05 remains
    states = setup([], drift[0]), setup(["wide-pipe"], 1.05 * drift[1]), setup([], drift[2])
    (pair,) = kept(stoats, session(*states))["pairs"]
    assert (pair["match"], pair["peak_power_percent"]) == ("same-session-aba", pytest.approx(5.0, abs=0.01))
    states = setup(["mesh-pipe"], drift[0]), setup([], drift[1] / 1.05), setup(["mesh-pipe"], drift[2])
    (pair,) = kept(stoats, session(*states, vehicle="stoat-2"))["pairs"]
    assert (pair["match"], pair["peak_power_percent"]) == ("same-session-aba", pytest.approx(5.0, abs=0.01))


def test_a_condition_that_moved_is_listed_in_the_pair(stoats):
    warm = [pull(1.05, engine={**READY, "oil": 101.0})]
    body = kept(
        stoats,
        session(
            {"parts": [], "pulls": [pull(engine={**READY, "oil": 95.0})]},
            {"parts": ["wide-pipe"], "pulls": warm},
        ),
    )
    (pair,) = body["pairs"]
    assert not pair["held"]
    assert [(d["before"], d["after"], d["window"]) for d in pair["differs"]] == [(95.0, 101.0, 5.0)]


def test_two_megabytes_of_good_pulls_are_kept(stoats):
    rpm = [2000.125 + i for i in range(4500)]
    curves = [{"rpm": rpm, "torque": lifted([hump(n) for n in rpm], rpm)} for _ in range(20)]
    body = session({"parts": [], "pulls": [pull(curve=curve) for curve in curves]})
    assert len(json.dumps(body)) > 2_000_000
    assert peak_power(kept(stoats, body)) == pytest.approx(peak_of_hump()[0], rel=5e-4)


def test_any_language_is_kept_as_it_was_written(stoats):
    written = "Überprüft, 試運転, проверено, שלום 🏁"
    body = kept(
        stoats, session(setup(label=written, pulls=1), operator="Žofie Ǿ", tyre_size="225/45 R17 «été»")
    )
    back = stoats.get(f"/v1/sessions/{body['id']}").json
    assert back["setups"][0]["label"] == written
    assert (back["operator"], back["tyre_size"]) == ("Žofie Ǿ", "225/45 R17 «été»")


def test_sessions_are_listed_newest_first_page_by_page_and_as_csv(stoats):
    ids = [kept(stoats, session(day=day))["id"] for day in (3, 1, 2)]
    first = stoats.get("/v1/sessions?limit=2")
    assert [row["id"] for row in first.json["items"]] == [ids[0], ids[2]]
    second = stoats.get(first.headers["Link"].split(">")[0].lstrip("<"))
    assert [row["id"] for row in second.json["items"]] == [ids[1]]
    lines = stoats.get("/v1/sessions?vehicle=stoat-1", Accept="text/csv").text.splitlines()
    assert (lines[0].split(",")[:3], len(lines)) == (["id", "vehicle", "platform"], 4)
