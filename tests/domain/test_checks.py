"""Every check at the door: a good post passes it, a bad one is caught, pointed at and told the way out."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from service.domain.checks import Case, Surroundings, doubts, figure_refusals, refusals, slot_refusals
from service.domain.checks.agreement import SPREAD_LIMIT
from service.domain.checks.rules import in_print
from service.domain.derive import derive_pull
from service.domain.records import (
    Part,
    PlatformFacts,
    PostedPart,
    PostedPeaks,
    PostedPull,
    PostedSession,
    PostedSetup,
)
from tests.factories import hump

NOW = datetime(2026, 3, 18, 17, 0, tzinfo=UTC)
RPM = np.arange(2000.0, 6501.0, 25.0)
TORQUE = np.array([hump(rpm) for rpm in RPM])
PLATFORM = PlatformFacts(1, "turbo", "spark", 6500.0, None)
PARTS = {
    "wide-pipe": Part(1, "wide-pipe", frozenset({"down-pipe"})),
    "mesh-pipe": Part(2, "mesh-pipe", frozenset({"down-pipe"})),
    "pipe-kit": Part(3, "pipe-kit", frozenset({"down-pipe", "catalyst"})),
}


def pull(n: int = 1, scale: float = 1.0, **fields) -> PostedPull:
    """A good pull in the reference air."""
    good = {
        "temperature_c": 25.0,
        "pressure_kpa": 100.0,
        "humidity": 0.3155,
        "smoothing": {"method": "moving mean"},
    }
    return PostedPull(n=n, **{"channels": {"rpm": RPM, "torque": scale * TORQUE}, **good, **fields})


def channels(**more) -> dict:
    """The good curve with other channels."""
    return {"rpm": RPM, "torque": TORQUE, **more}


def up_to(top: float) -> dict:
    """The good curve, ended early."""
    below = int(np.searchsorted(RPM, top, side="right"))
    return {"rpm": RPM[:below], "torque": TORQUE[:below]}


def session(*pulls: PostedPull, parts: tuple = (), **fields) -> PostedSession:
    """A session of one setup."""
    setup = PostedSetup(
        n=1, parts=parts, parts_known="complete", stock_checked="verified", pulls=pulls or (pull(),)
    )
    return PostedSession(
        id=None, vehicle="stoat-1", bay="north", setups=(setup,), **{"started_at": NOW, **fields}
    )


def refused(*pulls: PostedPull, **fields) -> list[tuple[str, str]]:
    """(code, pointer) of everything refused."""
    return [(f.code, f.pointer) for f in refusals(Case(session(*pulls, **fields), NOW), {})]


def doubted(*pulls: PostedPull, spread: float = 0.005, platform: PlatformFacts = PLATFORM, **fields) -> list:
    """(code, level, pointer) of everything doubtful or noted."""
    posted = session(*pulls, **fields)
    derived = {(1, p.n): derive_pull(p, None) for p in posted.setups[0].pulls}
    case = Case(posted, NOW, derived, platform, Surroundings(pull_spread=spread))
    return [(f.code, f.level, f.pointer) for f in doubts(case, {})]


def only(code: str, found: list) -> list:
    """What one check said among the others."""
    return [one for one in found if one[0] == code]


def test_a_good_session_raises_nothing():
    good = (pull(1), pull(2, 1.004), pull(3, 0.998))
    assert refused(*good) == []
    assert doubted(*good) == []


@pytest.mark.parametrize("minutes", [11, 60 * 24 * 365])
def test_a_time_well_after_the_servers_clock_is_refused(minutes):
    later = NOW + timedelta(minutes=minutes)
    assert refused(started_at=later) == [("time-in-the-future", "/started_at")]
    assert refused(pull(started_at=later)) == [("time-in-the-future", "/setups/0/pulls/0/started_at")]


def test_a_time_that_the_servers_clock_may_be_off_by_is_taken():
    assert refused(started_at=NOW + timedelta(minutes=9)) == []


def test_a_bay_whose_clock_runs_ahead_may_post_its_own_times_and_is_told():
    ahead = NOW + timedelta(hours=1)
    assert refused(started_at=ahead, clock=ahead) == []
    assert doubted(started_at=ahead, clock=ahead) == [("clock-skew", "note", "/clock")]
    assert refused(started_at=ahead + timedelta(minutes=3), clock=ahead) == [
        ("time-in-the-future", "/started_at")
    ]


@pytest.mark.parametrize(
    ("behind", "words"),
    [({"minutes": 50}, "50 min behind"), ({"hours": 30}, "30 h behind"), ({"days": 900}, "900 days behind")],
)
def test_how_far_the_clock_is_off_is_said_with_the_limit(behind, words):
    case = Case(session(clock=NOW - timedelta(**behind)), NOW, {(1, 1): derive_pull(pull(), None)})
    (finding,) = doubts(case, {})
    assert f"is {words} the server's (at most 2 min)" in finding.message


def test_a_clock_within_two_minutes_is_not_remarked_on():
    assert doubted(clock=NOW - timedelta(seconds=119)) == []


@pytest.mark.parametrize(
    ("channel", "value"),
    [
        ("torque", 5001.0),
        ("lambda", 14.7),
        ("map", 1010.0),
        ("throttle", 100.0),
        ("spark", 95.0),
        ("inlet", 300.0),
        ("knock_retard", -9.0),
        ("roller_speed", -1.0),
        ("time", 1.7e9),
        ("rpm", 20_001.0),
    ],
)
def test_a_value_that_no_car_gives_is_refused_at_its_sample(channel, value):
    good = np.full(len(RPM), 100.0 if channel == "map" else 1.0)
    values = np.array(channels().get(channel, good))
    values[7] = value
    found = refused(pull(channels=channels(**{channel: values})))
    assert found == [("impossible-value", f"/setups/0/pulls/0/curve/{channel}/7")]


@pytest.mark.parametrize(
    ("channel", "value", "words"),
    [
        ("lambda", 14.7, "14.7 looks like an air-fuel ratio: divide by 14.7"),
        ("lambda", 100.0, "between 0.3 and 10 can be true: check the unit and the column"),
        ("throttle", 100.0, "it looks like percent: divide by 100"),
        ("map", 4.0, "between 5 and 800 kPa can be true: send absolute pressure: gauge plus the barometer"),
        ("map", 1013.25, "map is 1013.2 at sample 0"),
    ],
)
def test_a_value_that_cannot_be_is_told_which_slip_it_looks_like(channel, value, words):
    post = session(pull(channels=channels(**{channel: np.full(len(RPM), value)})))
    (finding,) = refusals(Case(post, NOW), {})
    assert words in finding.message


def test_a_rejected_pull_may_hold_values_that_no_car_gives():
    spoiled = channels(torque=0 * TORQUE, map=np.full(len(RPM), 1e6), power=np.full(len(RPM), 9e3))
    assert refused(pull(1), pull(2, channels=spoiled, status="rejected")) == []


def test_a_rejected_pull_must_still_be_storable():
    spoiled = channels(torque=np.full(len(RPM), 1e39))
    assert refused(pull(channels=spoiled, status="rejected")) == [
        ("impossible-value", "/setups/0/pulls/0/curve/torque/0")
    ]


@pytest.mark.parametrize("name", ["torque", "power", "axle_torque"])
@pytest.mark.parametrize("scale", [0.0, -0.1, 1e-9], ids=["nought", "negative", "as good as nought"])
def test_a_curve_that_never_pulls_is_refused(name, scale):
    still = pull(channels={"rpm": RPM, name: scale * TORQUE})
    posted, derived = session(still), {(1, 1): derive_pull(still, 3.9)}
    assert [(f.code, f.pointer) for f in figure_refusals(Case(posted, NOW, derived), {})] == [
        ("no-pull", f"/setups/0/pulls/0/curve/{name}")
    ]
    assert list(figure_refusals(Case(session(replace(still, status="rejected")), NOW, derived), {})) == []
    assert list(figure_refusals(Case(session(pull()), NOW, {(1, 1): derive_pull(pull(), None)}), {})) == []


def test_a_dew_point_above_the_air_temperature_is_refused():
    found = refused(pull(humidity=None, dew_point_c=25.1))
    assert found == [("dew-point-above-temperature", "/setups/0/pulls/0/ambient/dew_point")]
    assert refused(pull(humidity=None, dew_point_c=25.0)) == []


def test_humidity_and_dew_point_together_are_refused():
    assert refused(pull(dew_point_c=10.0)) == [("air-impossible", "/setups/0/pulls/0/ambient")]


def test_air_that_makes_an_impossible_factor_is_refused():
    # By hand, dry air at 72 kPa and 25 degC: 1.18 x 99 / 72 - 0.18 = 1.4425.
    (finding,) = refusals(Case(session(pull(pressure_kpa=72.0, humidity=0.0)), NOW), {})
    assert (finding.code, finding.pointer) == ("factor-impossible", "/setups/0/pulls/0/ambient")
    assert "1.442" in finding.message


@pytest.mark.parametrize("air", [{}, {"humidity": None}], ids=["air known", "air not known"])
def test_a_posted_factor_that_cannot_be_is_refused(air):
    found = refused(pull(basis_standard="sae-j1349", basis_factor=1.3, **air))
    assert found == [("factor-impossible", "/setups/0/pulls/0/basis/factor")]
    assert refused(pull(basis_standard="sae-j1349", basis_factor=1.2, **air)) == []


def test_power_that_is_not_torque_times_speed_is_refused_and_told_by_how_much():
    power = TORQUE * RPM * np.pi / 30_000
    assert refused(pull(channels=channels(power=1.004 * power))) == []
    (finding,) = refusals(
        Case(session(pull(channels=channels(power=power / 0.7457))), NOW), {}
    )  # horsepower for kilowatts
    assert (finding.code, finding.pointer) == ("power-torque-disagree", "/setups/0/pulls/0/curve/power")
    assert "1.341" in finding.message


def test_axle_torque_without_the_ratio_is_refused():
    axle = pull(channels={"rpm": RPM, "axle_torque": 3.9 * TORQUE})
    assert refused(axle) == [("ratio-missing", "/ratio")]
    assert refused(axle, ratio=3.9) == []


@pytest.mark.parametrize("missing", ["temperature_c", "pressure_kpa", "humidity"])
def test_air_that_was_not_fully_recorded_is_noted_and_never_refused(missing):
    assert refused(pull(**{missing: None})) == []
    assert doubted(pull(**{missing: None})) == [("air-incomplete", "note", "/setups/0/pulls/0/ambient")]


def test_air_that_the_pulls_of_a_setup_lack_alike_is_one_note_that_names_them():
    dry = [pull(n, 1.0 + 0.001 * n, humidity=None) for n in (1, 2, 3)]
    cold = pull(4, temperature_c=None, humidity=None, pressure_kpa=None)
    case = Case(session(*dry, cold), NOW, {(1, one.n): derive_pull(one, None) for one in (*dry, cold)})
    alike, alone = [f for f in doubts(case, {}) if f.code == "air-incomplete"]
    assert (alike.pointer, alike.pull_n, alone.pointer) == (
        "/setups/0/pulls",
        None,
        "/setups/0/pulls/3/ambient",
    )
    assert alike.message.startswith("pull 1: humidity (or dew_point) not recorded: kept")
    assert alike.message.endswith("(so too pulls 2 and 3)")
    assert alone.message.startswith("temperature, pressure and humidity (or dew_point) not recorded: kept")


def test_a_figure_corrected_by_an_unknown_factor_is_noted():
    found = doubted(pull(basis_standard="unknown"))
    assert found == [("basis-unknown", "note", "/setups/0/pulls/0/basis")]


def test_a_factor_beyond_what_the_standard_trusts_is_doubtful():
    # By hand, dry air at 25 degC: 1.18 x 99 / p - 0.18 is 1.07 at 93.46 kPa.
    assert doubted(pull(pressure_kpa=93.5, humidity=0.0)) == []
    found = doubted(pull(pressure_kpa=93.4, humidity=0.0))
    assert found == [("factor-outside-limits", "doubtful", "/setups/0/pulls/0/ambient")]


def test_a_factor_beyond_its_limits_names_the_way_out_and_percent_stand_apart_from_their_number():
    thin = pull(pressure_kpa=90.0, humidity=0.0)
    said = list(doubts(Case(session(thin), NOW, {(1, 1): derive_pull(thin, None)}), {}))
    assert "outside 0.93 to 1.07" in said[0].message
    assert "set this limit for the bay (setting `checks`)" in said[0].message
    assert in_print("1.5% of 3% %") == "1.5 % of 3 % %"


def test_seven_samples_draw_no_curve_and_eight_do():
    for samples, expected in ((8, []), (7, [("few-samples", "doubtful", "/setups/0/pulls/0/curve/rpm")])):
        at = np.linspace(0, len(RPM) - 1, samples).astype(int)
        found = doubted(pull(channels={"rpm": RPM[at], "torque": TORQUE[at]}))
        assert only("few-samples", found) == expected


def test_a_pull_over_less_than_six_tenths_of_the_rev_range_is_doubtful():
    # The range counted is 0.75 x 6500 = 4875 rpm, of which 0.6 are 2925 rpm: from 2000 up to 4925.
    for top, expected in ((4925, []), (4900, [("rpm-coverage", "doubtful", "/setups/0/pulls/0/curve/rpm")])):
        assert only("rpm-coverage", doubted(pull(channels=up_to(top)))) == expected


def test_a_platform_without_a_limit_expects_no_coverage():
    short = pull(channels={"rpm": RPM[:20], "torque": TORQUE[:20]})
    assert doubted(short, platform=replace(PLATFORM, rpm_limit=None)) == []


def test_peak_figures_that_do_not_say_of_how_many_are_noted():
    record = pull(channels={}, peaks=PostedPeaks(120.4, None, None, None))
    assert doubted(record) == [("best-of-unknown", "note", "/setups/0/pulls/0/best_of")]
    assert doubted(replace(record, best_of=3)) == []


@pytest.mark.parametrize("pulls", [2, 3, 4])
def test_pulls_further_apart_than_the_bays_own_spread_explains_are_doubtful(pulls):
    for reach, expected in ((0.99, []), (1.01, [("pulls-disagree", "doubtful", "/setups/0/pulls")])):
        apart = np.exp(reach * SPREAD_LIMIT[pulls] * 0.004)
        good = [pull(n) for n in range(1, pulls)]
        assert doubted(*good, pull(pulls, apart), spread=0.004) == expected


def test_fewer_than_one_good_set_in_a_hundred_exceeds_the_limit():
    # However well the bay's own spread is known: from 20 pulls on (the studentised range of scipy), up to exactly.
    for pulls, limit in SPREAD_LIMIT.items():
        for known_from in (20, 1e6):
            assert 0.001 < stats.studentized_range.sf(limit, pulls, known_from) < 0.01, (pulls, known_from)


def test_settling_and_rejected_pulls_raise_no_doubt():
    odd = pull(2, 1.2, humidity=None, status="settling")
    assert doubted(pull(1), odd, replace(odd, n=3, status="rejected")) == []


@pytest.mark.parametrize(
    ("fitted", "found"),
    [
        ([("wide-pipe", None)], []),
        ([("pipe-kit", "catalyst"), ("wide-pipe", None)], []),
        ([("wide-pipe", "catalyst")], [("part-not-in-slot", "/setups/0/parts/0/slot")]),
        ([("wide-pipe", None), ("mesh-pipe", None)], [("slot-taken-twice", "/setups/0/parts/1")]),
        ([("wide-pipe", None), ("pipe-kit", None)], [("slot-taken-twice", "/setups/0/parts/1")]),
        ([("wide-pipe", None), ("wide-pipe", None)], [("part-twice", "/setups/0/parts/1")]),
    ],
)
def test_parts_must_fit_their_slots_one_to_a_slot(fitted, found):
    setup = session(parts=tuple(PostedPart(*part) for part in fitted)).setups[0]
    assert [(f.code, f.pointer) for f in slot_refusals(setup, PARTS)] == found
