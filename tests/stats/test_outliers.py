"""Outlier tests against NIST's e-Handbook, and false discoveries against their paper and scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as reference

from service.stats import outliers
from tests.checks import document, rows

CHECKS = document("t07_outliers.json")
ROSNER = [float(row["y"]) for row in rows("t07_rosner54.csv")]
PRINTED = CHECKS["rosner54"]


MODIFIED_Z_LIMIT = 3.5
"""Iglewicz & Hoaglin 1993, as NIST gives it."""


def modified_z(values: list[float]) -> np.ndarray:
    """Their score."""
    return (np.asarray(values) - np.median(values)) / outliers.robust_scale(values)


def truncated(value: float, decimals: int) -> float:
    """As NIST prints: cut, not rounded."""
    return math.floor(value * 10**decimals + 1e-9) / 10**decimals


def test_generalized_esd_prints_every_figure_of_nist_1_3_5_17_3() -> None:
    found = outliers.generalized_esd(ROSNER, most=10)
    assert [round(step.statistic, 6) for step in found.steps] == PRINTED["NIST_R_code_R"]
    assert [round(step.critical, 6) for step in found.steps] == PRINTED["NIST_R_code_lambda"]
    assert [truncated(step.statistic, 3) for step in found.steps] == PRINTED["NIST_printed_R"]
    assert [truncated(step.critical, 3) for step in found.steps] == PRINTED["NIST_printed_lambda"]


def test_three_are_outlying_although_the_first_two_steps_do_not_exceed_their_critical_values() -> None:
    found = outliers.generalized_esd(ROSNER, most=10)
    assert [step.statistic > step.critical for step in found.steps[:3]] == [False, False, True]
    assert [ROSNER[i] for i in found.outliers] == [6.01, 5.42, 5.34]
    assert outliers.generalized_esd(ROSNER, most=2).outliers == ()


def test_one_step_is_grubbs_test_of_nist_1_3_5_17_1() -> None:
    grubbs = CHECKS["grubbs_uranium"]
    step = outliers.generalized_esd(grubbs["data"], most=1).steps[0]
    assert truncated(step.statistic, 4) == grubbs["NIST_printed"]["G"]
    assert step.critical == pytest.approx(grubbs["recomputed"]["crit_two_sided"], abs=1e-12)
    # NIST tests the largest alone, one-sided: alpha / n in place of alpha / 2n
    one_sided = outliers.esd_critical(8, 8, alpha=0.10)
    assert round(one_sided, 3) == grubbs["NIST_printed"]["crit_one_sided_5pct"]


def test_equal_values_hold_no_outlier() -> None:
    assert outliers.generalized_esd([5.0] * 6, most=2).outliers == ()


@pytest.mark.parametrize("most", [0, 3])
def test_the_test_needs_two_values_that_stay(most: int) -> None:
    with pytest.raises(ValueError, match=f"most: {most} of 4 values; give 1..2"):
        outliers.generalized_esd([1.0, 2.0, 3.0, 9.0], most=most)


def test_generalized_esd_calls_good_values_outlying_as_seldom_as_it_says() -> None:
    random = np.random.default_rng(3)
    called = sum(
        bool(outliers.generalized_esd(random.standard_normal(30), most=3).outliers) for _ in range(2000)
    )
    # 5 % of 2000, four standard deviations of the count: 100 +- 39
    assert 61 <= called <= 139


@pytest.mark.parametrize("value", PRINTED["modified_z"]["over_3.5"])
def test_modified_z_scores_of_rosners_values_come_out(value: str) -> None:
    scores = dict(zip(ROSNER, modified_z(ROSNER), strict=True))
    assert round(scores[float(value)], 4) == PRINTED["modified_z"]["over_3.5"][value]
    assert round(scores[4.64], 4) == PRINTED["modified_z"]["4.64"]
    assert sum(abs(score) > MODIFIED_Z_LIMIT for score in scores.values()) == 3


def test_modified_z_of_iglewicz_and_hoaglins_example_prints_16_2() -> None:
    small = CHECKS["iglewicz_hoaglin_small"]
    scores = modified_z(small["data"])
    assert scores[2] == pytest.approx(small["M_of_8.1"], rel=1e-9)
    assert round(float(scores[2]), 1) == 16.2
    uranium = CHECKS["grubbs_uranium"]
    assert modified_z(uranium["data"])[7] == pytest.approx(uranium["modified_z_of_245.57"], rel=1e-9)


def test_where_more_than_half_are_equal_the_mean_deviation_stands_in() -> None:
    scores = modified_z([3.0, 3.0, 3.0, 3.0, 8.0])
    # mean deviation 5 / 5 = 1, over sqrt(2 / pi)
    assert scores[4] == pytest.approx(5.0 * math.sqrt(2.0 / math.pi))
    assert outliers.robust_scale([3.0] * 5) == 0.0


def test_a_single_plain_z_can_never_reach_three_among_ten_but_a_modified_one_can() -> None:
    values = np.array([*np.linspace(-1, 1, 9), 1000.0])
    assert abs(values - values.mean()).max() / values.std(ddof=1) == pytest.approx(
        2.846, abs=1e-3
    )  # 9 / sqrt(10)
    assert modified_z(values)[9] > 1000.0


def test_benjamini_and_hochbergs_own_example_believes_four() -> None:
    # 15 endpoints of a trial, section 4 of the paper of 1995; from memory
    p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459,
        0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000,
    ]  # fmt: skip
    assert outliers.discoveries(p, rate=0.05).tolist() == [True] * 4 + [False] * 11


@given(p=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=40), rate=st.sampled_from([0.01, 0.05, 0.1, 0.5]))
def test_discoveries_agree_with_scipys(p: list[float], rate: float) -> None:
    adjusted = reference.false_discovery_control(p, method="bh")
    clear = np.abs(adjusted - rate) > 1e-12
    assert (outliers.discoveries(p, rate) == (adjusted <= rate))[clear].all()


def test_nothing_tested_is_nothing_found() -> None:
    assert outliers.discoveries([]).size == 0


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=30), st.floats(-1e3, 1e3), st.floats(0.1, 1e3))
def test_a_robust_scale_goes_with_the_unit_and_not_with_where_values_lie(
    values: list[float], shift: float, unit: float
) -> None:
    group = np.round(values, 3)
    moved = outliers.robust_scale(group * unit + shift)
    assert moved == pytest.approx(outliers.robust_scale(group) * unit, rel=1e-6, abs=1e-9 * unit)


@given(n=st.integers(5, 12), seed=st.integers(0, 999), wild=st.floats(0.0, 12.0))
def test_of_many_groups_those_exceed_in_which_the_test_of_each_declares_any(
    n: int, seed: int, wild: float
) -> None:
    random = np.random.default_rng(seed)
    groups = random.normal(size=(20, n))
    groups[::2, 0] += wild
    groups[::3, 1] -= wild
    groups[4] = 1.0
    most = (n - 1) // 2
    each = [bool(outliers.generalized_esd(group, most).outliers) for group in groups]
    assert outliers.esd_exceeds(groups, most).tolist() == each


def test_nists_group_exceeds_and_its_middle_does_not() -> None:
    assert outliers.esd_exceeds(np.array([ROSNER]), most=10).tolist() == [True]
    assert outliers.esd_exceeds(np.sort([ROSNER])[:, 10:-10], most=10).tolist() == [False]
