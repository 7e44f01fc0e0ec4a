"""A measured session as the JSON its bay posts: units at the edge, channels rounded to the step they declare."""

import numpy as np

from seed.air import FACTORS, factor_iso1585_turbo_diesel
from seed.engines import Floats, peak_power_kw
from seed.jobs import State
from seed.oddities import SENT_AFTER
from seed.parts import Part
from seed.plans import UNSTATED, Car, Fitting, History, SessionPlan
from seed.pulls import SMOOTHING_RPM, Bench, Json, Measured, ambient
from seed.shop import BAY, BOOST_RATIO, CURRENCY, FUEL_PER_CYCLE, PLATFORM, Platform

HP_KW = 0.7456998715822702  # 550 ft.lbf/s
PS_KW = 0.73549875
LBF_FT_NM = 1.3558179483314004
INHG_KPA = 3.386389
PSI_KPA = 6.894757293168361
PRICE_DATE = "2026-01-05"
UNSTATED_TRULY = "sae-j607"  # what the paper book was corrected to, where it does not say
PAPER_UNITS = "ps"  # what the old paper book was kept in

# How each unit system writes a quantity: divisor from SI and decimals; temperatures are turned by `_temperature`.
WRITTEN: dict[str, dict[str, tuple[float, int]]] = {
    "si": {"torque": (1.0, 1), "power": (1.0, 1), "pressure": (1.0, 2), "tyre": (1.0, 0)},
    "us": {"torque": (LBF_FT_NM, 1), "power": (HP_KW, 1), "pressure": (INHG_KPA, 3), "tyre": (PSI_KPA, 1)},
    "ps": {"torque": (1.0, 1), "power": (PS_KW, 1), "pressure": (0.1, 1), "tyre": (100.0, 2)},
}
STEP = {"rpm": 1.0, "torque": 0.1, "lambda": 0.001, "map": 0.1, "inlet": 0.1, "roller_speed": 0.1}
DECIMALS = {"rpm": 0, "torque": 1, "lambda": 3, "map": 1, "inlet": 1, "roller_speed": 1}


def write(quantity: str, value: float, units: str) -> float:
    """One figure in the asked units, to the digits a bay shows."""
    divisor, decimals = WRITTEN[units][quantity]
    return round(value / divisor, decimals)


def _temperature(celsius: float, units: str) -> float:
    return round(celsius * 1.8 + 32.0, 1) if units == "us" else celsius


def session_body(plan: SessionPlan, history: History, bench: Bench) -> Json:
    """The whole post of one session."""
    platform, bay = PLATFORM[plan.car.platform], BAY[plan.bay]
    units = PAPER_UNITS if plan.form == "peaks" else bay.units
    measured = bench.measure(plan)
    body: Json = {
        "units": units,
        "id": plan.session_id(history.effects.seed),
        "vehicle": plan.car.tag,
        "bay": plan.bay,
        "started_at": plan.started_at.isoformat(),
        "sequence": plan.sequence,
        "setups": [
            _setup(plan, history, state, pulls, units)
            for state, pulls in zip(plan.states, measured, strict=True)
        ],
    }
    if "sent-later" in plan.faults:
        body["clock"] = (measured[-1][-1].started_at + SENT_AFTER).isoformat()
    return body if plan.form == "peaks" else body | _strapped(plan, platform, units)


def _strapped(plan: SessionPlan, platform: Platform, units: str) -> Json:
    """How the car stood: what a live session always knows and the paper book never did."""
    operators = BAY[plan.bay].operators
    return {
        "operator": operators[plan.sequence % len(operators)],
        "gear": platform.gear,
        "ratio": platform.ratio,
        "tyre_size": platform.tyre_size,
        "tyre_pressure": write("tyre", platform.tyre_pressure_kpa, units),
    }


def keyed_parts(plan: SessionPlan, history: History, state: State) -> tuple[str, ...]:
    """The parts as somebody keyed them, wrong where that fault was planted."""
    true, keyed = history.wrong_parts.get(plan.index, ("", ""))
    return tuple(keyed if part == true else part for part in state.parts)


def _setup(plan: SessionPlan, history: History, state: State, pulls: list[Measured], units: str) -> Json:
    platform = PLATFORM[plan.car.platform]
    setup: Json = {
        "label": state.label,
        "parts": list(keyed_parts(plan, history, state)),
        "parts_known": plan.parts_known,
        "stock_checked": plan.stock_checked,
        "pulls": [_pull(plan, pull, units) for pull in pulls],
    }
    if plan.form == "curve" and platform.octane:
        setup["fuel"] = {"ethanol": 0.05, "octane": platform.octane, "octane_method": "ron"}
    return setup


def _pull(plan: SessionPlan, pull: Measured, units: str) -> Json:
    """One pull: its air, how it was measured, and the curve or the peaks."""
    air = ambient(pull, plan.humidity)
    body: Json = {
        "started_at": pull.started_at.isoformat(),
        "ambient": {name: _ambient(name, value, units) for name, value in air.items()},
        "status": pull.status,
        "basis": _basis(plan, pull),
    }
    if pull.reason:
        body["reason"] = pull.reason
    lift = 1.0 if pull.basis == "observed" else _kept_factor(plan, pull)
    if plan.form == "peaks":
        best_of = {} if "best-of-lost" in plan.faults else {"best_of": 3}
        return body | {"source": "paper", "peaks": _peaks(pull, lift, units)} | best_of
    return body | _machine(plan, pull, units) | {"curve": _curve(pull, lift, units)}


def _ambient(name: str, value: float, units: str) -> float:
    if name == "pressure":
        return write("pressure", value, units)
    return value if name == "humidity" else _temperature(value, units)


def _kept_factor(plan: SessionPlan, pull: Measured) -> float:
    """The factor the bay's own program multiplied by: as many digits as it prints where it prints one."""
    standard = UNSTATED_TRULY if pull.basis == UNSTATED else pull.basis
    if standard == "iso-1585" and PLATFORM[plan.car.platform].engine.kind == "diesel":
        factor = factor_iso1585_turbo_diesel(pull.air, FUEL_PER_CYCLE / BOOST_RATIO)
    else:
        factor = FACTORS[standard](pull.air)
    return round(factor, 4) if plan.basis_factor else factor


def _basis(plan: SessionPlan, pull: Measured) -> object:
    if pull.basis == "observed":
        return "observed"
    given = plan.basis_factor and pull.basis != UNSTATED
    return {"standard": pull.basis} | ({"factor": _kept_factor(plan, pull)} if given else {})


def _machine(plan: SessionPlan, pull: Measured, units: str) -> Json:
    bay = BAY[plan.bay]
    return {
        "engine": {name: _temperature(value, units) for name, value in pull.engine.items()},
        "test": bay.test,
        "smoothing": {"method": "moving mean", "width_rpm": SMOOTHING_RPM},
        "source": pull.source,
    } | ({"ramp": bay.ramp} if bay.ramp else {})


def _curve(pull: Measured, lift: float, units: str) -> Json:
    """The channels as lists, torque in the asked unit and lifted by the basis factor, with their declared steps."""
    curve: Json = {}
    for name, values in pull.channels.items():
        scaled = values * lift / WRITTEN[units]["torque"][0] if name == "torque" else values
        curve[name] = _listed(scaled, DECIMALS[name])
    return curve | {"resolution": {name: STEP[name] for name in pull.channels}}


def _listed(values: Floats, decimals: int) -> list[float]:
    listed: list[float] = (np.round(values, decimals) if decimals else values.astype(int)).tolist()
    return listed


def _peaks(pull: Measured, lift: float, units: str) -> Json:
    """The two figures somebody wrote down, and where they stood."""
    rpm, torque = pull.channels["rpm"], pull.channels["torque"] * lift
    power, power_rpm = peak_power_kw(torque, rpm)
    return {
        "power": write("power", power, units),
        "power_rpm": int(power_rpm),
        "torque": write("torque", float(torque.max()), units),
        "torque_rpm": int(rpm[torque.argmax()]),
    }


def part_body(part: Part) -> Json:
    """A part of the catalogue as it is posted."""
    body: Json = {
        "slug": part.slug,
        "name": part.name,
        "slots": list(part.slots),
        "price": part.price,
        "currency": CURRENCY,
        "price_date": PRICE_DATE,
        "labour_hours": part.hours,
    }
    extra = {"variant_of": part.variant_of, "fitting_notes": part.notes, "approval": part.approval}
    return body | {name: value for name, value in extra.items() if value is not None}


def vehicle_body(car: Car, check_car: bool = False) -> Json:
    """A car; `confirm` because tags of one kind differ by one letter."""
    body: Json = {
        "tag": car.tag,
        "platform": car.platform,
        "model_year": car.model_year,
        "odometer_km": car.odometer_km,
        "confirm": True,
    }
    return body | {"check_car": True} if check_car else body


def fitting_body(fitting: Fitting) -> Json:
    """A line of the job book."""
    body: Json = {
        "part": fitting.part,
        "fitted_on": fitting.fitted_on.isoformat(),
        "price_paid": fitting.price_paid,
        "currency": CURRENCY,
        "labour_hours": fitting.labour_hours,
    }
    return body if fitting.removed_on is None else body | {"removed_on": fitting.removed_on.isoformat()}
