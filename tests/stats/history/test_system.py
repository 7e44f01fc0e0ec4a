"""The solved history: equal to a dense solve, kept up to date exactly, and honest about what it cannot tell."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.sparse import csr_array

from service.domain.history import History
from service.stats.history.fit import fit
from service.stats.history.fitted import Fit, gain_key
from service.stats.history.layout import border_prior
from service.stats.history.system import System, build
from service.stats.history.weights import refreshed
from tests.calibration.readings import Simulated, simulate
from tests.calibration.world import SIZES, make_world
from tests.stats.history.made import (
    EXHAUST,
    INTAKE,
    LEVEL,
    OTHER_INTAKE,
    SECOND_TURBO,
    TUNE,
    TURBO,
    Setup,
    before_and_after,
    catalogue,
    history,
)


@pytest.fixture(scope="module")
def shop() -> Simulated:
    return simulate(make_world(2, SIZES["small"], kind="usual"))


@pytest.fixture(scope="module")
def pinned(shop: Simulated) -> Fit:
    return fit(shop.history, shop.catalogue)


@pytest.fixture(scope="module")
def system(shop: Simulated, pinned: Fit) -> System:
    return build(pinned, shop.history, shop.catalogue)


def solved(*rows: Setup) -> System:
    setups, facts = history(*rows), catalogue()
    return build(fit(setups, facts), setups, facts)


def cells(of: Simulated) -> list[tuple[int, int]]:
    setups = of.history
    rows = np.repeat(np.arange(len(setups)), np.diff(setups.part_start))
    return sorted(set(zip(setups.part_id.tolist(), setups.platform_id[rows].tolist(), strict=True)))


class Dense:
    """The same blocks as one dense model: V with the priors of all columns inside, flat columns by least squares."""

    def __init__(self, system: System) -> None:
        solved = system._assembly
        blocks = [design.block for design in solved.designs]
        prior = border_prior(solved.border, solved.fit.weights).sd(solved.theta) ** 2
        borders = []
        for block in blocks:
            wide = np.zeros((len(block.noise), len(prior)))
            wide[:, block.border] = block.x_border.toarray()
            borders.append(wide)
        local = block_diag(*(block.x_local.toarray() for block in blocks))
        own = np.concatenate([block.prior_local.sd(solved.theta) ** 2 for block in blocks])
        self.flat = np.concatenate([block.prior_local.flat for block in blocks])
        self.x = np.hstack((local, np.vstack(borders)))
        self.prior = np.concatenate((np.where(self.flat, 0.0, own), prior))
        self.y = np.concatenate([block.y[:, 0] for block in blocks])
        self.within = block_diag(*(self._within(block, solved.theta) for block in blocks))
        self.places = np.cumsum([0, *(block.x_local.shape[1] for block in blocks)])

    def _within(self, block, theta) -> np.ndarray:
        factors = block.pattern_factors(theta)
        return np.diag(block.noise) + sum(
            f * p.toarray() for f, p in zip(factors, block.patterns, strict=True)
        )

    def answer(self, contrast: np.ndarray) -> tuple[float, float]:
        precision = np.linalg.inv(self.within)
        flat = np.concatenate((self.flat, np.zeros(len(self.prior) - len(self.flat), dtype=bool)))
        inverse_prior = np.diag(np.where(flat, 0.0, 1.0 / np.where(flat, 1.0, self.prior)))
        covariance = np.linalg.inv(self.x.T @ precision @ self.x + inverse_prior)
        effects = covariance @ self.x.T @ precision @ self.y
        return float(contrast @ effects), float(contrast @ covariance @ contrast)

    def freed(self, rows: np.ndarray, spread: float) -> tuple[float, float]:
        """A term of these rows (1 where it counts), freed of its own variance: estimate, and variance of its error."""
        precision = np.linalg.inv(self.within - spread * np.outer(rows, rows))
        x = np.hstack((self.x, rows[:, np.newaxis]))
        flat = np.concatenate((self.flat, np.zeros(len(self.prior) - len(self.flat), dtype=bool), [True]))
        prior = np.concatenate((self.prior, [1.0]))
        covariance = np.linalg.inv(
            x.T @ precision @ x + np.diag(np.where(flat, 0.0, 1.0 / np.where(flat, 1.0, prior)))
        )
        return float((covariance @ x.T @ precision @ self.y)[-1]), float(covariance[-1, -1])

    def predicted(self, rows: np.ndarray, spread: float) -> tuple[float, float]:
        """A term of these rows as its variance and the data say: mean and variance (best linear prediction)."""
        precision = np.linalg.inv(self.within)
        flat = np.concatenate((self.flat, np.zeros(len(self.prior) - len(self.flat), dtype=bool)))
        inverse_prior = np.diag(np.where(flat, 0.0, 1.0 / np.where(flat, 1.0, self.prior)))
        left = precision @ self.x
        against = precision - left @ np.linalg.inv(self.x.T @ left + inverse_prior) @ left.T
        told = against @ rows * spread
        return float(told @ self.y), float(spread - spread * rows @ told)


def test_every_answer_equals_a_dense_solve(shop: Simulated, system: System) -> None:
    dense, solved = Dense(system), system._assembly
    for part, platform in cells(shop)[::7]:
        view = solved.view(platform)
        asked = view.gain(part)
        local, border, _ = view.vectors([asked])
        wide = np.zeros(dense.x.shape[1])
        first = dense.places[view.block]
        wide[first : first + local.shape[1]] = local[0]
        wide[dense.places[-1] :] = border[0]
        mean, variance = dense.answer(wide)
        cell = system.gain(part, platform)
        assert cell.mean == pytest.approx(mean + asked.offset, abs=1e-8)
        assert cell.variance == pytest.approx(variance, rel=1e-8)


def test_a_car_by_itself_is_a_dense_solve_in_which_nothing_draws_it_to_its_kind(system: System) -> None:
    dense, weights, setups = Dense(system), system.fit.weights.car, system.setups()
    cars, nominal = system.cars(), system.fit.spreads.car**2
    assert cars.nominal_variance == nominal
    for i in (0, 41, int(np.argmin(weights.of(cars.vehicle_id)))):
        rows = (setups.vehicle_id == cars.vehicle_id[i]).astype(float)
        freed = dense.freed(rows, nominal / weights.of(cars.vehicle_id[i : i + 1])[0])
        assert (cars.own[i], cars.own_variance[i]) == pytest.approx(freed, rel=1e-6)


def test_setups_and_cars_are_trusted_by_the_expected_square_of_what_they_are_off_by(system: System) -> None:
    """The EM step of a t with 5 degrees of freedom, 6 / (5 + E[u^2] / s^2), over its mean."""
    dense, setups, now = Dense(system), system.setups(), system.fit.weights
    found = refreshed(system._assembly)
    for ids, place, old, anew, scale in (
        (setups.setup_id, setups.setup_id, now.setup, found.setup, system.fit.spreads.setup**2),
        (np.unique(setups.vehicle_id), setups.vehicle_id, now.car, found.car, system.fit.spreads.car**2),
    ):
        some = ids[[0, 30, int(np.argmin(old.of(ids)))]]
        weights = []
        for one in some.tolist():
            spread = scale / float(old.of(np.array([one]))[0])
            mean, variance = dense.predicted((place == one).astype(float), spread)
            weights.append(6.0 / (5.0 + (mean**2 + variance) / scale))
        ratio = anew.of(some) / np.array(weights)
        assert ratio == pytest.approx(ratio[0], rel=1e-6)


def test_a_setup_by_itself_is_a_dense_solve_without_it_and_varies_as_a_good_one_does(system: System) -> None:
    dense, weights, setups = Dense(system), system.fit.weights.setup, system.setups()
    nominal = system.fit.spreads.setup**2
    for i in (5, 60, int(np.argmin(weights.of(setups.setup_id)))):
        rows = (setups.setup_id == setups.setup_id[i]).astype(float)
        own, error = dense.freed(rows, nominal / weights.of(setups.setup_id[i : i + 1])[0])
        assert (setups.residual[i], setups.variance[i]) == pytest.approx((own, error + nominal), rel=1e-6)


def test_a_cars_own_gain_is_a_dense_solve_in_which_nothing_draws_it_to_other_cars(
    shop: Simulated, system: System
) -> None:
    dense, gains, setups = Dense(system), system.car_gains(), system.setups()
    parts = {int(key): shop.history.parts_of(row) for row, key in enumerate(shop.history.setup_id)}
    known = np.flatnonzero(np.isfinite(gains.own) & (gains.own_variance < 0.001))
    for i in known[::40].tolist():
        car, part = gains.vehicle_id[i : i + 1], gains.part_id[i : i + 1]
        has = np.array([part[0] in parts[int(key)] for key in setups.setup_id])
        weight = system.fit.weights.gain.of(gain_key(car, part))[0]
        freed = dense.freed(
            (has & (setups.vehicle_id == car)).astype(float), gains.nominal_variance[i] / weight
        )
        assert (gains.own[i], gains.own_variance[i]) == pytest.approx(freed, rel=1e-6)


def same(one: System, other: System, of: Simulated) -> None:
    assert np.array_equal(np.sort(one.setup_ids), np.sort(other.setup_ids))
    for part, platform in cells(of):
        a, b = one.gain(part, platform), other.gain(part, platform)
        assert a.mean == pytest.approx(b.mean, abs=1e-9)
        assert a.variance == pytest.approx(b.variance, rel=1e-9)
        assert (a.cars, a.cars_with, a.cars_elsewhere) == (b.cars, b.cars_with, b.cars_elsewhere)
    for a, b in zip(one.bays, other.bays, strict=True):
        assert (a.mean, a.variance) == pytest.approx((b.mean, b.variance), abs=1e-9)


def of_cars(setups: History, cars: np.ndarray) -> History:
    return setups.take(np.flatnonzero(np.isin(setups.vehicle_id, cars)))


def without_cars(setups: History, cars: np.ndarray) -> History:
    return setups.take(np.flatnonzero(~np.isin(setups.vehicle_id, cars)))


CHANGED = np.array([3, 17, 40, 41, 99])


def test_posting_cars_live_equals_building_anew(shop: Simulated, pinned: Fit, system: System) -> None:
    before = build(pinned, without_cars(shop.history, CHANGED), shop.catalogue)
    same(before.replaced(CHANGED, of_cars(shop.history, CHANGED), shop.catalogue), system, shop)


def test_striking_cars_live_equals_building_anew(shop: Simulated, pinned: Fit, system: System) -> None:
    none = shop.history.take(np.empty(0, dtype=np.int64))
    anew = build(pinned, without_cars(shop.history, CHANGED), shop.catalogue)
    same(system.replaced(CHANGED, none, shop.catalogue), anew, shop)


def test_amending_a_car_live_equals_building_anew(shop: Simulated, pinned: Fit, system: System) -> None:
    setups = shop.history
    moved = np.where(np.isin(setups.vehicle_id, CHANGED), setups.value + 0.01, setups.value)
    amended = replace(setups, value=moved)
    live = system.replaced(CHANGED, of_cars(amended, CHANGED), shop.catalogue)
    same(live, build(pinned, amended, shop.catalogue), shop)


def test_what_was_replaced_leaves_the_old_system_as_it_was(shop: Simulated, system: System) -> None:
    before = [system.gain(part, platform).mean for part, platform in cells(shop)]
    system.replaced(CHANGED, of_cars(shop.history, CHANGED[:1]), shop.catalogue)
    assert [system.gain(part, platform).mean for part, platform in cells(shop)] == before


def test_a_car_may_change_its_platform(shop: Simulated, pinned: Fit, system: System) -> None:
    setups = shop.history
    other = np.where(
        setups.vehicle_id == 3, setups.platform_id % len(shop.catalogue.platforms) + 1, setups.platform_id
    )
    moved = replace(setups, platform_id=other)
    live = system.replaced(np.array([3]), of_cars(moved, np.array([3])), shop.catalogue)
    same(live, build(pinned, moved, shop.catalogue), replace(shop, history=moved))


def test_a_part_and_a_bay_that_the_fit_never_saw_get_columns() -> None:
    known = history(
        *(row for car in range(1, 8) for row in before_and_after(car, INTAKE, 0.04 + 0.002 * (car % 3)))
    )
    pinned = fit(known, catalogue())
    new = history(*before_and_after(50, TUNE, 0.12, bay=3, platform=SECOND_TURBO))
    live = build(pinned, known, catalogue()).replaced(np.array([50]), new, catalogue())
    cell = live.gain(TUNE, SECOND_TURBO)
    assert cell.cars == 1
    assert 0.0 < cell.mean < 0.14
    assert {bay.bay_id for bay in live.bays} == {1, 3}


def test_the_same_values_solved_again_give_the_same_answers(shop: Simulated, system: System) -> None:
    setups = shop.history
    others = system.solve_for(setups.setup_id, np.column_stack((setups.value, setups.value + 0.7)))
    for part, platform in cells(shop)[::5]:
        columns, cell = others.gain(part, platform), system.gain(part, platform)
        assert columns.mean == pytest.approx([cell.mean, cell.mean], abs=1e-9)
        assert columns.variance == pytest.approx([cell.variance, cell.variance], rel=1e-6)
    assert others.correlation == pytest.approx(np.ones((2, 2)), abs=1e-9)


def test_knots_that_lack_setups_equal_a_history_without_them(
    shop: Simulated, pinned: Fit, system: System
) -> None:
    setups = shop.history
    values = np.column_stack((setups.value, np.where(setups.vehicle_id % 3 == 0, np.nan, setups.value)))
    others = system.solve_for(setups.setup_id, values)
    fewer = build(pinned, setups.take(np.flatnonzero(setups.vehicle_id % 3)), shop.catalogue)
    for part, platform in cells(shop)[::5]:
        columns, cell = others.gain(part, platform), fewer.gain(part, platform)
        assert columns.mean[1] == pytest.approx(cell.mean, abs=1e-9)
        assert columns.variance[1] == pytest.approx(cell.variance * others.scale[1], rel=1e-9)
        assert others.cars_at(part, platform)[1] == cell.cars_with


def test_a_noisier_measure_is_answered_with_wider_intervals(shop: Simulated, system: System) -> None:
    setups = shop.history
    noise = np.random.default_rng(1).normal(0.0, 0.03, len(setups))
    others = system.solve_for(setups.setup_id, np.column_stack((setups.value, setups.value + noise)))
    assert others.scale[0] == pytest.approx(1.0)
    assert others.scale[1] > 3.0


def test_a_measure_that_a_few_setups_happen_to_fit_is_not_known_exactly_and_cars_still_differ_in_it() -> None:
    rows = [row for car, gain in ((1, 0.04), (2, 0.05)) for row in before_and_after(car, INTAKE, gain)]
    system = solved(*rows)
    others = system.solve_for(system.setup_ids, np.full((len(system), 1), LEVEL))
    found, own = others.gain(INTAKE, TURBO), system.gain(INTAKE, TURBO)
    assert others.scale[0] < 1.0
    assert found.variance[0] > own.variance / 3.0
    assert found.car_spread_variance[0] >= system.fit.spreads.car_floor**2


def test_a_setup_is_judged_by_what_the_history_says_without_it(
    shop: Simulated, pinned: Fit, system: System
) -> None:
    left_out, setups = 100, shop.history
    residuals = system.setups()
    without = setups.take(np.flatnonzero(np.arange(len(setups)) != left_out))
    indicator = np.zeros((len(setups), 1))
    indicator[np.flatnonzero(system.setup_ids == setups.setup_id[left_out])] = 1.0
    score, (information,) = system.columns_against(csr_array(indicator), np.array([0, 1]))
    place = int(np.flatnonzero(residuals.setup_id == setups.setup_id[left_out])[0])
    # a column for the setup alone takes it out of the fit: its coefficient is the residual against the others
    assert residuals.residual[place] == pytest.approx(score[0] / information[0, 0])
    assert len(build(pinned, without, shop.catalogue)) == len(system) - 1


def test_what_a_joint_change_gave_a_car_is_divided_among_its_parts(system: System) -> None:
    gains = system.car_gains()
    vehicles, counts = np.unique(gains.vehicle_id, return_counts=True)
    vehicle = int(vehicles[np.argmax(counts)])
    parts = gains.part_id[gains.vehicle_id == vehicle].tolist()
    means, covariance = system.car_shares(vehicle, parts)
    assert len(means) == len(parts)
    assert np.linalg.eigvalsh(covariance).min() > 0.0
    alone = system.car_gain(vehicle, parts[0])
    typical = system.gain(parts[0], int(system.cars().platform_id[system.cars().vehicle_id == vehicle][0]))
    assert alone.variance < typical.variance + typical.car_spread_variance


def test_cars_of_one_platform_are_those_of_the_whole(shop: Simulated, pinned: Fit) -> None:
    alone, whole = (build(pinned, shop.history, shop.catalogue) for _ in range(2))
    lacking = np.where(np.arange(len(whole)) % 5 > 0, shop.history.value, np.nan)[:, np.newaxis]
    for one, all_cars in (
        (alone, whole.cars()),
        (
            alone.solve_for(shop.history.setup_id, lacking),
            whole.solve_for(shop.history.setup_id, lacking).cars(),
        ),
    ):
        for platform in np.unique(all_cars.platform_id).tolist():
            found, here = one.cars(platform), all_cars.platform_id == platform
            for name in ("vehicle_id", "platform_id", "own", "own_variance"):
                assert np.array_equal(getattr(found, name), getattr(all_cars, name)[here])
        assert not len(one.cars(424242).own)


def test_the_spread_between_cars_is_the_fits_whatever_changes_since(
    shop: Simulated, pinned: Fit, system: System
) -> None:
    car = np.unique(shop.history.vehicle_id)[:1]
    without = system.replaced(car, shop.history.take(np.empty(0, dtype=np.int64)), shop.catalogue)
    assert without.shop_spread == system.shop_spread == pinned.shop_spread
    assert pinned.shop_spread == pytest.approx(
        build(replace(pinned, shop_spread=None), shop.history, shop.catalogue).shop_spread, rel=1e-9
    )


def test_a_car_or_part_that_was_not_measured_has_no_share(system: System) -> None:
    with pytest.raises(KeyError, match="vehicle"):
        system.car_gain(424242, INTAKE)
    vehicle = int(system.car_gains().vehicle_id[0])
    with pytest.raises(KeyError, match="measured on vehicle"):
        system.car_shares(vehicle, [424242])


def test_parts_never_apart_are_known_together_and_told_apart_by_nobody() -> None:
    rows = []
    for car in range(1, 13):
        level = LEVEL + 0.01 * (car % 3)
        rows += [Setup(car, (), level, session=car), Setup(car, (INTAKE, EXHAUST), level + 0.07, session=car)]
    system = solved(*rows)
    each, together = system.gain(INTAKE, TURBO), system.build_of(TURBO, [INTAKE, EXHAUST])
    assert together.mean == pytest.approx(0.07, abs=0.01)
    assert each.entangled == (EXHAUST,)
    assert together.variance < each.variance / 4.0
    assert (each.cars, each.cars_with, together.cars) == (0, 12, 12)


def test_what_two_parts_give_beyond_their_sum_is_what_is_left_of_the_build_of_both() -> None:
    rows = []
    for car in range(1, 9):
        states = ((), 0.0), ((INTAKE,), 0.03), ((EXHAUST,), 0.05), ((INTAKE, EXHAUST), 0.10), ((TUNE,), 0.08)
        rows += [Setup(car, parts, LEVEL + gain, session=car) for parts, gain in states]
    setups = history(*rows)
    system = build(fit(setups, catalogue()), setups, catalogue())
    other = system.solve_for(setups.setup_id, setups.value[:, np.newaxis])
    for answers, first in ((system, lambda cell: cell.mean), (other, lambda cell: cell.mean[0])):
        beyond = answers.beyond_their_sum(TURBO, [INTAKE, EXHAUST, TUNE])
        both = answers.build_of(TURBO, [INTAKE, EXHAUST])
        alone = [first(answers.gain(part, TURBO)) for part in (INTAKE, EXHAUST)]
        assert beyond[0, 1] == pytest.approx(first(both) - sum(alone), abs=1e-12)
        assert beyond[0, 1] > 0.005
        assert (beyond == beyond.T).all()
        assert (beyond.diagonal() == 0.0).all()
        beside = answers.build_of(TURBO, [INTAKE], [EXHAUST])
        assert first(beside) == pytest.approx(first(both) - alone[1], abs=1e-12)


def test_parts_that_some_cars_had_alone_are_told_apart() -> None:
    rows = []
    for car in range(1, 13):
        states = [(), (TUNE,), (TUNE, EXHAUST)] if car % 3 else [(), (TUNE, EXHAUST)]
        gain = {(): 0.0, (TUNE,): 0.10, (TUNE, EXHAUST): 0.13}
        jitter = np.random.default_rng(car).normal(0.0, 0.003, 3)
        rows += [
            Setup(car, state, LEVEL + gain[state] + e, session=car)
            for state, e in zip(states, jitter, strict=False)
        ]
    system = solved(*rows)
    assert system.gain(TUNE, TURBO).mean == pytest.approx(0.10, abs=0.01)
    assert system.gain(EXHAUST, TURBO, beside={TUNE: 1.0}).mean == pytest.approx(0.03, abs=0.01)
    assert system.gain(TUNE, TURBO).cars == 8


def test_a_part_against_another_is_the_difference_of_their_gains(system: System, shop: Simulated) -> None:
    by_platform: dict[int, list[int]] = {}
    for part, platform in cells(shop):
        by_platform.setdefault(platform, []).append(part)
    platform, (one, two, *_) = next((p, parts) for p, parts in by_platform.items() if len(parts) > 1)
    means, covariance = system.joint(platform, [one, two])
    cell = system.gain(one, platform, against=two)
    assert cell.mean == pytest.approx(means[0] - means[1])
    assert cell.variance == pytest.approx(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1])
    # neither stands beside itself: the one is what is asked about, the other what comes off for it
    assert system.gain(one, platform, against=two, beside={one: 1.0, two: 1.0}) == cell


def test_what_is_known_elsewhere_is_what_is_left_without_the_cars_here() -> None:
    wobble = np.random.default_rng(5).normal(0.0, 0.004, 40)
    there = [row for car in range(1, 15) for row in before_and_after(car, INTAKE, 0.04 + wobble[car])]
    here = [row for car in (50, 51) for row in before_and_after(car, INTAKE, 0.05, platform=SECOND_TURBO)]
    stock = [Setup(60 + i, platform=SECOND_TURBO, value=LEVEL + wobble[i]) for i in range(6)]
    setups = history(*there, *here, *stock)
    pinned = fit(setups, catalogue())
    whole = build(pinned, setups, catalogue())
    without = build(pinned, without_cars(setups, np.array([50, 51])), catalogue())
    cell = whole.gain(INTAKE, SECOND_TURBO)
    assert cell.variance < cell.elsewhere_variance
    # exact but for the rest of what the two cars say, of the level of their platform and of the slot on it
    assert cell.elsewhere_variance == pytest.approx(without.gain(INTAKE, SECOND_TURBO).variance, rel=0.1)


def test_a_bay_is_found_through_cars_that_saw_both() -> None:
    rows = []
    for car in range(1, 16):
        level = LEVEL + 0.02 * np.sin(car)
        rows += [Setup(car, (), level, bay=1, at=1.0), Setup(car, (), level + 0.03, bay=2, at=2.0)]
    bays = solved(*rows).bays
    assert [bay.mean for bay in bays] == pytest.approx([-0.015, 0.015], abs=0.002)
    assert all(bay.identifiable and bay.cars_shared == 15 for bay in bays)


def test_a_bay_that_shares_no_car_says_so_and_is_known_worse() -> None:
    rows = [
        Setup(car, (), LEVEL + 0.02 * np.sin(car), bay=bay, at=float(bay))
        for car in range(1, 9)
        for bay in (1, 2)
    ]
    rows += [Setup(20 + i, (), LEVEL + 0.02 * np.cos(i), bay=3) for i in range(8)]
    one, _, apart = solved(*rows).bays
    assert (one.identifiable, apart.identifiable) == (True, False)
    assert apart.variance > 2.0 * one.variance


def test_a_constant_added_to_one_bay_moves_that_bay_and_no_gain() -> None:
    rows = []
    for car in range(1, 13):
        level = LEVEL + 0.02 * np.sin(car)
        rows += [
            Setup(car, (), level, bay=1, at=1.0),
            Setup(car, (), level + 0.01, bay=2, at=2.0, session=car),
        ]
        rows.append(Setup(car, (INTAKE,), level + 0.05 + 0.004 * np.cos(3 * car), bay=2, at=2.0, session=car))
    setups = history(*rows)
    pinned = fit(setups, catalogue())
    shifted = replace(setups, value=setups.value + np.where(setups.bay_id == 2, 0.01, 0.0))
    one, two = build(pinned, setups, catalogue()), build(pinned, shifted, catalogue())
    assert two.bays[1].mean - one.bays[1].mean == pytest.approx(0.005, rel=0.05)
    assert two.gain(INTAKE, TURBO).mean == pytest.approx(one.gain(INTAKE, TURBO).mean, abs=2e-4)


def test_an_interaction_counts_the_cars_that_show_it() -> None:
    rows = []
    for car in range(1, 9):
        for state in ((), (INTAKE,), (INTAKE, TUNE)) if car < 6 else ((), (INTAKE, TUNE)):
            rows.append(Setup(car, state, LEVEL + 0.05 * len(state), session=car))
    found = solved(*rows).interaction("intake-pipe", "calibration")
    assert found.cars == 5


def test_companions_are_what_else_the_part_s_cars_had() -> None:
    rows = [
        Setup(1, (INTAKE, TUNE)),
        Setup(2, (INTAKE,)),
        Setup(3, (INTAKE, TUNE)),
        Setup(4, (INTAKE, EXHAUST)),
        Setup(5),
    ]
    assert solved(*rows).companions(INTAKE, TURBO) == {TUNE: 0.5, EXHAUST: 0.25}
    assert solved(*rows).companions(INTAKE, SECOND_TURBO) == {TUNE: 0.5, EXHAUST: 0.25}
    assert solved(*rows).companions(OTHER_INTAKE, TURBO) == {}
    elsewhere = Setup(6, (INTAKE, EXHAUST), platform=SECOND_TURBO)
    assert solved(*rows, elsewhere).companions(INTAKE, TURBO) == {TUNE: 0.5, EXHAUST: 0.25}


def test_the_level_of_a_platform_whose_setups_stand_at_no_standard_is_not_known() -> None:
    rows = [Setup(car, levelled=False) for car in range(1, 4)]
    system = solved(*rows, Setup(9, platform=SECOND_TURBO, value=LEVEL))
    assert np.isnan(system.levels(TURBO))
    assert system.levels(SECOND_TURBO) == pytest.approx(LEVEL, abs=0.02)


def test_what_warm_air_costs_is_told_per_degree() -> None:
    rows = [
        Setup(car, (), LEVEL - 0.001 * warm, inlet_c=25.0 + warm, session=None)
        for car in range(1, 9)
        for warm in (0, 10, 20)
    ]
    assert solved(*rows).inlet_effect("turbo") == pytest.approx(-0.001, rel=0.05)
    assert solved(*rows).inlet_effect("natural") == 0.0


def test_a_setup_whose_air_was_not_recorded_weighs_less_where_air_matters() -> None:
    rows = [
        Setup(car, (), LEVEL - 0.002 * warm, inlet_c=25.0 + warm)
        for car in range(1, 9)
        for warm in (0, 10, 20)
    ]
    level = LEVEL - 0.002 * 10
    told, untold = Setup(20, (), level, inlet_c=35.0), Setup(21, (), level, inlet_c=np.nan)
    cars = solved(*rows, told, untold).cars()
    errors = dict(zip(cars.vehicle_id.tolist(), cars.own_variance.tolist(), strict=True))
    # the recorded air has a standard deviation of 8.2 degC, at 0.2 % / degC
    assert errors[21] - errors[20] == pytest.approx((0.002 * 8.2) ** 2, rel=0.15)
