"""Slip, gears, the scale of engine speed and rough curves: good pulls pass, faulty ones are caught.

Each rule is held against invented pulls of an easy and a hard shop (tests/references/slips.py: sensors that lag, tremble
and round, creep, tyre growth) and on both sides of its threshold. The sizes are common practice, no source.
"""

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from service.domain.channels import channel_grids
from service.domain.checks import machine, rpm_axis, rpm_scale
from service.domain.checks.case import Case, EarlierState, StockReference, Surroundings
from service.domain.checks.rules import RULES
from service.domain.curve import GRID_RPM
from service.domain.derive import DerivedPull, derive_pull, locked_ratio
from service.domain.records import PlatformFacts, PostedPart, PostedPull, PostedSession, PostedSetup
from tests.references import slips

NOW = datetime(2026, 3, 18, 17, 0, tzinfo=UTC)
PLATFORM = PlatformFacts(1, "turbo", "spark", 6500.0, None)
OURS = {
    code
    for code, one in RULES.items()
    if one.look.__module__ in (machine.__name__, rpm_scale.__name__, rpm_axis.__name__)
}
ENGINE = slips.Engine(300.0, 2000.0, 300.0, 4000.0, 0.03, 2000.0, 6500.0)
ROLLERS, TORQUE = "/setups/0/pulls/0/curve/roller_speed", "/setups/0/pulls/0/curve/torque"
PULLS, TYRE = "/setups/0/pulls", "205/55 R16"
SHOPS = pytest.mark.parametrize("shop", [slips.EASY, slips.HARD], ids=["easy", "hard"])


def plain() -> dict:
    """A pull of 181 rows from 2000 to 6500 rpm in a gear of 3.2 engine turns a roller turn, a little noise in torque."""
    rpm = np.linspace(2000.0, 6500.0, 181)
    torque = ENGINE.torque(rpm) * (1.0 + 0.005 * np.random.default_rng(5).standard_normal(rpm.size))
    return {"rpm": rpm, "torque": torque, "roller_speed": rpm / 3.2}


def ahead(share: np.ndarray) -> dict:
    """The same with engine speed ahead of the rollers by a share at each row."""
    good = plain()
    return {**good, "rpm": good["rpm"] * (1.0 + share), "torque": good["torque"] / (1.0 + share)}


def posted(*curves: dict, parts: tuple[str, ...] = (), pull: dict | None = None, **fields) -> PostedSession:
    """A session of one setup in gear 4."""
    pulls = tuple(PostedPull(n=n, channels=curve, **(pull or {})) for n, curve in enumerate(curves, 1))
    setup = PostedSetup(1, tuple(PostedPart(slug) for slug in parts), "complete", "verified", pulls)
    return PostedSession(None, "stoat-1", "north", NOW, (setup,), **{"gear": 4, **fields})


def derived(pull: PostedPull) -> DerivedPull:
    """A pull's figures with its channels on the grid."""
    figures = derive_pull(pull, None)
    used = {name: values[figures.trace.used] for name, values in pull.channels.items()}
    return replace(figures, channels=channel_grids(used["rpm"], used, np.isfinite(figures.grid)))


def found(session: PostedSession, limits: dict | None = None, **around) -> list[tuple[str, str]]:
    """(code, pointer) of all that our rules have to say."""
    figures = {(1, pull.n): derived(pull) for pull in session.setups[0].pulls}
    case = Case(session, NOW, figures, PLATFORM, Surroundings(**around))
    said = [f for code in sorted(OURS) for f in RULES[code].findings(case, (limits or {}).get(code, {}))]
    assert all(f.message and "consistent with" in f.message for f in said)
    return [(f.code, f.pointer) for f in said]


def codes(run: slips.Run, **around) -> set[str]:
    """What is said of one run."""
    return {code for code, _ in found(posted(run.channels()), **around)}


@SHOPS
@pytest.mark.parametrize("kind", ["roller-inertia", "hub"])
def test_good_pulls_raise_nothing(shop, kind):
    rng = np.random.default_rng(1)
    alarms = Counter()
    for _ in range(100):
        alarms.update(codes(slips.good(rng, shop), bay_kind=kind))
    assert sum(alarms.values()) == 0, alarms


@SHOPS
@pytest.mark.parametrize("fault", sorted(slips.FAULTS))
def test_nearly_every_fault_is_caught_by_its_own_check(shop, fault):
    rng = np.random.default_rng(3)
    caught = [fault in codes(slips.FAULTS[fault](rng, slips.good(rng, shop))) for _ in range(40)]
    assert sum(caught) >= 38


@SHOPS
def test_a_coast_down_after_the_pull_is_no_gear_change(shop):
    rng = np.random.default_rng(2)
    runs = [slips.with_coast_down(rng, slips.good(rng, shop)) for _ in range(60)]
    assert [codes(run) for run in runs] == [set()] * 60


def bump(height: float, half_rpm: float = 300.0) -> dict:
    """Engine speed that runs ahead by `height` at 4000 rpm and comes back."""
    return ahead(height * np.exp(-(((plain()["rpm"] - 4000.0) / half_rpm) ** 2)))


def stays(height: float) -> dict:
    """Engine speed that runs ahead by `height` from 3500 to 4000 rpm and stays there, torque capped."""
    rpm = plain()["rpm"]
    good = ahead(height * np.clip((rpm - 3500.0) / 500.0, 0.0, 1.0))
    cap = ENGINE.torque(np.array([3500.0]))[0]
    return {**good, "torque": np.minimum(good["torque"], cap)}


def test_engine_speed_that_flares_up_and_comes_back_is_tyre_slip_on_rollers():
    # The bump rises fastest by height / half x sqrt(2 / e) = 0.00286 x height per rpm: about 0.55 x height in 200 rpm.
    assert found(posted(bump(0.012))) == []
    assert found(posted(bump(0.03))) == [("tyre-slip", ROLLERS)]


def test_a_slow_flare_counts_from_four_percent_above_the_middle_of_the_pull():
    # Too slow for the first sign where that is set to 3 % in 200 rpm; the middle half itself lies in the bump.
    limits = {"tyre-slip": {"steep": 0.03}}
    assert found(posted(bump(0.05, 500.0)), limits) == []
    assert found(posted(bump(0.08, 500.0)), limits) == [("tyre-slip", ROLLERS)]


def test_engine_speed_that_runs_away_and_stays_is_clutch_slip():
    assert found(posted(stays(0.027))) == []
    assert found(posted(stays(0.033))) == [("clutch-slip", ROLLERS)]
    assert found(posted(stays(0.033)), bay_kind="hub") == [("clutch-slip", ROLLERS)]


def test_on_hubs_there_is_no_tyre_to_slip_so_that_a_flare_is_the_clutchs():
    assert found(posted(bump(0.06)), bay_kind="hub") == [("clutch-slip", ROLLERS)]


def test_engine_speed_that_runs_away_while_torque_still_rises_is_not_called_a_clutch():
    rpm = plain()["rpm"]
    good = ahead(0.05 * np.clip((rpm - 3500.0) / 500.0, 0.0, 1.0))
    assert found(posted({**good, "torque": 100.0 + 0.04 * rpm})) == [
        ("curve-smoothed", "/setups/0/pulls/0/curve/torque")
    ]


def test_a_ratio_that_falls_smoothly_to_its_end_value_is_an_open_converter():
    # After 300 rpm of tip-in exp(-0.3) = 0.74 of what it was ahead by is left, and hardly any at the end.
    falling = np.exp(-(plain()["rpm"] - 2000.0) / 1000.0)
    assert found(posted(ahead(0.035 * falling))) == []
    assert found(posted(ahead(0.06 * falling))) == [("converter-unlocked", ROLLERS)]
    assert found(posted(ahead(0.20 * falling))) == [("converter-unlocked", ROLLERS)]


@pytest.mark.parametrize("step", [0.10, -0.10])
def test_a_step_of_a_tenth_is_not_yet_refused(step):
    shifted = ahead(np.where(np.arange(181) < 90, 0.0, step))
    assert "gear-change" not in dict(found(posted(shifted)))


@pytest.mark.parametrize("step", [0.35, 0.14, -0.14, -0.25])
def test_a_ratio_that_steps_and_stays_is_refused_as_two_gears_in_one_curve(step):
    shifted = ahead(np.where(np.arange(181) < 90, 0.0, step))
    assert ("gear-change", ROLLERS) in found(posted(shifted))
    assert RULES["gear-change"].level == "refused"


def test_a_gear_change_is_looked_for_before_anything_is_derived_and_only_in_pulls_that_count():
    shifted = ahead(np.where(np.arange(181) < 90, 0.0, 0.3))
    for status, expected in (("accepted", 1), ("settling", 0), ("rejected", 0)):
        case = Case(posted(shifted, pull={"status": status}), NOW)
        assert len(list(RULES["gear-change"].findings(case, {}))) == expected


def test_one_sample_out_of_line_is_no_gear_change():
    spike = np.zeros(181)
    spike[90] = 0.5
    assert "gear-change" not in dict(found(posted(ahead(spike))))


def test_without_roller_speed_nothing_is_said_of_slip():
    silent = {name: values for name, values in bump(0.2).items() if name != "roller_speed"}
    assert found(posted(silent)) == []


def earlier(ratio: float = 3.2, **fields) -> EarlierState:
    """This car's last visit: stock, gear 4, in the same bay."""
    good = {
        "session": "s1", "setup_n": 1, "bay": "north", "started_at": datetime(2026, 1, 7, tzinfo=UTC),
        "parts": frozenset(), "gear": 4, "speed_ratio": ratio, "power_kw": 150.0, "torque_nm": None,
        "tyre_size": TYRE,
    }  # fmt: skip
    return EarlierState(**{**good, **fields})


def reference(**fields) -> StockReference:
    """Twelve stock cars of the platform: their curve is the engine's, their gears 4 and 5 are known."""
    inside = (GRID_RPM >= 2000.0) & (GRID_RPM <= 6500.0)
    torque = np.where(inside, ENGINE.torque(GRID_RPM), np.nan)
    power = torque * GRID_RPM * np.pi / 30_000.0
    at = int(np.nanargmax(power))
    good = {
        "cars": 12, "power_kw": float(power[at]), "power_rpm": float(GRID_RPM[at]), "power_sd": 0.025,
        "torque_nm": torque, "speed_ratio": {3: 4.4, 4: 3.2, 5: 2.5},
    }  # fmt: skip
    return StockReference(**{**good, **fields})


def geared(ratio: float, axis: float = 1.0) -> dict:
    """The plain pull at another ratio of engine to roller speed; with `axis` its engine speed is read so much too high."""
    good = plain()
    rpm = good["rpm"] * axis
    return {"rpm": rpm, "torque": good["torque"] / axis, "roller_speed": rpm / ratio}


@pytest.mark.parametrize("factor", [2.0, 0.5])
def test_engine_speed_counted_twice_or_half_is_told_from_a_wrong_gear_by_where_power_peaks(factor):
    counted = posted(geared(3.2 * factor, factor))
    assert found(counted, earlier=(earlier(),)) == [("rpm-doubled", PULLS)]
    assert found(counted, reference=reference()) == [("rpm-doubled", PULLS)]
    two_gears_off = posted(geared(3.2 * factor))
    other = {4: 3.2, 2: 6.4, 6: 1.6}
    assert found(two_gears_off, reference=reference(speed_ratio=other)) == [("wrong-gear", "/gear")]


@pytest.mark.parametrize(
    ("ratio", "expected"), [(3.5, []), (4.4, ["wrong-gear"]), (2.5, ["wrong-gear"]), (5.4, [])]
)
def test_a_ratio_a_neighbouring_gear_away_is_another_gear_than_declared(ratio, expected):
    # Gears 4 and 5 are 3.2 / 2.5 = 1.28 apart; 5.4 / 3.2 = 1.69 is more than neighbours are, and no known gear.
    said = [
        code
        for code, _ in found(posted(geared(ratio)), reference=reference())
        if code != "speed-ratio-differs"
    ]
    assert said == expected


@pytest.mark.parametrize(("ratio", "expected"), [(2.5 / 1.82, True), (2.5 / 1.77, False), (4.4 * 1.82, True)])
def test_a_ratio_that_lies_a_factor_of_1_8_off_every_known_gear_is_another_unit(ratio, expected):
    # Known are 4.4, 3.2 and 2.5, whatever gear is declared.
    for gear in (4, None):
        said = found(posted(geared(ratio), gear=gear), reference=reference())
        assert (("roller-speed-unit", PULLS) in said) is expected


def test_km_h_in_the_rollers_column_is_told_to_be_rpm():
    # A roller of 0.5 m: pi x 0.5 x 60 / 1000 = 0.0942 km/h a turn a minute; 3.2 / 0.0942 = 34.
    session = posted(geared(3.2 / 0.0942))
    around = Surroundings(reference=reference())
    case = Case(session, NOW, {(1, 1): derived(session.setups[0].pulls[0])}, PLATFORM, around)
    (finding,) = RULES["roller-speed-unit"].findings(case, {})
    assert finding.level == "doubtful"
    assert "is 34, 7.7 times the 4.4 of the platform's stock cars" in finding.message
    assert "consistent with km/h or another unit; send the roller's speed in rpm" in finding.message


@pytest.mark.parametrize(
    ("ratio", "expected"), [(0.29, True), (0.31, False), (3.2, False), (14.9, False), (15.1, True)]
)
def test_without_any_known_ratio_only_what_no_machine_gives_is_another_unit(ratio, expected):
    assert found(posted(geared(ratio))) == [("roller-speed-unit", PULLS)] * expected


@pytest.mark.parametrize("factor", [2.0, 0.5])
def test_engine_speed_counted_twice_is_not_another_unit_of_the_rollers(factor):
    said = found(posted(geared(3.2 * factor, factor)), reference=reference(speed_ratio={4: 3.2}))
    assert said == [("rpm-doubled", PULLS)]


def test_the_gear_that_it_would_be_is_named_where_the_platform_knows_it():
    session = posted(geared(2.52))
    case = Case(
        session,
        NOW,
        {(1, 1): derived(session.setups[0].pulls[0])},
        PLATFORM,
        Surroundings(reference=reference()),
    )
    (finding,) = RULES["wrong-gear"].findings(case, {})
    assert "gear 5" in finding.message
    unnamed = replace(case, around=Surroundings(earlier=(earlier(),)))
    (finding,) = RULES["wrong-gear"].findings(unnamed, {})
    assert "another gear" in finding.message


def test_what_agrees_with_either_the_car_or_its_platform_is_not_another_gear():
    assert found(posted(geared(3.2)), earlier=(earlier(2.5),), reference=reference()) == []
    changed = earlier(4.4, parts=frozenset({"short-axle"}))
    assert found(posted(geared(4.4), parts=("short-axle",)), earlier=(changed,), reference=reference()) == []


@pytest.mark.parametrize(
    "different",
    [{"gear": 3}, {"gear": None}, {"bay": "south"}, {"speed_ratio": None}],
    ids=["other gear", "gear not known", "other bay's rollers", "no ratio"],
)
def test_only_readings_of_one_gear_on_one_bays_rollers_are_compared(different):
    assert found(posted(geared(6.4)), earlier=(earlier(**different),)) == []
    assert found(posted(geared(6.4), gear=None), earlier=(earlier(),), reference=reference()) == []


@pytest.mark.parametrize("sign", [1, -1])
def test_the_same_tyre_size_and_parts_allow_three_and_a_half_percent(sign):
    for share, expected in ((0.033, []), (0.038, [("rpm-scale", PULLS)])):
        ratio = 3.2 * (1.0 + share) ** sign
        assert found(posted(geared(ratio), tyre_size=TYRE), earlier=(earlier(),)) == expected


def test_hubs_have_no_tyre_so_that_one_percent_is_doubtful_there():
    for share, expected in ((0.009, []), (0.012, [("rpm-scale", PULLS)])):
        assert found(posted(geared(3.2 * (1.0 + share))), earlier=(earlier(),), bay_kind="hub") == expected


def test_another_tyre_size_excuses_and_an_unknown_one_or_other_parts_make_it_a_note():
    bigger, note = geared(3.2 * 1.06), [("speed-ratio-differs", PULLS)]
    assert found(posted(bigger, tyre_size="225/45 R17"), earlier=(earlier(),)) == []
    assert found(posted(bigger), earlier=(earlier(),)) == note
    assert found(posted(bigger, tyre_size=TYRE), earlier=(earlier(tyre_size=None),)) == note
    assert found(posted(bigger, tyre_size=TYRE, parts=("light-wheels",)), earlier=(earlier(),)) == note


def test_against_the_platform_a_difference_of_a_tyre_is_only_noted():
    assert found(posted(geared(3.2 * 1.05)), reference=reference()) == []
    assert found(posted(geared(3.2 * 1.08)), reference=reference()) == [("speed-ratio-differs", PULLS)]


@SHOPS
@pytest.mark.parametrize(("tyre", "limit"), [(True, "tyre"), (False, "hub")], ids=["rollers", "hubs"])
def test_the_same_car_on_another_day_hardly_ever_passes_the_limit(shop, tyre, limit):
    rng = np.random.default_rng(11)
    figures = [
        derived(PostedPull(n=1, channels=run.channels()))
        for _ in range(50)
        for run in slips.visit(rng, shop, ENGINE, tyre=tyre)
    ]
    levels = np.log([locked_ratio(one) for one in figures]).reshape(50, 3)
    apart = np.abs(np.subtract.outer(np.median(levels, axis=1), np.median(levels, axis=1)))
    assert np.mean(apart > np.log1p(RULES["rpm-scale"].limits[limit].default)) < 0.01


def axis(factor: float, level: float = 1.0, tilt: float = 0.0) -> dict:
    """The platform's curve with engine speed read `factor` times too high, at another level or tilted; no roller speed."""
    good = plain()
    tilted = level * (1.0 + tilt * (good["rpm"] - 4000.0) / 1000.0)
    return {"rpm": good["rpm"] * factor, "torque": good["torque"] * tilted / factor}


@pytest.mark.parametrize("factor", [1.05, 0.95])
def test_a_curve_that_is_the_platforms_moved_along_engine_speed_is_noted(factor):
    note = [("rpm-axis", PULLS)]
    assert found(posted(axis(factor)), reference=reference()) == note
    assert found(posted(axis(factor), parts=("wide-pipe",)), reference=reference()) == []
    assert (
        found(posted({**axis(factor), "roller_speed": axis(factor)["rpm"] / 3.2}), reference=reference())
        == []
    )


def test_a_curve_that_is_tilted_lower_or_only_a_little_moved_is_not():
    assert found(posted(axis(1.02)), reference=reference()) == []
    assert found(posted(axis(1.05, level=0.9)), reference=reference()) == []
    assert found(posted(axis(1.0, tilt=0.02)), reference=reference()) == []
    assert found(posted(axis(1.05)), reference=reference(cars=7)) == []


@pytest.mark.parametrize("factor", [0.93, 0.98, 1.0, 1.04, 1.10])
def test_the_shift_that_lays_one_curve_on_another_is_found(factor):
    stock = ENGINE.torque(GRID_RPM)
    inside = (GRID_RPM > 2300.0) & (GRID_RPM < 6300.0)
    moved = np.where(inside, ENGINE.torque(GRID_RPM / factor) / factor, np.nan)
    lies = rpm_axis.alignment(np.log(1.1 * moved / stock), stock)
    assert np.exp(lies.shift) == pytest.approx(factor, abs=0.002)


@SHOPS
def test_stock_cars_whose_shapes_differ_are_not_said_to_be_moved(shop):
    rng, alarms = np.random.default_rng(8), 0
    for _ in range(40):
        runs = slips.stock_car(rng, shop, ENGINE)
        curves = [{"rpm": run.rpm, "torque": run.torque_nm} for run in runs]
        alarms += "rpm-axis" in dict(found(posted(*curves), reference=reference(power_sd=shop.stock_spread)))
    assert alarms == 0


def noisy(share: float, step: float = 20.0) -> dict:
    """A curve with so much noise in its samples."""
    rpm = np.arange(2000.0, 6501.0, step)
    return {
        "rpm": rpm,
        "torque": ENGINE.torque(rpm) * (1.0 + share * np.random.default_rng(4).standard_normal(rpm.size)),
    }


@pytest.mark.parametrize(
    ("share", "expected"),
    [
        (0.026, [("curve-noisy", TORQUE)]),
        (0.015, []),
        (0.001, []),
        (0.0003, [("curve-smoothed", TORQUE)]),
        (0.0, [("curve-smoothed", TORQUE)]),
    ],
)
def test_samples_that_scatter_too_much_are_doubtful_and_too_little_noted_unless_smoothing_is_declared(
    share, expected
):
    assert found(posted(noisy(share))) == expected
    declared = posted(noisy(share), pull={"smoothing": {"method": "moving mean", "width_rpm": 50.0}})
    assert found(declared) == [one for one in expected if one[0] == "curve-noisy"]


@pytest.mark.parametrize("share", [0.002, 0.01, 0.03])
def test_roughness_is_the_standard_deviation_of_the_noise(share):
    draws = [
        machine.roughness(derived(PostedPull(n=1, channels=noisy(share, step)))) for step in (5.0, 10.0, 25.0)
    ]
    assert draws == pytest.approx([share] * 3, rel=0.2)


def test_a_coarse_table_leaves_a_parabola_nothing_to_differ_from():
    assert found(posted(noisy(0.0, 100.0))) == []
    assert found(posted(noisy(0.03, 100.0))) == []


def test_the_weights_of_the_local_parabola_are_those_in_print():
    # Savitzky and Golay 1964, quadratic, 5 and 7 points (from memory): (-3 12 17 12 -3) / 35, (-2 3 6 7 6 3 -2) / 21.
    assert machine.parabola_weights(2) * 35 == pytest.approx([-3, 12, 17, 12, -3])
    assert machine.parabola_weights(3) * 21 == pytest.approx([-2, 3, 6, 7, 6, 3, -2])
