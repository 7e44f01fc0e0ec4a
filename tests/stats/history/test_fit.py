"""Fitting: what is pooled, what is mistrusted, and that no history however poor breaks it."""

import io
from collections.abc import Mapping
from dataclasses import asdict, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import norm, t

from service.answers.packed import pack, unpack
from service.domain.history import History
from service.stats.history.fit import fit
from service.stats.history.fitted import SPREAD_NAMES, Fit, gain_key
from service.stats.history.gains import cars_are_unlike, next_car_intervals, typical_bounds
from service.stats.history.system import System, build
from service.stats.history.weights import NU, TAIL
from tests.calibration.readings import Simulated, simulate
from tests.calibration.world import SIZES, make_world
from tests.stats.history.made import (
    EXHAUST,
    INTAKE,
    LEVEL,
    NATURAL,
    OTHER_INTAKE,
    SECOND_TURBO,
    TUNE,
    TURBO,
    Setup,
    before_and_after,
    catalogue,
    history,
)


def solved(*rows: Setup) -> System:
    setups, facts = history(*rows), catalogue()
    return build(fit(setups, facts), setups, facts)


@pytest.fixture(scope="module")
def tiny() -> Simulated:
    return simulate(make_world(1, SIZES["tiny"], kind="usual"))


@pytest.fixture(scope="module")
def fitted(tiny: Simulated) -> Fit:
    return fit(tiny.history, tiny.catalogue)


def wobble(seed: int, n: int, sd: float) -> list[float]:
    return np.random.default_rng(seed).normal(0.0, sd, n).tolist()


def test_a_gain_that_all_cars_agree_on_is_that_gain() -> None:
    gains = [0.05 + e for e in wobble(1, 12, 0.004)]
    system = solved(
        *(row for car, gain in enumerate(gains, 1) for row in before_and_after(car, INTAKE, gain))
    )
    cell = system.gain(INTAKE, TURBO)
    assert cell.mean == pytest.approx(np.mean(gains), abs=0.002)
    assert cell.cars == cell.cars_with == 12


def test_one_car_is_drawn_towards_what_the_part_gives_elsewhere() -> None:
    elsewhere = [
        row
        for car, e in enumerate(wobble(2, 10, 0.003), 1)
        for row in before_and_after(car, INTAKE, 0.04 + e)
    ]
    here = before_and_after(50, INTAKE, 0.06, platform=SECOND_TURBO)
    stock = [Setup(60 + i, platform=SECOND_TURBO, value=LEVEL + e) for i, e in enumerate(wobble(3, 5, 0.02))]
    mean = solved(*elsewhere, *here, *stock).gain(INTAKE, SECOND_TURBO).mean
    assert 0.043 < mean < 0.0585


def test_a_part_never_measured_here_borrows_and_says_less() -> None:
    rows = [
        row
        for car, e in enumerate(wobble(2, 10, 0.003), 1)
        for row in before_and_after(car, INTAKE, 0.04 + e)
    ]
    rows += [Setup(60 + i, platform=SECOND_TURBO, value=LEVEL + e) for i, e in enumerate(wobble(3, 5, 0.02))]
    system = solved(*rows)
    here, there = system.gain(INTAKE, TURBO), system.gain(INTAKE, SECOND_TURBO)
    assert there.mean == pytest.approx(0.04, abs=0.01)
    assert there.variance > 4.0 * here.variance
    assert (there.cars, there.cars_with, there.cars_elsewhere) == (0, 0, 10)
    assert (here.cars, here.cars_with, here.cars_elsewhere) == (10, 10, 0)
    assert there.elsewhere_variance == there.variance


def test_a_setup_that_fits_nothing_else_is_mistrusted() -> None:
    rows = []
    for car, e in enumerate(wobble(4, 20, 0.003), 1):
        rows += [Setup(car, (), LEVEL + e, session=car), Setup(car, (), LEVEL + e, session=car)]
        rows.append(Setup(car, (), LEVEL + e + (0.06 if car == 7 else 0.0), session=car))
    result = fit(history(*rows), catalogue())
    weights = result.weights.setup
    assert weights.ids[np.argmin(weights.values)] == 21
    assert weights.values.min() < 0.2
    assert result.down_weighted == 1


def test_where_cars_agree_on_a_part_unlike_its_like_the_part_is_mistrusted_and_not_they() -> None:
    rows = []
    for car, e in enumerate(wobble(11, 40, 0.1), 1):
        part, platform = ((INTAKE, TURBO), (OTHER_INTAKE, TURBO), (OTHER_INTAKE, SECOND_TURBO))[car % 3]
        rows += before_and_after(car, part, 0.03 * (1 + e), platform=platform)
    agreed = [0.15 * (1 + e) for e in wobble(12, 4, 0.1)]
    for car, gain in enumerate(agreed, 101):
        rows += before_and_after(car, INTAKE, gain, platform=SECOND_TURBO)
    system = solved(*rows)
    weights = system.fit.weights
    assert weights.gain.of(gain_key(np.arange(101, 105), np.full(4, INTAKE))).min() > 0.9
    assert weights.part_on.of(gain_key(SECOND_TURBO, np.array([INTAKE])))[0] < 0.6
    assert system.gain(INTAKE, SECOND_TURBO).mean == pytest.approx(np.mean(agreed), abs=0.003)


def test_answers_stand_on_what_a_t_scale_means_for_clean_data() -> None:
    # the scale s that a t with NU degrees of freedom fits to standard normal data minimises this cross-entropy
    z = np.linspace(-9, 9, 20001)
    loss = minimize_scalar(
        lambda s: -np.trapezoid(norm.pdf(z) * t.logpdf(z / s, NU) - norm.pdf(z) * np.log(s), z),
        bounds=(0.5, 1.2),
        method="bounded",
    )
    assert np.sqrt(TAIL) * loss.x == pytest.approx(1.0, abs=0.02)


def test_of_setups_without_a_fault_the_spread_is_their_own_standard_deviation() -> None:
    """Eighty cars, six setups each in one strap-down, normal errors: their standard deviation about the cars' means."""
    errors = np.random.default_rng(7).normal(0.0, 0.012, (80, 6))
    rows = [Setup(car, (), LEVEL + e, session=car) for car, own in enumerate(errors, 1) for e in own]
    found = fit(history(*rows), catalogue())
    own = np.sqrt(((errors - errors.mean(axis=1, keepdims=True)) ** 2).sum() / (80 * 5))
    assert np.hypot(found.spreads.setup, found.pull_spread / np.sqrt(3)) == pytest.approx(own, rel=0.05)


@pytest.mark.slow
def test_the_spreads_of_a_simulated_shop_are_found() -> None:
    made = simulate(make_world(3, SIZES["shop"], kind="usual"))
    truth, found = made.truth.world.spreads, fit(made.history, made.catalogue).spreads
    # faults and what the model leaves out widen setup, session and car; 600 cars know each to a fifth or so
    for name, true in {
        "part_on": truth.part_platform,
        "slot_on": truth.slot_platform,
        "car": truth.stock,
        "car_gain": truth.car,
        "bay": truth.bay,
    }.items():
        assert 0.6 < getattr(found, name) / true < 1.7, name


def test_all_powers_times_a_constant_moves_no_gain(tiny: Simulated, fitted: Fit) -> None:
    scaled = replace(tiny.history, value=tiny.history.value + np.log(1.341))
    other = fit(scaled, tiny.catalogue)
    for name in SPREAD_NAMES:
        assert getattr(other.spreads, name) == pytest.approx(getattr(fitted.spreads, name), rel=1e-6)
    one, two = build(fitted, tiny.history, tiny.catalogue), build(other, scaled, tiny.catalogue)
    for (part, platform), point in fitted.points.cell.items():
        assert two.gain(part, platform).mean == pytest.approx(one.gain(part, platform).mean, abs=1e-8), point


def test_names_of_cars_and_bays_do_not_matter(tiny: Simulated, fitted: Fit) -> None:
    setups, bays = tiny.history, len(tiny.catalogue.bays)
    renamed = replace(setups, vehicle_id=10_000 - setups.vehicle_id, bay_id=bays + 1 - setups.bay_id)
    facts = replace(tiny.catalogue, bays={bays + 1 - b: bay for b, bay in tiny.catalogue.bays.items()})
    renamed = renamed.take(np.argsort(renamed.vehicle_id, kind="stable"))
    other = fit(renamed, facts)
    for name in SPREAD_NAMES:
        assert getattr(other.spreads, name) == pytest.approx(getattr(fitted.spreads, name), rel=1e-5)
    one, two = build(fitted, setups, tiny.catalogue), build(other, renamed, facts)
    for part, platform in fitted.points.cell:
        assert two.gain(part, platform).mean == pytest.approx(one.gain(part, platform).mean, abs=1e-6)
    levels = {(bay.bay_id, bay.since): bay.mean for bay in one.bays}
    for bay in two.bays:
        assert bay.mean == pytest.approx(levels[bays + 1 - bay.bay_id, bay.since], abs=1e-6)


def test_the_spreads_may_rest_on_a_draw_of_cars_which_the_seed_decides(tiny: Simulated) -> None:
    one = fit(tiny.history, tiny.catalogue, seed=1, most_cars=12)
    again = fit(tiny.history, tiny.catalogue, seed=1, most_cars=12)
    other = fit(tiny.history, tiny.catalogue, seed=2, most_cars=12)
    assert one.spreads == again.spreads
    assert one.spreads != other.spreads
    assert one.cars == 25


def test_a_packed_fit_is_the_same_fit(fitted: Fit) -> None:
    again = unpack(pack(fitted))
    assert replace(again, weights=fitted.weights) == fitted
    for name in ("setup", "car", "gain", "part_on", "part", "alike"):
        one, two = getattr(fitted.weights, name), getattr(again.weights, name)
        assert np.array_equal(one.ids, two.ids)
        assert np.array_equal(one.values, two.values)


def test_a_fit_kept_before_its_cars_spread_was_is_read_and_the_spread_worked_out(
    tiny: Simulated, fitted: Fit
) -> None:
    earlier = unpack(pack(replace(fitted, shop_spread=None)))
    assert earlier.shop_spread is None
    worked_out = build(earlier, tiny.history, tiny.catalogue).shop_spread
    assert worked_out == pytest.approx(fitted.shop_spread, rel=1e-9)


def test_a_fit_kept_before_parts_had_spreads_of_their_own_is_read_with_the_usual_ones(fitted: Fit) -> None:
    packed = io.BytesIO()
    with np.load(io.BytesIO(pack(fitted))) as arrays:
        np.savez_compressed(
            packed, **{name: arrays[name] for name in arrays if not name.startswith("alike_")}
        )
    earlier = unpack(packed.getvalue())
    assert earlier.weights.alike.of(np.array([INTAKE])) == 1.0
    assert earlier.spreads == fitted.spreads


def between_cars(gains: Mapping[int, list[float]]) -> System:
    """Each part on cars of its own, which gained so much by it."""
    each = enumerate(((part, gain) for part, found in gains.items() for gain in found), 1)
    return solved(*(row for car, (part, gain) in each for row in before_and_after(car, part, gain)))


def test_a_part_whose_cars_gain_unlike_amounts_has_a_spread_between_cars_of_its_own() -> None:
    """Twelve cars at the quantiles of a normal distribution of 3 % about 4 %, and parts that differ by a tenth of a gain."""
    scores = norm.ppf((np.arange(12) + 0.5) / 12)
    alike = {part: [0.04 * (1 + 0.1 * z) for z in scores] for part in (OTHER_INTAKE, EXHAUST, TUNE)}
    system = between_cars(alike | {INTAKE: (0.04 + 0.03 * scores).tolist()})
    low, high = next_car_intervals(system.gain(INTAKE, TURBO), system.fit)
    assert np.diff(norm.cdf([float(low), float(high)], 0.04, 0.03))[0] > 0.8
    assert [part for part in (INTAKE, *alike) if cars_are_unlike(part, system.fit)] == [INTAKE]
    low, high = next_car_intervals(system.gain(EXHAUST, TURBO), system.fit)
    assert high - low < 0.03


def test_parts_that_give_or_take_a_little_are_not_all_drawn_to_nought() -> None:
    """Four gains of 0.9 % up or down, three cars each, tests of one car that err by 0.7 %: ten such shops."""
    truth = {
        (part, platform): 0.009 * side
        for part, platform, side in (
            (INTAKE, TURBO, 1),
            (INTAKE, SECOND_TURBO, -1),
            (OTHER_INTAKE, TURBO, -1),
            (OTHER_INTAKE, SECOND_TURBO, 1),
        )
    }
    held = []
    for seed in range(10):
        tests = [*truth] * 3 + [(EXHAUST, TURBO), (TUNE, TURBO)] * 6
        usual = {EXHAUST: 0.03, TUNE: 0.1}
        errors, levels = wobble(seed, len(tests), 0.007), wobble(100 + seed, len(tests), 0.02)
        system = solved(
            *(
                row
                for car, ((part, on), error, level) in enumerate(zip(tests, errors, levels, strict=True), 1)
                for row in before_and_after(
                    car,
                    part,
                    truth.get((part, on), usual.get(part, 0.0)) + error,
                    platform=on,
                    level=LEVEL + level,
                )
            )
        )
        for cell, gain in truth.items():
            low, high = typical_bounds(system.gain(*cell))
            held.append(low <= gain <= high)
    assert np.mean(held) > 0.75


def test_one_car_at_fault_makes_not_all_cars_of_its_part_unlike() -> None:
    gains = {part: [0.04 + e for e in wobble(part, 12, 0.004)] for part in (OTHER_INTAKE, EXHAUST, TUNE)}
    system = between_cars(gains | {INTAKE: [0.15, *(0.04 + e for e in wobble(9, 11, 0.004))]})
    assert not cars_are_unlike(INTAKE, system.fit)


@pytest.mark.parametrize("packed", [b"", b"not a fit", b"PK\x03\x04"])
def test_what_is_no_packed_fit_is_refused(packed: bytes) -> None:
    with pytest.raises(ValueError, match="no packed fit; fit the history anew"):
        unpack(packed)


POOR = {
    "nothing at all": (),
    "one setup": (Setup(1),),
    "one setup with a part": (Setup(1, (INTAKE,)),),
    "one car": before_and_after(1, INTAKE, 0.05),
    "no pairs": (Setup(1), Setup(2, (INTAKE,)), Setup(3, (EXHAUST, TUNE)), Setup(4)),
    "a part that every car has": tuple(Setup(i, (INTAKE,)) for i in range(1, 6)),
    "two parts never apart": tuple(Setup(i, (INTAKE, TUNE) if i % 2 else ()) for i in range(1, 9)),
    "a platform without stock cars": (
        *before_and_after(1, INTAKE, 0.05),
        Setup(2, (TUNE,), platform=NATURAL),
    ),
    "a bay that shares no car": (Setup(1), Setup(2), Setup(3, bay=2, value=LEVEL + 0.3), Setup(4, bay=2)),
    "peaks only": tuple(Setup(i, best_of=(i % 3) or -1) for i in range(1, 7)),
    "no spread anywhere": tuple(Setup(i, spread=0.0) for i in range(1, 30)),
    "the same setup again and again": tuple(Setup(1, session=9, spread=1e-9) for _ in range(30)),
    "nothing levelled": tuple(Setup(i, levelled=False) for i in range(1, 5)),
    "a part nobody entered": (Setup(1, platform=99), Setup(1)),
    "a gain of a thousand percent": before_and_after(1, INTAKE, 2.3),
    "no value": (Setup(1, value=np.nan), Setup(2)),
}


def finite_answers(setups: History) -> None:
    facts = catalogue()
    result = fit(setups, facts)
    assert all(np.isfinite(value) and value > 0.0 for value in asdict(result.spreads).values())
    system = build(result, setups, facts)
    for part in (INTAKE, OTHER_INTAKE, TUNE):
        cell = system.gain(part, TURBO, beside={EXHAUST: 0.5})
        assert np.isfinite([cell.mean, cell.variance, cell.prior_variance, cell.elsewhere_variance]).all()
        assert 0.0 < cell.variance <= cell.prior_variance
        assert cell.variance <= cell.elsewhere_variance * (1.0 + 1e-9)
    assert np.isfinite(system.joint(TURBO, [INTAKE, TUNE])[1]).all()
    assert np.isfinite([[bay.mean, bay.variance] for bay in system.bays]).all()
    assert np.isfinite(system.cars().own).all()
    assert np.isfinite(system.setups().residual).all()
    assert np.isfinite(system.car_gains().own).all()


@pytest.mark.parametrize("rows", POOR.values(), ids=POOR.keys())
@pytest.mark.filterwarnings("error")
def test_no_history_is_too_poor(rows: tuple[Setup, ...]) -> None:
    finite_answers(history(*rows))


setups_drawn = st.builds(
    Setup,
    car=st.integers(1, 4),
    parts=st.sampled_from([(), (INTAKE,), (TUNE,), (INTAKE, TUNE), (OTHER_INTAKE, EXHAUST)]),
    value=st.floats(4.5, 5.5),
    bay=st.integers(1, 3),
    session=st.sampled_from([None, 1]),
    complete=st.booleans(),
    levelled=st.booleans(),
    pulls=st.integers(1, 5),
    best_of=st.sampled_from([0, 0, -1, 3]),
    spread=st.sampled_from([0.0, 0.004, 0.05]),
    slope=st.floats(-0.05, 0.05),
    inlet_c=st.sampled_from([20.0, 45.0, np.nan]),
    ethanol=st.sampled_from([0.05, 0.8, np.nan]),
)


@settings(max_examples=10, deadline=None)
@given(rows=st.lists(setups_drawn, min_size=1, max_size=12))
def test_any_small_history_is_answered_finitely(rows: list[Setup]) -> None:
    finite_answers(
        history(*(replace(row, session=row.session and row.session + 10 * row.car) for row in rows))
    )


def test_a_part_never_measured_with_an_aspiration_borrows_from_the_others() -> None:
    rows = [
        row
        for car, e in enumerate(wobble(2, 10, 0.003), 1)
        for row in before_and_after(car, INTAKE, 0.04 + e)
    ]
    rows += [Setup(60 + i, platform=NATURAL, value=LEVEL + e) for i, e in enumerate(wobble(3, 5, 0.02))]
    system = solved(*rows)
    same, other = system.gain(INTAKE, SECOND_TURBO), system.gain(INTAKE, NATURAL)
    assert other.mean == pytest.approx(0.04, abs=0.012)
    assert other.variance > same.variance + 0.03**2  # it may give twice as much there, or nothing
    assert other.variance < 0.09**2


def test_a_part_s_mean_is_taken_at_the_mean_platform_and_not_at_one(tiny: Simulated, fitted: Fit) -> None:
    system = build(fitted, tiny.history, tiny.catalogue)
    border, effects = system._assembly.border, system._assembly.solution.border[:, 0]
    for (part, aspiration), point in fitted.points.part.items():
        slot = tiny.catalogue.parts[part].slot
        scale = fitted.points.slot[slot, aspiration].size
        mean = effects[border.place["slot", slot, aspiration]] + scale * effects[border.place["part", part]]
        # the fit's last points against a solution on them: the same but for what one more round would still move
        assert point.mean == pytest.approx(mean, abs=0.15 * abs(mean) + 0.002)
