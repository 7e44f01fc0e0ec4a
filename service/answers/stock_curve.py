"""The typical stock car's curve of a platform at the common level of the bays, by the whole history."""

from dataclasses import dataclass

import numpy as np

from service.answers.knots import knots_solved
from service.answers.model import ModelState
from service.domain.history import Floats
from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class StockCurve:
    """Torque [N.m] of the typical stock car at speeds [rpm] which nearly all of its platform's curves reach."""

    rpm: Floats
    torque_nm: Floats


def stock_curve(
    conn: Connection, state: ModelState | None, platform_id: int, standard: str
) -> StockCurve | None:
    """The curve; None where there is no model, or no car of the platform stands at a level with a curve."""
    knots = None if state is None else knots_solved(conn, state, standard)
    rpm = None if knots is None else knots.rpm(platform_id)
    if knots is None or rpm is None:
        return None
    levels = knots.others.levels(platform_id)
    known = np.isfinite(levels)
    return StockCurve(rpm[known], np.exp(levels[known])) if known.any() else None
