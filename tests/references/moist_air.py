"""How far other formulations of moist air lie from ours, over the temperatures of a bay."""

from service.domain.air import vapour_pressure_kpa
from tests.checks import rows

SATURATION = "t02_saturation_vapour_pressure_Pa.csv"
MOIST = "t02_moist_air_density_altitude.csv"


def report() -> list[str]:
    """One line a formulation: the least and the largest difference from ours [%], and where the largest stands."""
    return ["saturation vapour pressure over water, against ours:", *saturation(), *density_altitude()]


def saturation() -> list[str]:
    """Saturation vapour pressure by each formulation of the table, 0..50 degC."""
    table = rows(SATURATION)
    ours = {row["t_C"]: 1000.0 * vapour_pressure_kpa(float(row["t_C"]), humidity=1.0) for row in table}
    lines = []
    for name in (name for name in table[0] if name != "t_C"):
        apart = {row["t_C"]: 100.0 * (float(row[name]) / ours[row["t_C"]] - 1.0) for row in table}
        farthest = max(apart, key=lambda celsius: abs(apart[celsius]))
        lines.append(
            f"  {name:36} {min(apart.values()):+.3f} .. {max(apart.values()):+.3f} %, most at {farthest} degC"
        )
    return lines


def density_altitude() -> list[str]:
    """The widely used short formula for density altitude against the standard atmosphere's."""
    apart = [float(row["DA_ft_NWS"]) - float(row["DA_ft"]) for row in rows(MOIST)]
    return [f"density altitude by the short formula: {min(apart):+.1f} .. {max(apart):+.1f} ft"]
