"""Pooling against metafor's results and the figures their authors printed."""

import math
from collections import defaultdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import integrate
from scipy import stats as reference

from service.stats import pooling
from service.stats.pooling import pool, pool_columns
from tests.checks import rows

Floats = NDArray[np.float64]


def published_sets() -> dict[str, tuple[Floats, Floats]]:
    studies = defaultdict(list)
    for row in rows("t04_effects.csv"):
        studies[row["set"]].append((float(row["yi"]), float(row["vi"])))
    return {name: (np.array(pairs)[:, 0], np.array(pairs)[:, 1]) for name, pairs in studies.items()}


SETS = published_sets()
EXPECTED = {
    row["set"]: {
        key: float(cell) for key, cell in row.items() if key not in ("set", "method") and cell != "NA"
    }
    for row in rows("t04_pooling_expected_R_metafor381.csv")
    if row["method"] == "PM"
}


def test_every_published_set_is_expected_once() -> None:
    assert set(SETS) == set(EXPECTED)
    assert len(SETS) == 11


@pytest.mark.parametrize("name", SETS)
def test_mean_and_variance_agree_with_metafor(name: str) -> None:
    pooled, expected = pool(*SETS[name]), EXPECTED[name]
    assert pooled.k == expected["k"]
    assert pooled.tau2 == pytest.approx(expected["tau2"], rel=1e-8, abs=1e-12)
    assert pooled.mean == pytest.approx(expected["estimate"], rel=1e-9)
    assert pooled.se_wald == pytest.approx(expected["se_wald"], rel=1e-9)


@pytest.mark.parametrize("name", [name for name, (y, _) in SETS.items() if y.size > 2])
def test_intervals_agree_with_metafor(name: str) -> None:
    pooled, expected = pool(*SETS[name], level=0.95, never_narrower=False), EXPECTED[name]
    assert pooled.q is not None
    assert pooled.q**2 == pytest.approx(expected["hksj_factor"], rel=1e-8)
    assert pooled.se == pytest.approx(expected["se_hksj"], rel=1e-8)
    assert pooled.interval == pytest.approx((expected["hksj_lo"], expected["hksj_hi"]), rel=1e-8)
    predicted = (expected["pi_t_kminus2_lo"], expected["pi_t_kminus2_hi"])
    assert pooled.next_interval == pytest.approx(predicted, rel=1e-8)


@pytest.mark.parametrize(
    ("name", "printed_tau2", "half_digit"),
    [
        ("bcg_logRR", 0.3181, 5e-5),  # metafor's test against Stata's metan: PM = EB
        ("viechtbauer2005_ex1", 0.1920, 5e-5),  # Viechtbauer 2005 p. 271, EB
        ("viechtbauer2005_ex2", 0.0104, 5e-5),  # p. 272, EB
        ("kacker2004_key_comparison", 0.8399**2, 1e-4),  # Kacker 2004 p. 135 prints tau
        ("clasp_logOR", 0.3681**2, 4e-5),  # DerSimonian & Kacker 2007 prints tau
        ("hine1989_RDpct_tau2zero", 0.0, 0.0),  # Normand 1999
    ],
)
def test_variance_is_what_the_authors_printed(name: str, printed_tau2: float, half_digit: float) -> None:
    assert pooling.paule_mandel(*SETS[name]) == pytest.approx(printed_tau2, rel=0, abs=half_digit)


def test_a_wide_set_does_not_come_out_as_no_variance() -> None:
    # A solver that oversteps and gives up calls this set homogeneous, mean -3.49: it is 728.14 and -15.160.
    pooled = pool(*SETS["normand1999_MD_pooledSD"])
    assert (round(pooled.tau2, 2), round(pooled.mean, 3)) == (728.14, -15.16)


def test_a_calm_set_is_not_given_a_narrower_interval_than_the_plain_one() -> None:
    # Hine's set: Hartung-Knapp alone gives (1.551, 4.337) where Wald gives (0.383, 5.506) at 95 %.
    y, v = SETS["hine1989_RDpct_tau2zero"]
    narrow, held = pool(y, v, 0.95, never_narrower=False), pool(y, v, 0.95)
    assert narrow.interval == pytest.approx((1.551, 4.337), abs=5e-4)
    assert held.q is not None
    assert held.q < 1.0
    assert held.se == held.se_wald
    assert held.interval is not None
    assert held.interval[0] < 0.383
    assert "narrower" in narrow.method


def test_the_variance_solves_its_defining_equation() -> None:
    y, v = SETS["bcg_logRR"]
    weights = 1.0 / (v + pooling.paule_mandel(y, v))
    mean = float(weights @ y) / float(weights.sum())
    assert float(weights @ (y - mean) ** 2) == pytest.approx(12.0, rel=1e-10)


def test_equal_variances_reduce_to_the_ordinary_t_interval() -> None:
    y = np.array([1.0, 2.5, 2.0, 4.0, 3.5])
    pooled = pool(y, 0.1)
    expected = reference.t.interval(0.9, 4, loc=y.mean(), scale=y.std(ddof=1) / math.sqrt(5))
    assert pooled.interval == pytest.approx(expected, rel=1e-10)
    assert pooled.tau2 == pytest.approx(y.var(ddof=1) - 0.1, rel=1e-10)


def test_one_study_is_its_own_mean_without_interval() -> None:
    pooled = pool([2.0], [0.25])
    assert (pooled.k, pooled.mean, pooled.se, pooled.tau2) == (1, 2.0, 0.5, 0.0)
    assert (pooled.interval, pooled.next_interval, pooled.q) == (None, None, None)
    assert pooling.chance_above(pooled, 0.0) is None


def test_two_studies_have_a_mean_and_no_interval() -> None:
    # Hartung-Knapp would say 44.998..83.154 here.
    pooled = pool(*SETS["kacker2004_last2"])
    assert pooled.mean == pytest.approx(64.07588, abs=5e-6)
    assert (pooled.interval, pooled.next_interval) == (None, None)


def test_chance_above_is_the_tail_of_the_predictive_t() -> None:
    pooled = pool(*SETS["bcg_logRR"])
    spread = math.hypot(math.sqrt(pooled.tau2), pooled.se_wald)
    tail, _ = integrate.quad(lambda x: reference.t.pdf(x, 11, pooled.mean, spread), -0.2, np.inf)
    assert pooling.chance_above(pooled, -0.2) == pytest.approx(tail, rel=1e-8)
    assert pooling.chance_above(pooled, pooled.mean) == pytest.approx(0.5)
    assert pooled.next_interval is not None
    assert pooling.chance_above(pooled, pooled.next_interval[1]) == pytest.approx(0.05)


studies = st.lists(st.tuples(st.floats(-20.0, 20.0), st.floats(0.01, 10.0)), min_size=3, max_size=30)


@given(pairs=studies, random=st.randoms(use_true_random=False))
def test_the_order_of_studies_does_not_matter(pairs: list[tuple[float, float]], random: object) -> None:
    shuffled = list(pairs)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = (pool(*np.array(each).T) for each in (pairs, shuffled))
    assert other.tau2 == pytest.approx(one.tau2, rel=1e-7, abs=1e-9)
    assert other.mean == pytest.approx(one.mean, rel=1e-7, abs=1e-9)
    assert other.interval == pytest.approx(one.interval, rel=1e-7, abs=1e-8)


@given(pairs=studies, scale=st.floats(1e-3, 1e3))
def test_another_unit_scales_the_answer(pairs: list[tuple[float, float]], scale: float) -> None:
    y, v = np.array(pairs).T
    one, other = pool(y, v), pool(y * scale, v * scale**2)
    assert other.tau2 == pytest.approx(one.tau2 * scale**2, rel=1e-7, abs=1e-9 * scale**2)
    assert other.mean == pytest.approx(one.mean * scale, rel=1e-7, abs=1e-9 * scale)
    assert one.next_interval is not None
    expected = [bound * scale for bound in one.next_interval]
    assert other.next_interval == pytest.approx(expected, rel=1e-6, abs=1e-7 * scale)


@given(pairs=studies)
def test_the_search_ends_at_the_root(pairs: list[tuple[float, float]]) -> None:
    y, v = np.array(pairs).T
    tau2 = pooling.paule_mandel(y, v)
    weights = 1.0 / (v + tau2)
    squares = float(weights @ (y - float(weights @ y) / float(weights.sum())) ** 2)
    if tau2 > 0.0:
        assert squares == pytest.approx(y.size - 1, rel=1e-6)
    else:
        assert squares <= y.size - 1 + 1e-6


# -- columns


def table() -> tuple[Floats, Floats]:
    """Twelve studies over forty columns with holes, the last three columns reaching 2, 1 and no study."""
    random = np.random.default_rng(11)
    y = random.normal(3.0, 1.0, (12, 40)) * np.linspace(0.0, 3.0, 40)
    y[random.random(y.shape) < 0.3] = np.nan
    y[:, -3:] = np.nan
    y[:2, -3] = 1.0, 2.0
    y[0, -2] = 1.5
    return y, random.uniform(0.1, 2.0, 12)


@pytest.mark.parametrize("never_narrower", [True, False])
def test_columns_pool_like_their_members(never_narrower: bool) -> None:
    y, v = table()
    columns = pool_columns(y, v, 0.8, never_narrower)
    for j in range(37):
        present = np.isfinite(y[:, j])
        alone = pool(y[present, j], v[present], 0.8, never_narrower)
        assert alone.interval is not None
        assert alone.next_interval is not None
        expected = (alone.k, alone.mean, alone.tau2, *alone.interval, *alone.next_interval)
        found = (columns.k[j], columns.mean[j], columns.tau2[j], columns.low[j], columns.high[j])
        assert (*found, columns.next_low[j], columns.next_high[j]) == pytest.approx(
            expected, rel=1e-8, abs=1e-9
        )


def test_columns_with_too_few_studies_have_no_interval() -> None:
    columns = pool_columns(*table())
    assert columns.k[-3:].tolist() == [2, 1, 0]
    assert columns.mean[-2] == pytest.approx(1.5)
    assert np.isfinite(columns.mean[-3])
    assert np.isnan(columns.mean[-1])
    for bound in (columns.low, columns.high, columns.next_low, columns.next_high):
        assert np.isnan(bound[-3:]).all()
        assert np.isfinite(bound[:-3]).all()


def test_a_variance_may_be_unknown_where_the_study_is() -> None:
    y, v = table()
    spread = np.where(np.isnan(y), np.nan, v[:, np.newaxis])
    np.testing.assert_array_equal(pool_columns(y, spread).high, pool_columns(y, v).high)


@pytest.mark.parametrize(
    ("y", "v", "message"),
    [
        ([], [], "one or more studies"),
        ([1.0, math.nan], [1.0, 1.0], "must be finite"),
        ([1.0, 2.0], [1.0, 0.0], "above 0"),
        ([1.0, 2.0], [1.0, math.nan], "above 0"),
    ],
)
def test_what_cannot_be_pooled_is_refused(y: list[float], v: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        pool(y, v)


def test_a_table_with_an_impossible_variance_is_refused() -> None:
    y, v = table()
    with pytest.raises(ValueError, match="above 0"):
        pool_columns(y, -v)
    with pytest.raises(ValueError, match="shapes"):
        pool_columns(y, v[:5])


def test_a_level_in_percent_is_refused() -> None:
    with pytest.raises(ValueError, match=r"90 % is 0.9"):
        pool(*SETS["bcg_logRR"], level=90)


def test_what_studies_have_in_common_is_not_averaged_away_in_the_mean_nor_in_what_one_more_may_show():
    """Four equal studies of variance 0.04: 0.04 / 4 and the 0.03 that they share, a t of 3 and of 2 degrees of freedom."""
    found = pool([1.0] * 4, [0.04] * 4, 0.9, shared=0.03)
    assert (found.mean, found.tau2, found.se) == (1.0, 0.0, pytest.approx(0.2))
    assert found.interval == pytest.approx(
        (1 - 0.2 * reference.t.ppf(0.95, 3), 1 + 0.2 * reference.t.ppf(0.95, 3))
    )
    half = 0.2 * reference.t.ppf(0.95, 2)
    assert found.next_interval == pytest.approx((1 - half, 1 + half))
    columns = pool_columns([[1.0]] * 4, [0.04] * 4, 0.9, shared=0.03)
    assert (columns.low[0], columns.high[0]) == pytest.approx(found.interval)
    assert (columns.next_low[0], columns.next_high[0]) == pytest.approx(found.next_interval)
