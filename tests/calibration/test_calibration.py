"""The report itself on a few small shops: the model holds what it says, and a model that does not is called out."""

from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest

from tests.calibration.figures import MET, MISSED, TOO_FEW, Figure, bias, ratio, root_mean_square, share
from tests.calibration.report import report_lines
from tests.calibration.rows import ROWS, Pool
from tests.calibration.trials import pooled, try_shop

SHOPS = (("small", 300), ("small", 301), ("tiny", 300))


@cache
def shop(size: str, seed: int) -> Pool:
    return try_shop(seed, size, ("gains", "bays", "soak", "joint"))


def gains(name: str) -> np.ndarray:
    return pooled(shop(*each) for each in SHOPS)["gains"][name]


def within(low: np.ndarray, value: np.ndarray, high: np.ndarray) -> np.ndarray:
    return (low <= value) & (value <= high)


@pytest.mark.slow
def test_typical_gains_lie_in_their_intervals_about_nine_times_in_ten() -> None:
    inside = within(gains("low"), gains("truth"), gains("high"))
    assert len(inside) > 100
    # Cells of one shop share its slots: two binomial standard errors, and a few points for that.
    assert 0.80 < inside.mean() < 0.99


def test_a_further_cars_true_gain_lies_in_its_interval_about_nine_times_in_ten() -> None:
    assert 0.82 < gains("next").mean() < 0.98


def test_typical_gains_are_nearer_to_the_truth_than_best_after_minus_best_before() -> None:
    there = np.isfinite(gains("naive"))
    ours, theirs = (gains(name)[there] - gains("truth")[there] for name in ("mean", "naive"))
    assert float(np.abs(ours).mean()) < 0.8 * float(np.abs(theirs).mean())


def test_a_part_with_no_car_here_is_told_wider_than_one_with_two_cars() -> None:
    width = gains("high") - gains("low")
    assert np.median(width[gains("kind") < 0.0]) > 1.5 * np.median(width[gains("kind") >= 2.0])


def test_heat_soaked_setups_are_mostly_found_and_others_mostly_left_alone() -> None:
    soak = pooled(shop(*each) for each in SHOPS)["soak"]
    called, soaked = soak["called"] == 1.0, soak["soaked"] == 1.0
    assert soaked[called].mean() > 0.8
    assert called[soaked].mean() > 0.8


def test_joint_changes_are_divided_better_than_evenly() -> None:
    joint = pooled(shop(*each) for each in SHOPS)["joint"]
    ours, even = (float(np.abs(joint[name] - joint["truth"]).mean()) for name in ("mean", "equal"))
    assert ours < 0.5 * even


def figures(subject: str, pool: Pool) -> Iterator[Figure]:
    for row in ROWS:
        if row.subject == subject:
            yield from row.figures(pool, "small")


def test_a_model_that_claims_to_know_five_times_better_is_called_out() -> None:
    pool = pooled(shop(*each) for each in SHOPS)
    honest = sum(figure.verdict == MISSED for figure in figures("gains", pool))
    told = pool["gains"]
    boasting = {
        **told,
        "low": told["mean"] - (told["mean"] - told["low"]) / 5.0,
        "high": told["mean"] + (told["high"] - told["mean"]) / 5.0,
    }
    assert sum(f.verdict == MISSED for f in figures("gains", {**pool, "gains": boasting})) >= honest + 3


def test_the_report_prints_each_row_that_was_tried_with_target_figure_and_count() -> None:
    lines = list(
        report_lines(
            {"small": {300: shop("small", 300), 301: shop("small", 301)}, "tiny": {300: shop("tiny", 300)}}
        )
    )
    table = [line for line in lines if line.startswith("| ")]
    assert len(table) > 40
    assert len({line.count(" | ") for line in table}) == 1
    assert any("typical gain, 90 % coverage [shop .86-.94; others .85-.98]" in line for line in table)
    assert "missed it" in lines[-1]


def test_a_share_may_lie_two_binomial_standard_errors_outside_its_band() -> None:
    # .90 of 100 against at least .95: 2 (.95 x .05 / 100)^.5 = .0436, so .9064 is the least.
    assert share("", [1.0] * 90 + [0.0] * 10, 0.95).verdict == MISSED
    assert share("", [1.0] * 91 + [0.0] * 9, 0.95).verdict == MET


def test_an_error_is_held_to_its_target_as_it_stands() -> None:
    assert root_mean_square("", np.full(50, 0.0021), 0.0020).verdict == MISSED
    assert root_mean_square("", np.full(50, 0.0019), 0.0020).verdict == MET
    assert ratio("", 0.61, 1.0, 50, 0.60).verdict == MISSED
    assert bias("", np.full(50, -0.0031), 0.003).verdict == MISSED


@pytest.mark.parametrize("n", [0, 9])
def test_a_figure_on_fewer_than_ten_is_printed_and_not_judged(n: int) -> None:
    assert share("", [1.0] * n, 0.86, 0.94).verdict == TOO_FEW
