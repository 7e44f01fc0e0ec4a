"""A gain's pairs, curve and cautions by hand, from as little as each needs: no ledger, no model."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from service.answers import cautions, measured
from service.answers.build_estimate import BuildAsked, BuildEstimate, BuildPart, estimated, pairs_together
from service.answers.cost import Cost, fitted_cost, labour_rate
from service.answers.gain_curve import gain_states, pooled_states
from service.answers.knots import ranges_of
from service.answers.measured import only_column
from service.answers.model_gain import OverRevs, low_end, may_lose, stock_before
from service.answers.pairs_gain import Asked, is_alone, peak_shift, spreads_of, typical_baseline, usable
from service.answers.typical_gain import grade_here, pairs_headline
from service.answers.unlike import unlike_words
from service.domain.curve import GRID_RPM
from service.domain.engine import Engine
from service.domain.measures import Measure
from service.domain.pairing import MATCHES
from service.stats.history.cells import CellColumns, Interaction
from service.stats.history.gains import chance_of_at_least
from service.stats.pairs import Spreads
from service.stats.pooling import pool
from service.store.evidence import Side
from tests.stats.history.gain_cases import FIT, gain, gain_over_knots

PEAK, BAND = Measure("peak_power"), Measure("band_power", from_rpm=3000.0, to_rpm=4000.0)


def side(setup_id: int, power_kw: float = 100.0, level: str | None = "din-70020", **fields: object) -> Side:
    known = {"setup_id": setup_id, "bay_id": 1, "pulls": 3, "level_standard": level, "power_kw": power_kw,
             "complete": True, "n_parts": 0, "spread_ss": 0.0, "spread_df": 2}  # fmt: skip
    return Side(**{**dict.fromkeys(Side._fields), **known, **fields})


def row(**fields: object) -> SimpleNamespace:
    known = {"with_": side(1, 105.0), "without": side(2), "again": None, "again_share": None, "again_is_with": None,
             "same_session": True, "usable": True, "held": True, "match": 1}  # fmt: skip
    return SimpleNamespace(**{**known, **fields})


# Pairs


def test_pulls_of_comparisons_in_doubt_say_nothing_of_how_pulls_scatter():
    """Two setups of 2 degrees of freedom and 1e-4 each, drawn to 0.5 % by four pulls: (4 x 2.5e-5 + 2e-4) / 8."""
    good = row(with_=side(1, spread_ss=1e-4), without=side(2, spread_ss=1e-4))
    bad = row(with_=side(3, spread_ss=0.1), without=side(4, spread_ss=0.1), usable=False)
    shop = {"setup_spread": 0.0045, "session_spread": 0.007, "bay_spread": 0.022}
    assert spreads_of([good, bad], shop).pull == pytest.approx(math.sqrt((4 * 2.5e-5 + 2e-4) / 8))


def test_how_far_the_peak_moved_has_the_t_interval_of_a_mean():
    """10, 20 and 30 rpm: mean 20, standard deviation 10; t of 2 degrees of freedom at 90 %: 2.920 (any table of t)."""
    found = peak_shift([10.0, 20.0, 30.0], 0.9)
    assert found.typical == 20.0
    assert found.interval == pytest.approx(
        (20.0 - 2.920 * 10 / math.sqrt(3), 20.0 + 2.920 * 10 / math.sqrt(3)), abs=0.01
    )
    assert peak_shift([10.0, 20.0], 0.9).interval is None


@pytest.mark.parametrize(
    ("against", "parts", "complete", "alone"),
    [(0, 0, True, True), (0, 1, True, False), (7, 1, True, True), (7, 2, True, False), (0, 0, False, False)],
)
def test_a_car_was_otherwise_stock_where_nothing_but_the_replaced_part_was_on_it(
    against, parts, complete, alone
):
    one = row(without=side(2, n_parts=parts, complete=complete))
    assert is_alone(one, SimpleNamespace(against_id=against)) is alone


@pytest.mark.parametrize(
    ("same_session", "standard", "known"),
    [(True, "sae-j1349", True), (False, "sae-j1349", False), (False, "din-70020", True)],
)
def test_figures_of_two_days_are_divided_only_where_both_stand_in_the_asked_standard(
    same_session, standard, known
):
    asked = Asked(PEAK, standard, 0.9, None, None, curve=False, pairs=False)
    found = usable(row(same_session=same_session), asked, Engine(), {}, Spreads(0.005, 0.0045, 0.007, 0.022))
    assert (found is not None) is known
    assert found is None or found.measured.gain == pytest.approx(math.log(1.05))


def test_unlike_comparisons_are_called_so_only_where_most_are_known_to_be():
    """One strapped down anew, one of which conditions are not known: one of two is not most."""
    used = [row(match=MATCHES.index("other-day")), row(held=False)]
    said = unlike_words(used, {})
    assert said.startswith("Most of these comparisons are not, or not known to be, like for like")
    used.append(row(match=MATCHES.index("other-bay")))
    assert unlike_words(used, {}).startswith("Most of these comparisons are not like for like")


# The curve of the pairs


def flat(torque: float, until: float = 9000.0) -> np.ndarray:
    return np.where(until >= GRID_RPM, torque, np.nan)


def test_a_speed_is_drawn_where_half_of_the_cars_reach_it():
    """Four cars to 5,000 rpm, of which two go on to 6,000 and one to 7,000."""
    curves, used = {}, []
    for n, until in enumerate((5000.0, 5000.0, 6000.0, 7000.0), 1):
        curves |= {n: flat(110.0, until), -n: flat(100.0, until)}
        used.append((row(with_=side(n), without=side(-n)), 1e-4, (1.0, 1.0)))
    assert gain_states(used, curves).rpm[-1] == 6000.0


def test_every_reading_of_a_repeated_state_is_brought_to_the_level():
    """Without 100, then 55 at half the level, a quarter of the way: ln(110) less (3/4 ln 100 + 1/4 ln 110)."""
    curves = {1: flat(110.0), 2: flat(100.0), 3: flat(55.0)}
    one = row(again=side(3), again_share=0.25, again_is_with=False)
    found = gain_states([(one, 1e-4, (1.0, 1.0, 2.0))], curves)
    assert found.gains[0, 40] == pytest.approx(0.75 * math.log(1.1))


def test_what_two_bays_share_stands_in_the_curve_as_in_the_gain_itself():
    curves = {1: flat(110.0), 2: flat(100.0), 3: flat(106.0), 4: flat(100.0), 5: flat(108.0), 6: flat(100.0)}
    used = [(row(with_=side(n), without=side(n + 1)), 1e-4, (1.0, 1.0)) for n in (1, 3, 5)]
    states = gain_states(used, curves)
    of_one_figure = pool(np.log([1.10, 1.06, 1.08]), [1e-4] * 3, shared=4e-4)
    assert pooled_states(states, 4e-4).pooled.se == pytest.approx(np.full(len(states.rpm), of_one_figure.se))


# The model's gain


class History(SimpleNamespace):
    """Some columns of a history."""

    def __len__(self) -> int:
        return len(self.setup_id)


def test_cars_compared_here_count_also_where_the_model_could_not_tell_them():
    model = SimpleNamespace(known=gain(cars=0, cars_with=4))
    pairs = SimpleNamespace(cars=4, like_for_like_used=4, grade="none")
    assert grade_here(model, pairs) == "fair"


@pytest.mark.parametrize(("measure", "against", "may"), [(PEAK, 0, False), (PEAK, 5, True), (BAND, 0, True)])
def test_a_gain_is_likelier_than_a_loss_over_stock_and_at_the_peak_alone(measure, against, may):
    assert may_lose(measure, against) is may


def test_the_low_end_is_the_lowest_third_of_the_rev_range():
    rpm = np.linspace(3000.0, 6000.0, 7)
    found = low_end(OverRevs(rpm, gain_over_knots([1.0] * 3 + [9.0] * 4), rpm, np.eye(7), rpm), 0.9)
    assert (found.from_rpm, found.to_rpm) == (3000.0, 4000.0)
    assert found.gain.typical == pytest.approx(0.01)


def test_a_measure_of_four_times_the_variance_was_known_four_times_worse_before_its_cars_too():
    own = gain()
    columns = CellColumns(np.array([0.02]), np.array([4e-5]), np.array([1e-4]), np.array([4.0]), own)
    found = only_column(columns)
    assert (found.mean, found.variance, found.car_spread_variance) == (0.02, 4e-5, 1e-4)
    assert found.prior_variance == pytest.approx(4.0 * own.prior_variance)
    assert found.elsewhere_variance == pytest.approx(4.0 * own.elsewhere_variance)


def test_a_figure_read_from_a_curve_is_brought_to_the_standard_as_a_peak_is(monkeypatch):
    """150 N.m at a ratio of 1.02; of a setup without a curve nothing."""
    grids = np.full((1, GRID_RPM.size), 150.0)
    monkeypatch.setattr(measured, "mean_curves", lambda conn, ids: [(np.array([1]), grids)])
    read = SimpleNamespace(history=History(setup_id=np.array([7, 8])), ratio=np.array([1.05, 1.02]))
    found = measured.curve_values(None, read, lambda curves, rows: curves[:, :1], 1)
    assert found[:, 0] == pytest.approx([np.nan, math.log(150.0 * 1.02)], nan_ok=True)


def test_a_setup_that_stands_at_the_models_standard_and_not_at_the_asked_one_has_no_value_there(monkeypatch):
    """Three setups: one at both standards, one at the model's alone, one at neither (it speaks by ratios in both)."""
    levelled = {"sae-j1349": [True, True, False], "iso-1585": [True, False, False]}

    def past(conn, measure, standard, vehicles):
        ids, values = np.array([1, 2, 3]), np.array([5.0, 5.1, 5.2])
        at = np.array(levelled[standard])
        return SimpleNamespace(history=History(setup_id=ids, vehicle_id=ids, value=values, levelled=at))

    monkeypatch.setattr(measured, "some_past", past)
    state = SimpleNamespace(standard="sae-j1349", read={})
    _, found = measured.values_of(None, state, PEAK, "iso-1585")
    assert found[:, 0] == pytest.approx([5.0, np.nan, 5.2], nan_ok=True)


def test_the_knots_lie_where_nine_in_ten_of_a_platforms_curves_reach():
    first = np.array([2500.0] + [2000.0] * 10 + [1500.0] * 9)
    last = np.array([5000.0] + [6000.0] * 10 + [7000.0] * 9)
    assert ranges_of(np.ones(20, dtype=np.int64), first, last) == {1: (2000.0, 6000.0)}


# What a gain is shown on, and what it costs


def test_the_cars_measured_read_their_geometric_mean_without_the_part():
    read = [SimpleNamespace(without=value) for value in (100.0, None, 144.0)]
    assert typical_baseline(read) == pytest.approx(120.0)
    assert typical_baseline(read[1:2]) is None


def test_the_askers_own_reading_comes_before_that_of_the_cars_measured():
    pairs = SimpleNamespace(
        pooled=pool([0.05] * 3, [1e-4] * 3), base=150.0, cars=3, noise_floor=0.01, peak_shift=None
    )
    found = [pairs_headline(pairs, SimpleNamespace(baseline=own)) for own in (200.0, None)]
    assert [(one.base, one.base_is) for one in found] == [
        (200.0, "yours"),
        (150.0, "typical of the cars measured"),
    ]


@pytest.mark.parametrize(("against", "before"), [(0, 150.0), (7, 150.0 * 1.1)])
def test_a_part_against_another_is_shown_on_the_car_with_the_other_one(against, before):
    """The other gives a tenth."""
    other = SimpleNamespace(mean=math.log(1.1))
    solved = SimpleNamespace(stock=lambda _: 150.0, gain=lambda part, _: other if part == 7 else None)
    assert stock_before(solved, SimpleNamespace(platform_id=1, against_id=against)) == pytest.approx(before)


@pytest.mark.parametrize(
    ("currency", "asked", "rate"),
    [("GBP", None, 72.0), (None, None, 72.0), ("EUR", None, None), ("EUR", 50.0, 50.0)],
)
def test_the_shops_hour_is_priced_in_the_shops_money_alone(currency, asked, rate):
    shop = {"currency": "GBP", "labour_rate": 72.0}
    assert labour_rate(SimpleNamespace(currency=currency), shop, asked) == rate


@pytest.mark.parametrize(
    ("price", "hours", "rate", "fitted"),
    [
        (100, 2.0, 72.0, 244.0),
        (100, None, None, 100),
        (100, 0.0, None, 100),
        (100, 2.0, None, None),
        (None, 2.0, 72.0, None),
    ],
)
def test_a_part_costs_its_price_and_its_work_where_work_is_recorded(price, hours, rate, fitted):
    assert fitted_cost(price, hours, rate) == fitted


# Parts together


def priced(part_id: int) -> SimpleNamespace:
    fields = {"price": None, "currency": None, "price_date": None, "labour_hours": None}
    return SimpleNamespace(part_id=part_id, slug=f"part-{part_id}", name=f"Part {part_id}", **fields)


def test_what_two_parts_do_together_is_as_unsure_as_their_interaction_times_the_geometric_mean_of_their_gains():
    """Gains of 4 and 9 %, the interaction known to 0.1 of their geometric mean of 6 %: 1.645 x 0.6 % to either side."""
    parts = {n: SimpleNamespace(slot=f"slot-{n}") for n in (1, 2)}
    system = SimpleNamespace(
        catalogue=SimpleNamespace(parts=parts), interaction=lambda a, b: Interaction(a, b, 0.0, 0.1**2, 5)
    )
    solved = SimpleNamespace(system=system, build_of=lambda *_: gain(15.0))
    platform = SimpleNamespace(platform_id=1)
    (found,) = pairs_together(solved, platform, [priced(1), priced(2)], [gain(4.0), gain(9.0)], 0.9)
    assert found.mean == pytest.approx(0.02)
    assert found.interval == pytest.approx((0.02 - 1.645 * 0.006, 0.02 + 1.645 * 0.006), abs=1e-5)


@pytest.mark.parametrize(("measure", "may"), [(PEAK, False), (BAND, True)])
def test_the_chance_of_a_build_knows_what_the_chance_of_a_part_knows(measure, may):
    unsure = gain(0.3, sd=1.0)
    catalogue = SimpleNamespace(parts={1: SimpleNamespace(slot="intake-pipe")})
    system = SimpleNamespace(fit=FIT, catalogue=catalogue, cars_with_all=lambda *_: 0)
    solved = SimpleNamespace(system=system, build_of=lambda *_: unsure, stock=lambda _: 150.0)
    asked = BuildAsked(measure, "none", 0.9, None)
    empty = BuildEstimate(asked, (BuildPart(priced(1), unsure, None, None, "fair"),), Cost(*[None] * 8))
    shop = {"labour_rate": None, "currency": "GBP"}
    found = estimated(empty, solved, SimpleNamespace(platform_id=1), [priced(1)], [unsure], shop)
    assert found.said.chance_of_gain == pytest.approx(chance_of_at_least(unsure, FIT, 0.0, may_lose=may))


# Cautions


def answer(interval: tuple[float, float], **fields: object) -> SimpleNamespace:
    headline = SimpleNamespace(interval=interval, chance=0.5)
    return SimpleNamespace(headline=headline, model=None, **fields)


def test_a_part_whose_whole_interval_is_a_loss_is_said_to_have_lost():
    assert list(cautions.about_size(answer((-0.05, -0.02)))) == [
        "This part lost power or torque on the cars measured."
    ]
    assert list(cautions.about_size(answer((0.02, 0.05)))) == []


def of_pairs(*used: SimpleNamespace) -> SimpleNamespace:
    pairs = SimpleNamespace(left_out=0, peaks_only=0, unlike=None, cars=1, context="alone", pairs=list(used))
    return SimpleNamespace(pairs=pairs, model=None, context="alone")


def test_that_a_car_was_measured_in_two_bays_is_said_of_pairs_that_count():
    words = (
        "Some cars were measured in one bay without it and in another with it: the interval allows for it."
    )
    across = row(with_=side(1, bay_id=2))
    assert list(cautions.about_pairs(of_pairs(SimpleNamespace(used=True, row=across)))) == [words]
    assert list(cautions.about_pairs(of_pairs(SimpleNamespace(used=False, row=across)))) == []
    assert list(cautions.about_pairs(of_pairs(SimpleNamespace(used=True, row=row())))) == []


@pytest.mark.parametrize(("apart", "said"), [(0.019, False), (0.021, True)])
def test_pairs_and_model_disagree_beyond_1_96_of_their_errors_together(apart, said):
    """Errors of 0.6 and 0.8 %: 1 % together, so beyond 1.96 %."""
    known = replace(gain(3.0), variance=0.006**2)
    pooled = SimpleNamespace(interval=(0.0, 0.1), mean=0.03 + apart, se=0.008)
    pairs = SimpleNamespace(cars=5, cars_compared=5, pooled=pooled, context="alone")
    one = SimpleNamespace(
        pairs=pairs,
        model=SimpleNamespace(known=known, cars_unlike=False),
        cars_here=5,
        entangled=(),
        context="alone",
    )
    found = list(cautions.of_the_model(one, SimpleNamespace(), []))
    assert any("say something else" in words for words in found) is said


@pytest.mark.parametrize("unlike", [False, True])
def test_that_cars_gain_far_more_differently_by_a_part_than_by_others_is_said(unlike):
    pairs = SimpleNamespace(cars=5, cars_compared=5, pooled=None, context="alone")
    one = SimpleNamespace(
        pairs=pairs,
        model=SimpleNamespace(known=gain(3.0), cars_unlike=unlike),
        cars_here=5,
        entangled=(),
        context="alone",
    )
    assert list(cautions.of_the_model(one, SimpleNamespace(), [])) == [cautions.CARS_UNLIKE] * unlike


@pytest.mark.parametrize(
    ("of_cars", "judged"),
    [
        (29, "what is usual in shops, for this ledger has few cars yet"),
        (30, "other parts and other kinds of car"),
    ],
)
def test_of_few_cars_the_ledger_does_not_say_that_others_of_its_own_judge(of_cars, judged):
    pairs = SimpleNamespace(cars=1, cars_compared=1, pooled=None, context="alone")
    one = SimpleNamespace(
        pairs=pairs,
        model=SimpleNamespace(known=gain(3.0), cars_unlike=False, of_cars=of_cars),
        cars_here=1,
        entangled=(),
        context="alone",
    )
    words = f"Measured on one car only: how sure this is, is judged from {judged}."
    assert list(cautions.of_the_model(one, SimpleNamespace(), [])) == [words]
