"""What is true in the invented shop, written beside the data so that tests can ask whether answers recover it.

Gains are log-% (100 x natural log) of the noise-free curve of the typical car with the part against the same car
without any: `peak_power` of the highest power, wherever each curve has it.
"""

from collections import defaultdict

import numpy as np

from seed.effects import AIR_SHARE, HEAT_LOSS_PER_C, PULL_SD, SETUP_SD, STRAP_SD, Effects
from seed.engines import fine_rpm, peak_power_kw, stock_torque_nm
from seed.oddities import CHECK_OF, FORGOTTEN_GAIN, on_the_rollers
from seed.parts import PART, TOGETHER
from seed.plans import History, SessionPlan
from seed.pulls import Json
from seed.shop import BAY_EVENTS, BAYS, CHECK_CAR, FIRST_DAY, LAST_DAY, PLATFORM, PLATFORMS, SHOP_NAME
from seed.wire import keyed_parts

CURVE_STEP_RPM = 250
BENDING = frozenset(("heat-soak", "lean", "boost-leak", "wrong-part-keyed", "tyre-slip", "hurried"))


def truth_document(history: History) -> Json:
    """The whole truth as one JSON document."""
    effects = history.effects
    return {
        "shop": SHOP_NAME,
        "seed": effects.seed,
        "first": FIRST_DAY.isoformat(),
        "last": LAST_DAY.isoformat(),
        "units": "log-percent",
        "check_car": CHECK_CAR,
        "gains": _gains(history),
        "together": [{"slots": sorted(pair), "gain": gain} for pair, gain in TOGETHER.items()],
        "bays": {bay.slug: _bay(effects, bay.slug) for bay in BAYS},
        "platforms": {platform.slug: _platform(platform.slug) for platform in PLATFORMS},
        "cars": _cars(history),
        "faults": _faults(history),
        "spreads": {
            "strap_down": 100 * STRAP_SD,
            "setup": 100 * SETUP_SD,
            "pull": {bay: 100 * sd for bay, sd in PULL_SD.items()},
            "air_share_of_j1349": AIR_SHARE,
            "heat_loss_per_c": {kind: 100 * loss for kind, loss in HEAT_LOSS_PER_C.items()},
        },
    }


def true_gain(effects: Effects, platform: str, parts: tuple[str, ...], car_number: int | None = None) -> Json:
    """What parts do to the noise-free curve: peak power, peak torque [log-%] and how far the power peak moves [rpm]."""
    engine = PLATFORM[platform].engine
    rpm = fine_rpm(engine)
    before = stock_torque_nm(engine, rpm)
    after = before * np.exp(effects.fitted_gain(platform, parts, rpm, car_number))
    (old_kw, old_rpm), (new_kw, new_rpm) = peak_power_kw(before, rpm), peak_power_kw(after, rpm)
    return {
        "peak_power": round(100 * float(np.log(new_kw / old_kw)), 4),
        "peak_torque": round(100 * float(np.log(after.max() / before.max())), 4),
        "peak_shift_rpm": round(new_rpm - old_rpm),
    }


def _gains(history: History) -> dict[str, dict[str, Json]]:
    """By platform and part: the gain, its curve, and on how many cars it can be seen cleanly or at all."""
    clean, seen = evidence(history)
    gains: dict[str, dict[str, Json]] = defaultdict(dict)
    for platform, part in history.effects.gains:
        engine = PLATFORM[platform].engine
        rpm = np.arange(engine.start_rpm, engine.end_rpm, CURVE_STEP_RPM, dtype=float)
        gain = 100 * history.effects.part_gain(platform, part, rpm)
        gains[platform][part] = true_gain(history.effects, platform, (part,)) | {
            "curve": {"rpm": rpm.astype(int).tolist(), "gain": np.round(gain, 3).tolist()},
            "car_to_car_cv": PART[part].cv,
            "clean_pair_cars": len(clean[platform, part]),
            "cars": len(seen[platform, part]),
        }
    return dict(gains)


def evidence(history: History) -> tuple[dict[tuple[str, str], set[str]], dict[tuple[str, str], set[str]]]:
    """Cars by (platform, part): with the part added in one session with nothing else, and with it at all.

    Counted from what was keyed, without the sessions where a planted fault bends the comparison or only a peak is kept.
    """
    clean: dict[tuple[str, str], set[str]] = defaultdict(set)
    seen: dict[tuple[str, str], set[str]] = defaultdict(set)
    for plan in (plan for plan in history.sessions if "future-clock" not in plan.faults):
        keyed = [set(keyed_parts(plan, history, state)) for state in plan.states]
        for parts in keyed:
            for part in parts:
                seen[plan.car.platform, part].add(plan.car.tag)
        for part in () if BENDING & set(plan.faults) or plan.form == "peaks" else _added(keyed):
            clean[plan.car.platform, part].add(plan.car.tag)
    return clean, seen


def _added(keyed: list[set[str]]) -> set[str]:
    """Parts that alone tell two states of one session apart."""
    apart = [one ^ other for i, one in enumerate(keyed) for other in keyed[i + 1 :]]
    return {part for difference in apart if len(difference) == 1 for part in difference}


def _bay(effects: Effects, slug: str) -> Json:
    steps = [event for event in BAY_EVENTS if event.bay == slug and event.step]
    return {
        "offset": round(100 * effects.bays[slug], 4),
        "steps": [{"on": event.on.isoformat(), "step": 100 * event.step} for event in steps],
    }


def _platform(slug: str) -> Json:
    platform = PLATFORM[slug]
    rpm = fine_rpm(platform.engine)
    power, at = peak_power_kw(stock_torque_nm(platform.engine, rpm), rpm)
    return {"stock_power_kw": round(power, 3), "power_rpm": round(at), "stock_sd": 100 * platform.stock_sd}


def _cars(history: History) -> dict[str, Json]:
    """Each car's level at peak power against the typical stock car, and its own gains with the parts it ever had."""
    fitted: dict[str, set[str]] = defaultdict(set)
    for plan in history.sessions:
        fitted[plan.car.tag].update(part for state in plan.states for part in state.parts)
    return {
        car.tag: {
            "platform": car.platform,
            "effect": round(100 * (car.effect + 0.2 * car.tilt), 4),
            "tired": car.tired,
            "gains": {
                part: true_gain(history.effects, car.platform, (part,), car.number)["peak_power"]
                for part in sorted(fitted[car.tag])
            },
        }
        for car in history.cars
    }


def _faults(history: History) -> list[Json]:
    """Everything planted, with the session it sits in."""
    sessions = [_fault(kind, plan, history) for plan in history.sessions for kind in plan.faults]
    tired: list[Json] = [
        {"kind": "tired-car", "vehicle": car.tag, "effect": round(100 * car.effect, 3)}
        for car in history.cars
        if car.tired
    ]
    return sessions + tired


def _fault(kind: str, plan: SessionPlan, history: History) -> Json:
    """One planted fault; `check` is the code it raises at the door, where one is made for it."""
    fault: Json = {
        "kind": kind,
        "vehicle": plan.car.tag,
        "bay": plan.bay,
        "session": plan.session_id(history.effects.seed),
        "posted": kind != "future-clock",
    }
    if plan.index in history.wrong_parts:
        true, keyed = history.wrong_parts[plan.index]
        fault |= {"true_part": true, "keyed_part": keyed}
    if CHECK_OF.get(kind):
        fault["check"] = CHECK_OF[kind]
    if kind == "forgotten-part":
        fault["gain"] = round(100 * FORGOTTEN_GAIN, 4)
    if kind == "wrong-car":
        fault["true_platform"] = on_the_rollers(plan)
    if kind == "job-book-differs":
        fault["keyed_part"] = next(line.part for line in history.fittings if line.vehicle == plan.car.tag)
    return fault
