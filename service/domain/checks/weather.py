"""Doubts and notes about the air: against the posted factor, the site's altitude, this bay's other readings and the
next bay's. They touch levels; ratios inside one session stand."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from service.domain.air import SEA_LEVEL_PRESSURE_KPA, standard_pressure_kpa, vapour_pressure_kpa
from service.domain.checks.case import BayPull, Case, PullCase, Remark, SiteAir
from service.domain.checks.rules import Limit, Limits, rule
from service.domain.correction import BASE_STANDARD, STANDARDS, Air, correction_factor, engine_free
from service.domain.derive import mean_of
from service.domain.engine import Engine
from service.domain.records import PostedPull
from service.domain.units import INCH_MERCURY_KPA

DEFAULT_PRESSURES_KPA: Final[Mapping[str, float]] = {
    # What stands in a field that nobody filled in (common practice, no source).
    "101.325 kPa": SEA_LEVEL_PRESSURE_KPA,
    "100 kPa": 100.0,
    "29.92 inHg": 29.92 * INCH_MERCURY_KPA,
    "1013 hPa": 101.3,
}
SAME_PRESSURE_KPA: Final = 0.0006
"""How near a pressure must lie to one of these to be it: what is left after turning inches into kPa (our choice)."""
SAME_HALF_HOUR: Final = timedelta(minutes=30)

Reading = tuple[float, float, float]
"""Temperature [degC], pressure [kPa], humidity [0..1], as recorded."""


@dataclass(frozen=True, slots=True)
class RoomAir:
    """Mean air of some pulls: temperature [degC], pressure [kPa], humidity [0..1], vapour in it [kPa]."""

    temperature_c: float
    pressure_kpa: float
    humidity: float | None
    vapour_kpa: float | None


@rule(
    "factor-differs",
    "doubtful",
    "weather",
    "another procedure than the named one, humidity left out, or sea-level pressure taken for the station's",
    apart=Limit(
        0.005, 0.001, 0.1, "-", "how far a posted factor may lie from the recomputed one, beyond rounding"
    ),
)
def differing_factor(case: Case, limits: Limits) -> Iterator[Remark]:
    """A posted factor that its own standard does not give in the recorded air.

    Beyond the limit the factor's rounding is allowed (half a unit of its last digit): with two decimals it alone would
    use the limit up. Silent where the air, the factor or what the standard needs of the engine is not known.
    """
    engine = case.platform.engine if case.platform else None
    for setup in case.session.setups:
        factors = [(posted_factor_apart(one, engine), one) for one in case.pulls(setup)]
        far, one = max(factors, key=lambda found: found[0], default=(0.0, None))
        if one is not None and far > limits["apart"]:
            yield one.remark(
                factor_words(one, engine, case.around.altitude_m, limits["apart"]), "/basis/factor"
            )


def recorded_air(one: PullCase) -> Air | None:
    """The air of a pull as far as it was recorded whole."""
    pull, vapour = one.pull, one.figures.vapour_kpa
    if pull.temperature_c is None or pull.pressure_kpa is None or vapour is None:
        return None
    return Air(pull.temperature_c, pull.pressure_kpa, vapour)


def factor_of(standard: str, air: Air, engine: Engine | None) -> float | None:
    """The factor of a standard; None where it needs more of the engine than is known."""
    try:
        return correction_factor(standard, air, engine)
    except ValueError:
        return None


def posted_factor_apart(one: PullCase, engine: Engine | None) -> float:
    """How far a posted factor lies from the recomputed one beyond its own rounding [-]; 0 where that is not known."""
    posted, standard, air = one.pull.basis_factor, one.pull.basis_standard, recorded_air(one)
    if posted is None or air is None or standard not in STANDARDS:
        return 0.0
    computed = factor_of(standard, air, engine)
    return 0.0 if computed is None else abs(posted - computed) - half_last_digit(posted)


def half_last_digit(factor: float) -> float:
    """Half a unit of a factor's last digit [-], written with two decimals or with three."""
    return 0.005 if round(factor, 2) == factor else 0.0005


def factor_words(one: PullCase, engine: Engine | None, altitude_m: float | None, near: float) -> str:
    """What a wrong factor was, what it should be, and which usual slip gives it."""
    posted, standard, air = one.pull.basis_factor, one.pull.basis_standard, recorded_air(one)
    assert posted is not None
    assert standard is not None
    assert air is not None
    computed = factor_of(standard, air, engine)
    slips = slipped_factors(standard, air, engine, altitude_m)
    slip, nearest = min(slips.items(), key=lambda found: abs(found[1] - posted))
    fits = f"{slip} would give {nearest:.3f}" if abs(nearest - posted) <= near else "no usual slip gives it"
    return (
        f"the posted {standard} factor is {posted:.4g}, but the recorded air gives {computed:.3f}; {fits}: check "
        "the air, then the procedure; post observed figures, or the factor that was really used"
    )


def slipped_factors(
    standard: str, air: Air, engine: Engine | None, altitude_m: float | None
) -> dict[str, float]:
    """The factors that usual slips give in this air, by their names."""
    t, p, vapour = air.temperature_c, air.pressure_kpa, air.vapour_kpa
    tries = {"leaving humidity out": (standard, Air(t, p, 0.0))}
    if altitude_m is not None:
        to_sea = SEA_LEVEL_PRESSURE_KPA / standard_pressure_kpa(altitude_m)
        tries["this pressure adjusted to sea level"] = (standard, Air(t, p * to_sea, vapour))
        tries["taking the recorded pressure for sea-level adjusted"] = (standard, Air(t, p / to_sea, vapour))
    tries |= {f"the standard {other}": (other, air) for other in engine_free() if other != standard}
    factors = {slip: factor_of(by, in_air, engine) for slip, (by, in_air) in tries.items()}
    return {slip: factor for slip, factor in factors.items() if factor is not None}


@rule(
    "pressure-not-station",
    "doubtful",
    "weather",
    "a pressure adjusted to sea level given as the station's, or a wrong altitude of the bay",
    apart=Limit(
        4.0, 1.0, 15.0, "kPa", "how far weather may move the pressure from the altitude's standard value"
    ),
)
def not_station_pressure(case: Case, limits: Limits) -> Iterator[Remark]:
    """A pressure that weather does not explain at this bay's altitude (standard atmosphere of ISO 2533).

    Day-to-day pressure varies by about 1 kPa (standard deviation, mid latitudes, from memory): 4 kPa is four of them.
    The classic slip, a sea-level adjusted pressure, is 4 kPa too high from 339 m on: below about 330 m this check
    sees it on days of high pressure only. Silent where the bay's altitude is not recorded.
    """
    altitude = case.around.altitude_m
    if altitude is None:
        return
    expected = standard_pressure_kpa(altitude)
    for setup in case.session.setups:
        readings = [(one.pull.pressure_kpa, one) for one in case.pulls(setup)]
        known = [(pressure, one) for pressure, one in readings if pressure is not None]
        pressure, one = max(known, key=lambda found: abs(found[0] - expected), default=(expected, None))
        if one is None or abs(pressure - expected) <= limits["apart"]:
            continue
        way_out = "check the barometer, its unit and the bay's altitude"
        if pressure > expected and abs(pressure - SEA_LEVEL_PRESSURE_KPA) <= limits["apart"]:
            station = pressure * expected / SEA_LEVEL_PRESSURE_KPA
            way_out = (
                f"as a pressure adjusted to sea level it is {station:.1f} kPa here; strike the session and post it "
                "again with the station's own"
            )
        yield one.remark(
            f"pressure is {pressure:.1f} kPa; at this bay's {altitude:.0f} m {expected:.1f} kPa is standard and "
            f"weather explains {limits['apart']:g} kPa: {way_out}",
            "/ambient/pressure",
        )


@rule("pressure-default", "note", "weather", "a default left in place")
def default_pressure(case: Case, _: Limits) -> Iterator[Remark]:
    """Every pull at exactly a pressure that forms and programs are delivered with.

    A note: near the sea a barometer that shows whole hPa reads 1013 on some days. Silent where the bay's altitude is
    not recorded, because nobody can then say how likely that is, and for a single pull.
    """
    pressures = [one.pull.pressure_kpa for one in case.pulls()]
    first = pressures[0] if pressures else None
    if case.around.altitude_m is None or first is None or len(pressures) < 2:
        return
    if any(pressure != first for pressure in pressures):
        return
    for name, default in DEFAULT_PRESSURES_KPA.items():
        if abs(first - default) <= SAME_PRESSURE_KPA:
            words = (
                f"pressure is exactly {name} in all {len(pressures)} pulls "
                f"({standard_pressure_kpa(case.around.altitude_m):.1f} kPa is standard here): leave it out where it "
                "was not measured"
            )
            yield Remark(words, "/setups/0/pulls/0/ambient/pressure")


@rule(
    "weather-stuck",
    "doubtful",
    "weather",
    "a dead sensor, or one reading typed in for the whole day",
    hours=Limit(3.0, 0.5, 12.0, "h", "how long temperature, pressure and humidity may all stay the same"),
    pulls=Limit(6.0, 2.0, 100.0, "pulls", "fewer pulls say nothing"),
)
def stuck_weather(case: Case, limits: Limits) -> Iterator[Remark]:
    """Air that does not move to the last digit over this bay's pulls, or a humidity of exactly 0 or 1 in every pull.

    A station that shows whole degC, points and hPa repeats itself over 3 h honestly on under 1 day in 100 (tests), a
    finer one never. No bay's air is quite dry; quite wet it is only where water runs down the walls.
    """
    humidities, pulls = {one.pull.humidity for one in case.pulls()}, len(case.pulls())
    if pulls > 1 and humidities in ({0.0}, {1.0}):
        words = (
            f"humidity is exactly {'0' if humidities == {0.0} else '100'} % in all {pulls} pulls: look at the "
            "sensor, and leave out what was not measured"
        )
        yield Remark(words, "/setups/0/pulls/0/ambient/humidity")
    newest, readings = newest_reading(case), bay_readings(case)
    if newest is None or sum(reading == newest[1] for _, reading in readings) < limits["pulls"]:
        return
    same = unmoved(sorted(readings, key=lambda found: found[0]), newest)
    if len(same) < limits["pulls"] or same[-1] - same[0] <= timedelta(hours=limits["hours"]):
        return
    hours = (same[-1] - same[0]).total_seconds() / 3600.0
    yield Remark(
        f"temperature, pressure and humidity are the same to the last digit in {len(same)} pulls of this bay over "
        f"{hours:.1f} h (at most {limits['hours']:g} h): look at the weather station, and post what it reads "
        "at each pull",
        "/setups/0/pulls/0/ambient",
    )


def reading_of(pull: PostedPull | BayPull) -> Reading | None:
    """What a pull recorded of its air, where all three were."""
    if pull.temperature_c is None or pull.pressure_kpa is None or pull.humidity is None:
        return None
    return pull.temperature_c, pull.pressure_kpa, pull.humidity


def when(case: Case, pull: PostedPull) -> datetime:
    """When a pull was made, as near as is known."""
    return pull.started_at or case.session.started_at


def newest_reading(case: Case) -> tuple[datetime, Reading] | None:
    """The air of this post's last pull that recorded it whole."""
    known = [(when(case, one.pull), reading_of(one.pull)) for one in case.pulls()]
    read = [(at, reading) for at, reading in known if reading is not None]
    return max(read, key=lambda found: found[0], default=None)


def bay_readings(case: Case) -> list[tuple[datetime, Reading | None]]:
    """What this bay recorded of its air around this session and in it."""
    name = str(case.session.id)
    own = [(when(case, one.pull), reading_of(one.pull)) for one in case.pulls()]
    others = [(pull.started_at, reading_of(pull)) for pull in case.around.bay_pulls if pull.session != name]
    return own + others


def unmoved(
    readings: Sequence[tuple[datetime, Reading | None]], newest: tuple[datetime, Reading]
) -> list[datetime]:
    """When the unbroken run of equal readings was made that the given one stands in; readings in order of time."""
    run: list[datetime] = []
    for at, reading in readings:
        if reading == newest[1]:
            run.append(at)
        elif at > newest[0]:
            break
        else:
            run = []
    return run


@rule(
    "weather-stations-differ",
    "doubtful",
    "weather",
    "a barometer that is wrong in one of the two bays",
    pressure=Limit(0.3, 0.05, 5.0, "kPa", "how far two bays' barometers may lie apart"),
)
def differing_barometers(case: Case, limits: Limits) -> Iterator[Remark]:
    """Two barometers of one building that do not agree within the same half hour.

    Common practice says 0.2 kPa, but two honest barometers (0.06 kPa each) are further apart in 2 of 100 cases; than
    0.3 kPa in 1 of 1000 (tests). Which of the two is wrong nobody can tell from here.
    """
    for here, other in neighbours(case):
        if apart(here.pressure_kpa, other.pressure_kpa) <= limits["pressure"]:
            continue
        yield Remark(
            f"pressure is {here.pressure_kpa:.2f} kPa here and {other.pressure_kpa:.2f} kPa in bay {other.bay} within "
            f"half an hour; at most {limits['pressure']:g} kPa apart is explained{factor_with(here, other)}: compare both "
            "barometers with a third",
            "/setups/0/pulls/0/ambient/pressure",
        )


@rule(
    "room-air-differs",
    "note",
    "weather",
    "a probe in a warm spot, or rooms that really differ",
    temperature=Limit(5.0, 1.0, 30.0, "°C", "how far the air of two bays may lie apart"),
    humidity=Limit(15.0, 5.0, 100.0, "points", "how far their relative humidity may lie apart"),
)
def differing_rooms(case: Case, limits: Limits) -> Iterator[Remark]:
    """Room air of two bays of one site far apart within the same half hour.

    A note: rooms may differ, an open door or an engine just run is enough, and each factor is then right in its room.
    """
    for here, other in neighbours(case):
        found = []
        if apart(here.temperature_c, other.temperature_c) > limits["temperature"]:
            found.append(
                f"temperature is {here.temperature_c:.1f} °C here and {other.temperature_c:.1f} °C there"
            )
        if 100.0 * apart(here.humidity, other.humidity) > limits["humidity"]:
            found.append(f"humidity is {here.humidity:.0%} here and {other.humidity:.0%} there")
        if found:
            yield Remark(
                f"{' and '.join(found)} (bay {other.bay}, within half an hour){factor_with(here, other)}: see where "
                "both probes hang",
                "/setups/0/pulls/0/ambient",
            )


def apart(here: float | None, there: float | None) -> float:
    """How far two readings lie apart; 0 where one of them was not taken."""
    return 0.0 if here is None or there is None else abs(here - there)


def neighbours(case: Case) -> Iterator[tuple[RoomAir, SiteAir]]:
    """This bay's air beside each other bay's at the same time: of each bay the reading nearest to this session."""
    start = case.session.started_at
    nearest: dict[str, SiteAir] = {}
    for other in sorted(case.around.site_air, key=lambda one: abs(one.at - start)):
        nearest.setdefault(other.bay, other)
    for other in nearest.values():
        here = air_at(case, other.at)
        if here is not None:
            yield here, other


def air_at(case: Case, at: datetime) -> RoomAir | None:
    """Mean air of the pulls within half an hour of a moment; None where temperature or pressure was not recorded."""
    near = [one for one in case.pulls() if abs(when(case, one.pull) - at) <= SAME_HALF_HOUR]
    t, p = mean_of([one.pull.temperature_c for one in near]), mean_of([one.pull.pressure_kpa for one in near])
    if t is None or p is None:
        return None
    humidity, vapour = [one.pull.humidity for one in near], [one.figures.vapour_kpa for one in near]
    return RoomAir(t, p, mean_of(humidity), mean_of(vapour))


def factor_with(here: RoomAir, other: SiteAir) -> str:
    """What the other bay's readings would make of the factor, in words; nothing where the air is not known whole."""
    if here.vapour_kpa is None:
        return ""
    own = Air(here.temperature_c, here.pressure_kpa, here.vapour_kpa)
    t = own.temperature_c if other.temperature_c is None else other.temperature_c
    p = own.pressure_kpa if other.pressure_kpa is None else other.pressure_kpa
    vapour = own.vapour_kpa if other.humidity is None else vapour_pressure_kpa(t, humidity=other.humidity)
    factors = [correction_factor(BASE_STANDARD, air) for air in (own, Air(t, p, vapour))]
    return f" (the factor is {factors[0]:.3f}, with the other bay's readings {factors[1]:.3f})"
