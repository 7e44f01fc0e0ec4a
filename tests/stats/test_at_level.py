"""Another level of what was pooled or described already is what pooling or describing at that level gives."""

import numpy as np
import pytest

from service.stats import pooling, spread

GAINS = [0.031, 0.052, 0.044, 0.012, 0.067]
VARIANCES = [1e-4, 2e-4, 1.5e-4, 1e-4, 3e-4]


@pytest.mark.parametrize("studies", [1, 2, 3, 5])
@pytest.mark.parametrize("level", [0.5, 0.8, 0.99])
def test_of_a_pooled_gain(studies, level):
    pooled = pooling.pool(GAINS[:studies], VARIANCES[:studies], shared=2e-5)
    assert pooling.at_level(pooled, level) == pooling.pool(
        GAINS[:studies], VARIANCES[:studies], level, shared=2e-5
    )


@pytest.mark.parametrize("level", [0.5, 0.8, 0.99])
def test_of_a_described_group(level):
    values = [181.0, 176.5, 190.2, 184.4, 184.4]
    assert spread.at_level(spread.describe(values), level) == spread.describe(values, level)


def test_a_table_at_a_level_is_each_of_its_columns_pooled_at_it():
    table = np.array([[0.03, 0.05], [0.04, np.nan], [0.06, 0.02], [0.05, 0.04]])
    columns = pooling.pool_table(table, VARIANCES[:4]).at_level(0.8)
    for column in (0, 1):
        had = np.isfinite(table[:, column])
        alone = pooling.pool(table[had, column], np.array(VARIANCES[:4])[had], 0.8)
        assert alone.interval == pytest.approx((columns.low[column], columns.high[column]), rel=1e-9)
        assert alone.next_interval == pytest.approx(
            (columns.next_low[column], columns.next_high[column]), rel=1e-9
        )
