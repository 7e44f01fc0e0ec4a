"""Which part is worth its price, what to fit first, what to fit for so much money."""

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.stats.history import choice
from service.stats.history.choice import Option
from service.stats.history.gains import Interval


def option(part_id: int, slot: str, cost: float, percent: float) -> Option:
    """A part of one slot, or of several joined by '+'."""
    return Option(part_id, frozenset(slot.split("+")), cost, percent / 100.0)


# The frontier and cost per unit


def test_the_frontier_holds_what_no_other_part_beats_in_gain_and_cost() -> None:
    cost, gain = [100, 200, 300, 250, 100], [1.0, 3.0, 2.5, 3.0, 0.5]
    assert choice.frontier(cost, gain).tolist() == [True, True, False, False, False]


def test_of_two_equal_parts_both_are_on_the_frontier_and_one_without_a_price_never_is() -> None:
    assert choice.frontier([100, 100, np.nan], [2.0, 2.0, 9.0]).tolist() == [True, True, False]
    assert choice.frontier([], []).tolist() == []


@given(st.lists(st.tuples(st.integers(1, 9), st.integers(-3, 9)), min_size=1, max_size=12))
def test_the_frontier_is_the_definition_word_for_word(parts: list[tuple[int, int]]) -> None:
    cost, gain = zip(*parts, strict=True)
    expected = [
        not any((c <= cost[i] and g >= gain[i]) and (c < cost[i] or g > gain[i]) for c, g in parts)
        for i in range(len(parts))
    ]
    assert choice.frontier(cost, gain).tolist() == expected


def test_cost_per_unit_is_a_ratio_with_a_long_upper_end() -> None:
    # 900 spent for 6 kW +- 1.5 (se), 95 %: 150 per kW, 101 to 294; computed, common practice
    half = 1.96 * 1.5
    found = choice.per_unit(900.0, Interval(6.0, 6.0 - half, 6.0 + half))
    assert found is not None
    assert (round(found.typical), round(found.low), round(found.high)) == (150, 101, 294)


def test_a_gain_that_is_not_established_has_no_cost_per_unit() -> None:
    assert choice.per_unit(900.0, Interval(6.0, -0.3, 12.3)) is None
    assert choice.per_unit(900.0, Interval(-2.0, -3.0, -1.0)) is None


# Chances


def test_of_two_parts_alike_each_is_best_half_the_time() -> None:
    found = choice.best_chances([0.03, 0.03], np.eye(2) * 0.005**2, [100.0, 100.0], [1e-4, 1e-4])
    assert found.best_gain == pytest.approx([0.5, 0.5], abs=0.04)
    assert found.best_worth == pytest.approx([0.5, 0.5], abs=0.04)


def test_the_chance_of_being_best_is_the_normal_one_where_errors_go_together() -> None:
    # 20 % +- 1, 19 % +- 1, correlation 0.5: difference 1 +- 1, Phi(1) = 0.841
    covariance = np.array([[1.0, 0.5], [0.5, 1.0]]) * 1e-4
    found = choice.best_chances([0.20, 0.19], covariance, [1.0, 1.0], [1e-4, 1e-4])
    assert found.best_gain[0] == pytest.approx(0.841, abs=0.025)


def test_errors_that_are_wholly_shared_leave_no_doubt_which_is_better() -> None:
    covariance = np.full((2, 2), 1e-4)
    found = choice.best_chances([0.08, 0.07], covariance, [1.0, 1.0], [1e-4, 1e-4])
    assert found.best_gain[0] > 0.99


def test_worth_weighs_the_price_and_caution_what_is_not_known() -> None:
    # 3 % for 100 known to 2 %, 2.5 % for 100 known to 0.2 %, 4 % for 300
    found = choice.best_chances(
        [0.03, 0.025, 0.04], np.diag([0.02, 0.002, 0.002]) ** 2, [100.0, 100.0, 300.0], [0.3, 0.01, 0.01]
    )
    assert found.best_gain.argmax() == 2
    assert found.best_worth[2] < 0.01
    assert found.cautious_rank.tolist() == [3, 1, 2]


def test_a_part_without_a_price_has_no_worth_and_no_rank() -> None:
    found = choice.best_chances([0.03, 0.02], np.eye(2) * 1e-6, [np.nan, 50.0], [0.1, 0.1])
    assert found.best_worth.tolist() == [0.0, 1.0]
    assert np.isnan(found.cautious_worth[0])
    assert found.cautious_rank.tolist() == [0, 1]


def test_where_every_part_loses_none_is_the_best() -> None:
    found = choice.best_chances([-0.03, -0.04], np.eye(2) * 1e-6, [10.0, 20.0], [0.1, 0.1])
    assert found.best_gain.tolist() == [0.0, 0.0]


def test_the_same_question_always_gets_the_same_answer() -> None:
    ask = ([0.03, 0.02, 0.01], np.eye(3) * 1e-4, [100.0, 50.0, 20.0], [0.5, 0.5, 0.5])
    assert (choice.best_chances(*ask).best_worth == choice.best_chances(*ask).best_worth).all()


# Order and budget

INTAKE, EXHAUST, TUNE, KIT = (
    option(1, "air-filter", 100.0, 1.0),
    option(2, "rear-exhaust", 400.0, 3.0),
    option(3, "calibration", 500.0, 6.0),
    option(4, "air-filter+rear-exhaust", 450.0, 4.5),
)
ALL = (INTAKE, EXHAUST, TUNE, KIT)


def test_what_gives_most_for_its_money_is_fitted_first_beside_what_is_there() -> None:
    moves = choice.fitting_order(ALL, np.zeros((4, 4)))
    # per 100: 1.0, 0.75, 1.2, 1.0 (of equal worth the larger gain)
    assert [move.option.part_id for move in moves] == [3, 4]
    assert [round(100 * move.gain, 6) for move in moves] == [6.0, 10.5]
    assert [move.cost for move in moves] == [500.0, 950.0]


def test_a_part_that_adds_less_beside_another_waits_or_is_left_out() -> None:
    together = np.zeros((4, 4))
    together[1, 2] = together[2, 1] = -0.031  # beside the calibration the exhaust takes away
    together[3, 2] = together[2, 3] = -0.05
    moves = choice.fitting_order(ALL, together)
    assert [move.option.part_id for move in moves] == [3, 1]


def test_a_whole_order_fits_what_adds_only_beside_what_comes_after_it() -> None:
    # alone the exhaust takes away, with the calibration it gives 4 % more
    pair = (option(1, "rear-exhaust", 100.0, -1.0), option(2, "calibration", 900.0, 1.0))
    together = np.array([[0.0, 0.04], [0.04, 0.0]])
    assert [move.option.part_id for move in choice.fitting_order(pair, together)] == [2, 1]
    apart = np.zeros((2, 2))
    assert [move.option.part_id for move in choice.fitting_order(pair, apart)] == [2]
    assert [move.option.part_id for move in choice.fitting_order(pair, apart, whole=True)] == [2, 1]


def test_an_order_stops_at_the_budget() -> None:
    moves = choice.fitting_order(ALL, np.zeros((4, 4)), budget=650.0)
    assert [move.option.part_id for move in moves] == [3, 1]


def test_the_best_for_a_budget_is_not_the_greedy_one() -> None:
    parts = (option(1, "a", 60.0, 6.5), option(2, "b", 50.0, 5.0), option(3, "c", 50.0, 5.0))
    found = choice.within_budget(parts, np.zeros((3, 3)), 100.0)
    assert found.chosen == (1, 2)
    assert (found.cost, found.gain) == (100.0, pytest.approx(0.10))


def test_a_kit_takes_the_place_of_what_it_holds() -> None:
    # calibration 6 % and the kit 4.5 %: 10.5 % for 950; with filter and exhaust 10 % for 1000
    found = choice.within_budget(ALL, np.zeros((4, 4)), 1000.0)
    assert sorted(found.chosen) == [2, 3]


def test_for_no_money_nothing_is_fitted_and_a_part_that_loses_is_not_at_any_price() -> None:
    assert choice.within_budget(ALL, np.zeros((4, 4)), 50.0).chosen == ()
    assert choice.within_budget((option(1, "a", 0.0, -1.0),), np.zeros((1, 1)), 100.0).chosen == ()
    assert choice.within_budget((), np.zeros((0, 0)), 100.0).chosen == ()


def best_by_trying(parts: list[Option], together: np.ndarray, budget: float) -> float:
    """The most that any allowed combination gives."""
    best = 0.0
    for size in range(len(parts) + 1):
        for chosen in combinations(range(len(parts)), size):
            slots = [slot for i in chosen for slot in parts[i].slots]
            if len(slots) == len(set(slots)) and sum(parts[i].cost for i in chosen) <= budget:
                pairs = sum(together[i, j] for i, j in combinations(chosen, 2))
                best = max(best, sum(parts[i].gain for i in chosen) + pairs)
    return best


def drawn(seed: int, interacting: bool) -> tuple[list[Option], np.ndarray]:
    """Eight parts, some of which fill one slot, and what every two do together beyond their own gains."""
    random = np.random.default_rng(seed)
    slots = ["a", "a", "b", "b", "c", "c+d", "d", "e"]
    parts = [
        option(i, slot, float(random.uniform(20, 600)), float(random.normal(2, 2)))
        for i, slot in enumerate(slots)
    ]
    together = np.zeros((8, 8))
    if interacting:
        upper = np.triu(0.003 * random.standard_normal((8, 8)), 1)
        together = upper + upper.T
    return parts, together


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), budget=st.floats(0.0, 1500.0), interacting=st.booleans())
def test_no_combination_gives_more_for_the_money(seed: int, budget: float, interacting: bool) -> None:
    parts, together = drawn(seed, interacting)
    found, best = choice.within_budget(parts, together, budget), best_by_trying(parts, together, budget)
    assert found.cost <= budget
    # exact where gains add; with interactions the search keeps a frontier and may miss by little: of 1,500 such draws two
    # gave less than 0.97 of the best, the least 0.943
    assert found.gain >= (best - 1e-12 if not interacting else 0.9 * best - 1e-12)


def test_the_best_with_interactions_is_found_where_the_best_without_them_leads_nowhere() -> None:
    # the kit alone looks best, but beside it the calibration takes all away again
    together = np.zeros((4, 4))
    together[2, 3] = together[3, 2] = -0.05
    found = choice.within_budget(ALL, together, 1000.0)
    assert sorted(found.chosen) == [0, 1, 2]
    assert found.gain == pytest.approx(best_by_trying(list(ALL), together, 1000.0))


# The cheapest way to a gain


def cheapest_by_trying(parts: list[Option], together: np.ndarray, wished: float) -> float:
    """The least that an allowed combination costs which gives as much; infinity where none does."""
    costs = [math.inf]
    for size in range(len(parts) + 1):
        for chosen in combinations(range(len(parts)), size):
            slots = [slot for i in chosen for slot in parts[i].slots]
            pairs = sum(together[i, j] for i, j in combinations(chosen, 2))
            gives = sum(parts[i].gain for i in chosen) + pairs >= wished
            if gives and len(slots) == len(set(slots)):
                costs.append(sum(parts[i].cost for i in chosen))
    return min(costs)


def test_the_cheapest_way_is_not_the_best_buy_first() -> None:
    # To 5 %: the calibration (6 % for 500), though the intake and exhaust (4 % for 500) are cheap apart
    found = choice.cheapest_reaching(ALL, np.zeros((4, 4)), 0.05)
    assert found is not None
    assert (found.chosen, found.cost) == ((2,), 500.0)


def test_a_gain_beyond_all_parts_together_has_no_way_and_none_costs_nothing() -> None:
    assert choice.cheapest_reaching(ALL, np.zeros((4, 4)), 0.106) is None
    found = choice.cheapest_reaching(ALL, np.zeros((4, 4)), 0.0)
    assert found is not None
    assert (found.chosen, found.cost) == ((), 0.0)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), wished=st.floats(0.0, 0.15), interacting=st.booleans())
def test_no_combination_reaches_a_gain_for_less(seed: int, wished: float, interacting: bool) -> None:
    parts, together = drawn(seed, interacting)
    found, least = (
        choice.cheapest_reaching(parts, together, wished),
        cheapest_by_trying(parts, together, wished),
    )
    if found is None:
        assert least == math.inf or interacting
        return
    assert found.gain >= wished
    assert found.cost >= least - 1e-9
    if not interacting:  # with interactions the search may miss by little
        assert found.cost == pytest.approx(least)


def test_forty_parts_are_searched_in_a_moment() -> None:
    random = np.random.default_rng(1)
    parts = [
        option(i, f"slot-{i % 14}", float(random.uniform(50, 900)), float(random.uniform(0, 5)))
        for i in range(40)
    ]
    found = choice.within_budget(parts, np.zeros((40, 40)), 2500.0)
    assert 2000.0 < found.cost <= 2500.0
