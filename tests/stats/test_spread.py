"""Shares, quantiles and positions against NIST's and Newcombe's printed figures."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as reference

from service.stats import spread
from tests.checks import document

CHECKS = document("t08_expected.json")
PERCENTILES = CHECKS["NIST_7.2.6.2_percentile"]


def test_the_lower_limit_of_nist_7_2_4_1_comes_out() -> None:
    # 26 of 200, one-sided 95 % = the lower end of a two-sided 90 %
    printed = CHECKS["NIST_7.2.4.1"]["one_sided_95_lower_wilson_printed"]
    assert spread.wilson(26, 200, 0.9)[0] == pytest.approx(printed, abs=5e-6)


@pytest.mark.parametrize("case", CHECKS["newcombe1998_from_memory_score_95"])
def test_intervals_print_as_newcombes_do(case: str) -> None:
    successes, n = (int(each) for each in case.split("/"))
    printed = CHECKS["newcombe1998_from_memory_score_95"][case]
    assert spread.wilson(successes, n, 0.95) == pytest.approx(printed, rel=0, abs=5.1e-5)


@given(n=st.integers(1, 400), share=st.floats(0.0, 1.0), level=st.sampled_from([0.5, 0.9, 0.95]))
def test_intervals_agree_with_scipys(n: int, share: float, level: float) -> None:
    successes = round(share * n)
    expected = reference.binomtest(successes, n).proportion_ci(level, method="wilson")
    assert spread.wilson(successes, n, level) == pytest.approx((expected.low, expected.high), abs=1e-9)


@given(n=st.integers(1, 400), share=st.floats(0.0, 1.0))
def test_an_interval_holds_its_share_and_stays_a_share(n: int, share: float) -> None:
    successes = round(share * n)
    low, high = spread.wilson(successes, n)
    assert 0.0 <= low <= successes / n <= high <= 1.0


def test_the_90th_percentile_of_nist_7_2_6_2_comes_out() -> None:
    assert spread.quantiles(PERCENTILES["data"], [0.9])[0] == pytest.approx(
        PERCENTILES["printed_90th"], abs=5e-5
    )
    other_definition = PERCENTILES["numpy_pandas_default_type7"]
    assert abs(spread.quantiles(PERCENTILES["data"], [0.9])[0] - other_definition) > 1e-3


def test_a_group_is_described_by_hand() -> None:
    found = spread.describe([100.0, 104.0, 96.0, 108.0, 92.0, 110.0, 97.0], level=0.95)
    assert (found.n, found.mean, found.median) == (7, 101.0, 100.0)
    # squared deviations 1 + 9 + 25 + 49 + 81 + 81 + 16 = 262
    assert found.sd == pytest.approx((262 / 6) ** 0.5)
    assert (found.above_mean.share, found.below_mean.share) == (3 / 7, 4 / 7)
    assert (found.above_mean.low, found.above_mean.high) == spread.wilson(3, 7, 0.95)
    assert dict(found.quantiles)[0.5] == found.median
    assert dict(found.quantiles)[0.25] == 96.0  # rank 0.25 x 8 = 2


def test_values_on_the_mean_are_on_neither_side() -> None:
    found = spread.describe([1.0, 2.0, 3.0])
    assert (found.above_mean.share, found.below_mean.share) == (1 / 3, 1 / 3)


def test_a_single_value_has_no_spread() -> None:
    assert spread.describe([5.0]).sd is None


@pytest.mark.parametrize(
    ("below", "n", "printed"), [(2, 10, (20, 6, 51)), (5, 40, (12.5, 5, 26)), (1, 20, (5, 1, 24))]
)
def test_a_place_among_few_cars_is_hardly_known(below: int, n: int, printed: tuple[float, ...]) -> None:
    # 95 % intervals computed for the shop's handbook, printed in whole percent
    values = np.arange(n, dtype=float)
    found = spread.percentile_of(below - 0.5, values, 0.95)
    assert found is not None
    assert found == pytest.approx(printed, abs=0.5)


def test_equal_values_count_half() -> None:
    values = [1.0] * 4 + [2.0] * 4 + [3.0] * 2
    assert spread.percentile_of(2.0, values) == pytest.approx(
        (60.0, *(100 * x for x in spread.wilson(6, 10)))
    )
    assert reference.percentileofscore(values, 2.0, kind="mean") == 60.0


@given(values=st.lists(st.integers(0, 20), min_size=10, max_size=60), value=st.integers(-1, 21))
def test_a_place_agrees_with_scipys_mid_rank(values: list[int], value: int) -> None:
    found = spread.percentile_of(value, values)
    assert found is not None
    assert found[0] == pytest.approx(reference.percentileofscore(values, value, kind="mean"))
    assert found[1] <= found[0] <= found[2]


def test_nine_values_place_nothing() -> None:
    assert spread.percentile_of(5.0, range(9)) is None
    assert spread.percentile_of(5.0, range(10)) is not None


@pytest.mark.parametrize("values", [[], [1.0, float("nan")], [[1.0], [2.0]]])
def test_no_group_is_refused(values: list[float]) -> None:
    with pytest.raises(ValueError, match="values"):
        spread.describe(values)


@pytest.mark.parametrize(("successes", "n"), [(1, 0), (-1, 5), (6, 5)])
def test_no_share_is_refused(successes: int, n: int) -> None:
    with pytest.raises(ValueError, match="no share"):
        spread.wilson(successes, n)
