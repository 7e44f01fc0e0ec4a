"""How many of the cars behind a gain gained nothing: one count for the gain's questions and for the sheet."""

from dataclasses import dataclass

from service.answers.typical_gain import TypicalGain


@dataclass(frozen=True, slots=True)
class WithoutGain:
    """Cars whose counted pair read lower or the same, `clearly` those beyond what one test can tell; `unsure_above`
    read higher, but by no more than that; `of`: all cars with a gain."""

    cars: int
    clearly: int
    unsure_above: int
    of: int

    @property
    def within(self) -> int:
        """Cars that read lower or the same by no more than one test can tell."""
        return self.cars - self.clearly


def noise_floor(found: TypicalGain) -> float:
    """What one test of one car cannot tell from nothing [%]."""
    head = found.headline
    return found.percent(head.noise_floor if head else found.pairs.noise_floor)


def without_gain(found: TypicalGain) -> WithoutGain:
    """Count the cars by the pair that counts of each."""
    gains = [pair.percent for pair in found.pairs.pairs if pair.used and pair.percent is not None]
    floor = noise_floor(found)
    return WithoutGain(
        cars=sum(gain <= 0.0 for gain in gains),
        clearly=sum(gain < -floor for gain in gains),
        unsure_above=sum(0.0 < gain <= floor for gain in gains),
        of=len(gains),
    )
