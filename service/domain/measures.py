"""The measures an answer can be about."""

from dataclasses import dataclass
from typing import Literal

MEASURES = ("peak_power", "peak_torque", "power_at", "torque_at", "band_power", "band_torque")


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure: its name, and the speed or band it needs [rpm]."""

    name: str
    rpm: float | None = None
    from_rpm: float | None = None
    to_rpm: float | None = None

    @property
    def quantity(self) -> Literal["power", "torque"]:
        """Whether it is a power or a torque."""
        return "power" if "power" in self.name else "torque"

    @property
    def is_peak(self) -> bool:
        """Whether it is a peak, which stands in the summary; the others are read from the mean curve."""
        return self.name.startswith("peak_")

    def words(self) -> str:
        """The measure as a person says it."""
        if self.is_peak:
            return f"peak {self.quantity}"
        if self.rpm is not None:
            return f"{self.quantity} at {self.rpm:.0f} rpm"
        return f"mean {self.quantity} from {self.from_rpm:.0f} to {self.to_rpm:.0f} rpm"


PEAK_POWER = Measure("peak_power")
PEAK_TORQUE = Measure("peak_torque")
