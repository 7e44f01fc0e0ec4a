"""The shop and its platforms: invented names, believable numbers.

The Thornby & Vale Rolling Room stands at 95 m above the sea. Makers, models and parts are made up; parts are called
by what they are.
"""

from dataclasses import dataclass
from datetime import date

from seed.engines import Engine

SHOP_NAME = "The Thornby & Vale Rolling Room"
ALTITUDE_M = 95
CURRENCY = "GBP"
LABOUR_RATE = 72.0  # [GBP per hour]
FIRST_DAY = date(2021, 3, 22)
LAST_DAY = date(2026, 3, 20)
CHECK_CAR = "house-sandpiper"
FUEL_PER_CYCLE, BOOST_RATIO = (
    100.0,
    2.4,
)  # the diesel's, [mg per litre and cycle] and [-]: believable, no source


@dataclass(frozen=True)
class Platform:
    """One kind of car. `share` of the shop's cars [0..1]; `ratio` of the test gear with the final drive."""

    slug: str
    document: dict[str, object]
    engine: Engine
    share: float
    stock_sd: float
    gear: int
    ratio: float
    tyre_size: str
    tyre_pressure_kpa: float
    octane: int | None
    spark_deg: float
    years: tuple[int, int]


def _document(slug: str, maker: str, model: str, engine: str, **more: object) -> dict[str, object]:
    return {
        "units": "si",
        "slug": slug,
        "name": f"{maker} {model}",
        "maker": maker,
        "model": model,
        "engine": engine,
        **more,
    }


DIESEL: dict[str, object] = {
    "charge_cooling": "air",
    "fuel_per_cycle": FUEL_PER_CYCLE,
    "boost_ratio": BOOST_RATIO,
}
"""What the correction of a turbo-diesel rests on: some 15.6 bar of mean pressure at 230 g/kWh, 140 kPa of boost."""

PLATFORMS = (
    Platform(
        slug="halvern-stoat-16t",
        document=_document(
            "halvern-stoat-16t", "Halvern", "Stoat 1.6 T", "1.6 l four, turbocharged, direct injection",
            generation="second", displacement_l=1.6, aspiration="turbo", ignition="spark", transmission="manual",
            driven_wheels="front", rated_power=147.0, rpm_limit=6800,
        ),
        engine=Engine("turbo", 124.0, 5700, 1700, 6650, 7.0, spool_rpm=1950, boost_kpa=105.0),
        share=0.275, stock_sd=0.024, gear=4, ratio=3.94, tyre_size="225/40R18", tyre_pressure_kpa=240.0,
        octane=98, spark_deg=14.5, years=(2016, 2021),
    ),
    Platform(
        slug="halvern-marten-25t",
        document=_document(
            "halvern-marten-25t", "Halvern", "Marten 2.5 T", "2.5 l five, turbocharged",
            generation="first", displacement_l=2.5, aspiration="turbo", ignition="spark", transmission="manual",
            driven_wheels="front", rated_power=221.0, rpm_limit=6600,
        ),
        engine=Engine("turbo", 186.0, 5600, 1700, 6450, 6.5, spool_rpm=2150, boost_kpa=95.0),
        share=0.15, stock_sd=0.026, gear=4, ratio=3.52, tyre_size="235/45R18", tyre_pressure_kpa=250.0,
        octane=98, spark_deg=15.5, years=(2012, 2018),
    ),
    Platform(
        slug="merrow-sandpiper-20",
        document=_document(
            "merrow-sandpiper-20", "Merrow", "Sandpiper 2.0", "2.0 l four, naturally aspirated",
            generation="third", displacement_l=2.0, aspiration="natural", ignition="spark", transmission="manual",
            driven_wheels="rear", rated_power=122.0, rpm_limit=7600,
        ),
        engine=Engine("natural", 103.5, 6900, 1900, 7450, 8.5, hump_rpm=4900),
        share=0.2, stock_sd=0.024, gear=4, ratio=4.1, tyre_size="205/45R17", tyre_pressure_kpa=200.0,
        octane=95, spark_deg=27.0, years=(2008, 2015),
    ),
    Platform(
        slug="merrow-heron-35",
        document=_document(
            "merrow-heron-35", "Merrow", "Heron 3.5", "3.5 l six, naturally aspirated",
            generation="first", displacement_l=3.5, aspiration="natural", ignition="spark", transmission="manual",
            driven_wheels="rear", rated_power=206.0, rpm_limit=7200,
        ),
        engine=Engine("natural", 175.0, 6500, 1800, 7050, 8.0, hump_rpm=4700),
        share=0.15, stock_sd=0.026, gear=4, ratio=3.54, tyre_size="245/45R18", tyre_pressure_kpa=235.0,
        octane=98, spark_deg=25.0, years=(2007, 2013),
    ),
    Platform(
        slug="tarn-drover-30d",
        document=_document(
            "tarn-drover-30d", "Tarn", "Drover 3.0 D", "3.0 l four, turbo-diesel",
            generation="second", displacement_l=3.0, aspiration="turbo", ignition="compression",
            transmission="manual", driven_wheels="rear", rated_power=140.0, rpm_limit=4500, **DIESEL,
        ),
        engine=Engine("diesel", 115.0, 3600, 1300, 4400, 5.0, spool_rpm=1550, boost_kpa=140.0),
        share=0.135, stock_sd=0.029, gear=4, ratio=4.3, tyre_size="255/70R16", tyre_pressure_kpa=260.0,
        octane=None, spark_deg=0.0, years=(2013, 2020),
    ),
    Platform(
        slug="tarn-fell-50",
        document=_document(
            "tarn-fell-50", "Tarn", "Fell 5.0", "5.0 l V8, naturally aspirated",
            generation="first", displacement_l=5.0, aspiration="natural", ignition="spark", transmission="manual",
            driven_wheels="rear", rated_power=309.0, rpm_limit=7000,
        ),
        engine=Engine("natural", 262.0, 6400, 1700, 6900, 7.5, hump_rpm=4500),
        share=0.09, stock_sd=0.025, gear=4, ratio=3.73, tyre_size="255/40R19", tyre_pressure_kpa=235.0,
        octane=98, spark_deg=24.0, years=(2014, 2020),
    ),
)  # fmt: skip
PLATFORM = {platform.slug: platform for platform in PLATFORMS}
SHORT = {platform.slug: platform.slug.split("-")[1] for platform in PLATFORMS}


@dataclass(frozen=True)
class Bay:
    """One place with a machine. `samples` in a pull; `channels` it logs beside torque; `units` it posts in;
    `standard` is what its program corrects to when somebody lets it."""

    slug: str
    document: dict[str, object]
    share: float
    test: str
    ramp: float | None
    samples: int
    channels: tuple[str, ...]
    units: str
    operators: tuple[str, ...]
    standard: str


def _bay(slug: str, name: str, kind: str, rollers: str | None, **more: object) -> Bay:
    document: dict[str, object] = {
        "slug": slug,
        "name": name,
        "kind": kind,
        "site": "Thornby",
        "altitude_m": ALTITUDE_M,
    }
    if rollers is not None:
        document["rollers"] = rollers
    return Bay(slug=slug, document=document, **more)  # type: ignore[arg-type]


BAYS = (
    _bay("north", "North bay", "roller-inertia", "one drum per side, 760 mm", share=0.34, test="inertia", ramp=None, samples=190,
         channels=("lambda", "inlet"), units="si", operators=("kt", "mh"), standard="sae-j1349"),
    _bay("south", "South bay", "roller-inertia", "one drum per side, 760 mm", share=0.27, test="inertia", ramp=None, samples=230,
         channels=("lambda", "map"), units="si", operators=("jo", "kt"), standard="din-70020"),
    _bay("loaded", "Loaded bay", "roller-loaded", "two rollers per wheel, 318 mm", share=0.24, test="sweep", ramp=300.0, samples=300,
         channels=("lambda", "map", "roller_speed"), units="si", operators=("pd", "mh"), standard="iso-1585"),
    _bay("hub", "Hub bay", "hub", None, share=0.15, test="sweep", ramp=400.0, samples=125,
         channels=("lambda",), units="us", operators=("jo", "pd"), standard="sae-j607"),
)  # fmt: skip
BAY = {bay.slug: bay for bay in BAYS}


@dataclass(frozen=True)
class BayEvent:
    """Something done to a bay. `step`: how far the bay's level moved that day [log units]."""

    bay: str
    on: date
    kind: str
    note: str
    step: float = 0.0


BAY_EVENTS = (
    BayEvent("hub", date(2022, 11, 9), "repaired", "left pump seal replaced, zero checked"),
    BayEvent("north", date(2023, 9, 12), "weather-station-replaced", "new barometer beside the intake fan"),
    BayEvent(
        "south",
        date(2024, 5, 14),
        "recalibrated",
        "drum speed pickup and inertia re-entered after bearings",
        0.034,
    ),
    BayEvent("loaded", date(2025, 2, 3), "other", "extraction fan moved to the ceiling"),
)
