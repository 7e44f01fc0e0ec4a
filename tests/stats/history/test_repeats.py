"""How well a bay repeats, by quarter: chi-square intervals and the trend."""

import math
from datetime import date

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from scipy.special import digamma, polygamma

from service.stats.history.repeats import (
    Quarter,
    quarter_starts,
    repeats_by_quarter,
    sd_interval,
    trend_of,
)

EPOCH = date(1970, 1, 1)


def days(*when: str) -> np.ndarray:
    return np.array([(date.fromisoformat(one) - EPOCH).days for one in when], dtype=float)


def quarter(start: str, sd: float, pulls: int = 30, setups: int = 10) -> Quarter:
    return Quarter(int(days(start)[0]), sd, sd, sd, pulls, setups)


def test_an_interval_is_that_of_the_published_chi_square_table():
    """Ten degrees of freedom: 3.247 and 20.483 at 2.5 % (NIST e-Handbook 1.3.6.7.4)."""
    low, high = sd_interval(ss=10.0, df=10, level=0.95)
    assert low == pytest.approx(math.sqrt(10 / 20.483), rel=1e-4)
    assert high == pytest.approx(math.sqrt(10 / 3.247), rel=1e-4)


@pytest.mark.parametrize(("df", "level"), [(1, 0.9), (7, 0.8), (240, 0.99)])
def test_an_interval_is_scipys(df, level):
    quantiles = stats.chi2(df).ppf([(1 + level) / 2, (1 - level) / 2])
    assert sd_interval(2.0, df, level) == pytest.approx(np.sqrt(2.0 / quantiles), rel=1e-10)


@pytest.mark.parametrize(("ss", "df"), [(-1.0, 3), (1.0, 0)])
def test_what_is_no_spread_is_refused(ss, df):
    with pytest.raises(ValueError, match="is no spread"):
        sd_interval(ss, df, 0.9)


def test_an_interval_holds_the_truth_as_often_as_it_says():
    draws = np.random.default_rng(3).normal(size=(4000, 5))
    ss = ((draws - draws.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    held = [low <= 1.0 <= high for low, high in (sd_interval(one, 4, 0.9) for one in ss)]
    assert np.mean(held) == pytest.approx(0.9, abs=0.015)


def test_quarters_begin_on_the_first_of_january_april_july_and_october():
    at = days("2025-01-01", "2025-03-31", "2025-04-01", "2025-12-31") + 0.99
    expected = days("2025-01-01", "2025-01-01", "2025-04-01", "2025-10-01")
    assert quarter_starts(at).tolist() == expected.tolist()


def test_setups_of_a_quarter_are_pooled_and_single_pulls_say_nothing():
    """(2 + 4) 1e-4 on 2 + 2 degrees of freedom: sd 1.2247 %, from 4 + 2 pulls of 2 setups."""
    at = days("2025-01-10", "2025-02-10", "2025-02-11", "2025-05-01")
    ss, df = np.array([2e-4, 4e-4, np.nan, 9e-4]), np.array([2, 2, 0, 1])
    first, second = repeats_by_quarter(at, ss, df, 0.9)
    assert first.sd == pytest.approx(math.sqrt(6e-4 / 4))
    assert (first.pulls, first.setups, second.pulls, second.setups) == (6, 2, 2, 1)
    assert first.low < first.sd < first.high
    assert second.sd == pytest.approx(0.03)


def test_a_spread_that_grows_by_a_tenth_a_year_is_found_exactly():
    starts = ["2022-01-01", "2022-07-01", "2023-01-01", "2023-10-01", "2024-04-01"]
    years = days(*starts) / 365.25
    found = trend_of(
        [quarter(at, 0.005 * math.exp(0.1 * year)) for at, year in zip(starts, years, strict=True)], 0.9
    )
    assert found.slope == pytest.approx(0.1, rel=1e-9)
    assert found.low < 0.1 < found.high


def test_the_trend_is_statsmodels_weighted_line():
    starts = ["2022-01-01", "2022-04-01", "2023-01-01", "2023-10-01", "2024-04-01"]
    quarters = [
        quarter(at, sd, pulls, 5)
        for at, sd, pulls in zip(
            starts, (0.004, 0.006, 0.005, 0.008, 0.007), (12, 9, 25, 40, 15), strict=True
        )
    ]
    half = np.array([(one.pulls - 5) / 2 for one in quarters])
    logs = np.log([one.sd**2 for one in quarters]) - digamma(half) + np.log(half)
    line = sm.WLS(logs, sm.add_constant(days(*starts) / 365.25), weights=1 / polygamma(1, half)).fit(
        cov_type="fixed scale", cov_kwds={"scale": 1.0}
    )
    found = trend_of(quarters, 0.9)
    assert found.slope == pytest.approx(line.params[1] / 2, rel=1e-9)
    assert (found.low, found.high) == pytest.approx(tuple(line.conf_int(alpha=0.1)[1] / 2), rel=1e-6)


def test_a_trend_needs_four_quarters_that_scatter():
    starts = ["2022-01-01", "2022-04-01", "2022-07-01", "2022-10-01"]
    assert trend_of([quarter(at, 0.005) for at in starts[:3]], 0.9) is None
    assert trend_of([quarter(at, 0.005) for at in starts], 0.9).slope == pytest.approx(0.0, abs=1e-12)
    assert trend_of([quarter(at, 0.0) for at in starts], 0.9) is None


def test_no_trend_is_called_one_time_in_ten_at_nine_tenths():
    draw = np.random.default_rng(5)
    df, starts = 12, days(*(f"202{y}-{m}-01" for y in range(2, 5) for m in ("01", "04", "07", "10")))
    called = 0
    for _ in range(1000):
        sds = np.sqrt(draw.chisquare(df, len(starts)) / df) * 0.005
        found = trend_of(
            [Quarter(int(at), sd, sd, sd, df + 6, 6) for at, sd in zip(starts, sds, strict=True)], 0.9
        )
        called += not found.low <= 0.0 <= found.high
    assert called / 1000 == pytest.approx(0.1, abs=0.03)
