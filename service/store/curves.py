"""The mean curves of setups, with what was recorded along them."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.curve import GRID_RPM
from service.store.db import Connection


@dataclass(frozen=True, slots=True)
class SetupCurve:
    """Torque at its stored level [N.m] and other channels [SI] of one setup, on GRID_RPM; None and empty without."""

    torque_nm: NDArray[np.float64] | None = None
    channels: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)


def placed(first: int, stretch: NDArray[np.float32]) -> NDArray[np.float64]:
    """A stored stretch on the whole grid, NaN outside."""
    grid = np.full(GRID_RPM.size, np.nan)
    grid[first : first + len(stretch)] = stretch
    return grid


def setup_curve(
    first: int | None,
    torque_nm: bytes | None,
    channels: list[str] | None,
    channel_values: bytes | None,
    wanted: Collection[str] | None = None,
) -> SetupCurve:
    """A row's stretches of float32, put back on the grid; of the channels only the wanted ones, all without a word."""
    if first is None or torque_nm is None:
        return SetupCurve()
    names = (channels or []) if channel_values else []
    values = np.frombuffer(channel_values or b"", dtype="<f4").reshape(len(names), -1 if names else 0)
    others = {
        name: placed(first, row)
        for name, row in zip(names, values, strict=True)
        if wanted is None or name in wanted
    }
    return SetupCurve(placed(first, np.frombuffer(torque_nm, dtype="<f4")), others)


def curve_of_setup(conn: Connection, session: UUID, n: int) -> SetupCurve:
    """One setup's mean curve."""
    row = (
        conn.cursor(binary=True)
        .execute(
            """
            SELECT first, setup_curve.torque_nm, channels, channel_values
            FROM   session JOIN setup USING (session_id) JOIN setup_curve USING (setup_id)
            WHERE  session.id = %s AND setup.n = %s
            """,
            (session, n),
        )
        .fetchone()
    )
    return setup_curve(*row) if row else SetupCurve()


def curves_of_setups(conn: Connection, setup_ids: Iterable[int]) -> dict[int, NDArray[np.float64]]:
    """Mean torque of setups on the grid [N.m], NaN where a setup does not reach."""
    rows = conn.cursor(binary=True).execute(
        "SELECT setup_id, first, torque_nm FROM setup_curve WHERE setup_id = ANY(%s)",
        (sorted(set(setup_ids)),),
    )
    return {key: placed(first, np.frombuffer(raw, dtype="<f4")) for key, first, raw in rows}
