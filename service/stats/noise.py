"""The noise of pulls: how far repeats lie apart, how high the best of several reads, what change can be seen.

Everything is relative: 0.005 is half a percent of the reading.
"""

from __future__ import annotations

import math
from typing import Final

from service.domain.order_statistics import best_of_n_bias, best_of_n_variance_factor

__all__ = [
    "best_of_n_bias",
    "best_of_n_variance_factor",
    "difference_variance",
    "pooled_spread",
    "smallest_visible_gain",
]

PRIOR_SD: Final = 0.005  # our choice: 0.5 %, the spread of a good bay before its own pulls say otherwise
PRIOR_DF: Final = 4.0  # our choice: the prior weighs as much as four further pulls
CLAIM_STANDARD_ERRORS: Final = 1.96  # a change is claimed at 95 %, two-sided


def pooled_spread(ss: float, df: float, prior_sd: float = PRIOR_SD, prior_df: float = PRIOR_DF) -> float:
    """Standard deviation of one pull about its setup's mean, drawn a little towards a prior (as in Smyth 2004).

    Parameters: ss, squared deviations of pulls from their setups' means, added up [relative, squared]; df, pulls
    less setups; prior_sd, the spread expected before any pull [relative]; prior_df, its weight in pulls.
    Returns the spread [relative].
    """
    if ss < 0.0 or df < 0.0 or prior_df < 0.0 or df + prior_df <= 0.0:
        raise ValueError(f"ss, df: {ss:g} on {df:g} degrees of freedom is no spread; both are 0 or more")
    return math.sqrt((prior_df * prior_sd**2 + ss) / (prior_df + df))


def difference_variance(sd: float, before: int, after: int) -> float:
    """Variance of the difference of two means of so many pulls each [sd's unit, squared]."""
    if before < 1 or after < 1:
        raise ValueError(f"pulls: {before} before and {after} after make no difference; at least one each")
    return sd**2 * (1.0 / before + 1.0 / after)


def smallest_visible_gain(var: float) -> float:
    """Smallest change that can be told from nothing: 1.96 standard errors of a difference of this variance."""
    if not var >= 0.0:
        raise ValueError(f"var: {var:g} is no variance; it is 0 or more")
    return CLAIM_STANDARD_ERRORS * math.sqrt(var)
