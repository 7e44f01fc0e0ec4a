"""What the fields of the posted documents and of the queries mean, as the API document says it.

One line a field: what it is, its unit or range, what leaving it out means. The schemas take these words by `described`.
"""

from collections.abc import Callable, Mapping
from copy import copy
from typing import Any, TypeVar

from marshmallow import Schema

Document = TypeVar("Document", bound=type[Schema])

NOT_RECORDED = "Left out: not recorded."
NUMBERS = {"type": "array", "items": {"type": "number"}}
"""How the API document words a channel of a curve."""


def described(meanings: Mapping[str, str], **examples: Any) -> Callable[[Document], Document]:
    """Give a schema's fields their descriptions, and examples where there are some; an unknown field is an error."""

    def describe(document: Document) -> Document:
        fields = document._declared_fields
        for name in {**meanings, **examples}:
            # a copy: what is inherited is another schema's too
            fields[name] = copy(fields[name])
            said = {"description": meanings[name]} if name in meanings else {}
            shown = {"example": examples[name]} if name in examples else {}
            fields[name].metadata = {**fields[name].metadata, **said, **shown}
        return document

    return describe


BASIS_SHAPE = {
    "oneOf": [
        {"type": "string", "const": "observed"},
        {
            "type": "object",
            "properties": {
                "standard": {
                    "type": "string",
                    "description": "A standard's slug as answers name it, or `unknown`.",
                },
                "factor": {
                    "type": ["number", "null"],
                    "minimum": 0.5,
                    "maximum": 2.0,
                    "description": "The factor that was applied. Left out: not known.",
                },
            },
            "required": ["standard"],
            "additionalProperties": False,
        },
    ]
}
"""How the API document words what figures were corrected to."""
FITTED_PART_SHAPE = {
    "oneOf": [
        {"type": "string", "description": "The part's slug."},
        {
            "type": "object",
            "properties": {
                "part": {"type": "string", "description": "The part's slug."},
                "slot": {
                    "type": ["string", "null"],
                    "description": "The slot it sits in, where the part fills several. Left out: all of them.",
                },
            },
            "required": ["part"],
            "additionalProperties": False,
        },
    ]
}
"""How the API document words a fitted part."""

AMBIENT = {
    "temperature": f"Air temperature in the bay, in the document's `units` (°C or °F). {NOT_RECORDED}",
    "pressure": "Absolute station pressure in the bay, in the document's `units` (kPa, inHg or hPa); never the weather "
    f"report's figure, which is reduced to sea level. {NOT_RECORDED}",
    "humidity": "Relative humidity, 0..1. Left out: not recorded, unless `dew_point` is given.",
    "dew_point": "Dew point, in the document's `units` (°C or °F); instead of `humidity`.",
}
ENGINE_STATE = {
    name: f"{what}, in the document's `units` (°C or °F). {NOT_RECORDED}"
    for name, what in (
        ("coolant", "Coolant temperature at the start of the pull"),
        ("oil", "Oil temperature at the start of the pull"),
        ("inlet", "Air temperature in the inlet at the start of the pull"),
        ("inlet_end", "Air temperature in the inlet at the end of the pull"),
    )
}
SMOOTHING = {
    "method": "How the bay's software smoothed, in its own words.",
    "width_rpm": f"Width of the smoothing [rpm]. {NOT_RECORDED}",
}
PEAK_FIGURES = {
    "power": "Peak power, in the document's `units` (kW, hp or PS). Left out: only `torque` is known.",
    "power_rpm": f"Engine speed of the peak power [rpm]. {NOT_RECORDED}",
    "torque": "Peak torque, in the document's `units` (N·m or lbf·ft). Left out: only `power` is known.",
    "torque_rpm": f"Engine speed of the peak torque [rpm]. {NOT_RECORDED}",
}
ENGINE_CHANNEL = "One of `torque`, `power`, `axle_torque` is needed."
CURVE = {
    "rpm": "Engine speed of each sample [rpm], above 0; 2 to 20000 samples, every other channel as many.",
    "torque": f"Torque at the wheels over the engine's speed, so that power = torque x speed holds, in the document's "
    f"`units` (N·m or lbf·ft). {ENGINE_CHANNEL}",
    "power": f"Power at the wheels, in the document's `units` (kW, hp or PS). {ENGINE_CHANNEL}",
    "axle_torque": f"True torque of the driven axle, in the document's `units`; needs the session's `ratio`. "
    f"{ENGINE_CHANNEL}",
    "time": f"Time since the start of the pull [s]. {NOT_RECORDED}",
    "roller_speed": f"Speed of the roller [rpm]. {NOT_RECORDED}",
    "throttle": f"Throttle opening, 0..1. {NOT_RECORDED}",
    "map": f"Absolute pressure in the intake manifold, in the document's `units` (kPa, inHg or hPa). {NOT_RECORDED}",
    "spark": f"Spark advance [degrees of crank before top dead centre]. {NOT_RECORDED}",
    "knock_retard": f"Spark taken back for knock [degrees of crank]. {NOT_RECORDED}",
    "inlet": f"Air temperature in the inlet, in the document's `units` (°C or °F). {NOT_RECORDED}",
    "lambda": f"Air-fuel ratio over the stoichiometric one, 1 = neither rich nor lean. {NOT_RECORDED}",
    "resolution": "The step in which a channel was recorded, by its name, in the posted unit: such a channel is kept "
    "smaller and comes back exactly. Left out: kept as posted, to the seven digits of a 32-bit float.",
}
PULL = {
    "started_at": f"When it began, with its offset from UTC. {NOT_RECORDED}",
    "ambient": "The air in the bay. Without temperature, pressure and humidity (or dew point) figures that are not "
    "corrected yet count only within their own session.",
    "engine": "The engine's temperatures; whether they held decides whether two setups are like for like.",
    "test": f"`sweep`: rise of speed held by a brake; `inertia`: against a mass; `steps`: held at speeds. {NOT_RECORDED}",
    "ramp": f"Rise of engine speed [rpm/s], 1..20000. {NOT_RECORDED}",
    "smoothing": "How the curve was smoothed before it was posted. Left out: not known.",
    "source": f"`live` from the machine, `file` from an export, `paper` or `photo` typed in. {NOT_RECORDED}",
    "basis": 'What the figures are: `"observed"` as measured, not corrected; or the standard, with its factor if known, '
    "that they were corrected to.",
    "status": "`accepted` counts; `settling` (before the readings had settled) and `rejected` are kept and counted "
    "nowhere. Left out: accepted.",
    "reason": "Why it is rejected; needed then, otherwise left out.",
    "best_of": "Of how many pulls these figures are the best, 1..20. Left out: not known.",
    "curve": "What was measured over the rev range; either this or `peaks`.",
    "peaks": "The peak figures of a record without a curve; either these or `curve`.",
}
FUEL = {
    "ethanol": f"Measured share of ethanol, 0..1. {NOT_RECORDED}",
    "octane": f"Octane number, 50..130, by `octane_method`. {NOT_RECORDED}",
    "octane_method": f"`ron` (research), `mon` (motor) or `aki` (the mean of both). {NOT_RECORDED}",
}
SETUP = {
    "label": "The bay's own words for this state. Left out: none.",
    "parts": "Everything fitted that is not stock, each a slug or a part with its slot; [] says that nothing is. A "
    "tune is a part in the slot `calibration`.",
    "parts_known": "Whether `parts` is all there is: `complete`, `partial` (there may be more) or `unknown`. Only "
    "complete lists are compared across strap-downs. Left out: complete.",
    "stock_checked": "Whether the rest is stock: `verified` by the shop, `declared` by the owner, or `unknown`. Left "
    "out: unknown.",
    "fuel": "What was in the tank. Left out: not recorded.",
    "lambda_probe": f"Where the mixture was measured: `before-catalyst`, `after-catalyst` or `tailpipe`. {NOT_RECORDED}",
    "spark_advance": f"Spark advance at peak torque [degrees of crank before top dead centre]. {NOT_RECORDED}",
    "pulls": "Its pulls, 1 to 50, in the order they were run.",
}
SESSION = {
    "units": "The unit system of every quantity in this document: `si`, `us` or `ps`.",
    "id": "A UUID the bay may make: the same one twice is the same session. Left out: the ledger makes it.",
    "vehicle": "The car's tag.",
    "bay": "The bay's slug; a token of scope post writes for its own bay only.",
    "started_at": "When the car was strapped down, with its offset from UTC.",
    "operator": f"Who ran it: initials or a number. {NOT_RECORDED}",
    "gear": f"Gear the pulls were run in, 1..20. {NOT_RECORDED}",
    "ratio": "Turns of the engine for one turn of the driven axle in that gear. Left out: not recorded; `axle_torque` "
    "needs it.",
    "tyre_size": f"Size as written on the tyre. {NOT_RECORDED}",
    "tyre_pressure": f"Tyre pressure above the air's, in the document's `units` (kPa, psi or bar). {NOT_RECORDED}",
    "sequence": "The bay's own running number of its posts. Left out: none.",
    "clock": "The bay's clock at the moment of sending: how far it is off shows by it. Left out: times are taken as "
    "they stand.",
    "setups": "The states of the car, 1 to 50, in the order they were measured.",
}


def _changed(meanings: Mapping[str, str], *names: str) -> dict[str, str]:
    """The same fields where a record is amended: what is left out stays."""
    return {name: f"{meanings[name].partition(' Left out:')[0]} Left out: as it was." for name in names}


SESSION_CHANGE = {
    **_changed(SESSION, "vehicle", "started_at", "operator", "gear", "tyre_size", "tyre_pressure"),
    "units": "The unit system of `tyre_pressure`, `si`, `us` or `ps`; needed with it.",
}
SETUP_CHANGE = _changed(
    SETUP, "label", "parts", "parts_known", "stock_checked", "fuel", "spark_advance", "lambda_probe"
)
PULL_CHANGE = {"status": "What it counts as from now on: `accepted`, `settling` or `rejected`."}

PLATFORM = {
    "units": "The unit system of `rated_power`; needed with it.",
    "slug": "Short name for addresses: 1 to 64 of a-z, 0-9 and -.",
    "name": "Its full name.",
    "maker": "Who built it. Left out or null: not known.",
    "model": "The model's name. Left out or null: not known.",
    "generation": "Generation or years of the model. Left out or null: not known.",
    "engine": "The engine's name or code. Left out or null: not known.",
    "displacement_l": "Displacement [litres], 0.01..50. Left out or null: not known.",
    "aspiration": "How the engine breathes.",
    "ignition": "`spark` (petrol and the like) or `compression` (diesel).",
    "transmission": "The gearbox. Left out or null: not known.",
    "driven_wheels": "Which wheels are driven. Left out or null: not known.",
    "rated_power": "The maker's figure at the crank, in the document's `units` (kW, hp or PS). Left out or null: not "
    "known.",
    "rpm_limit": "Highest engine speed [rpm], 500..20000. Left out or null: not known.",
    "charge_cooling": "How the charge is cooled after it was compressed: `none`, by `air` or by `liquid`. Some standards "
    "need it to correct a turbo diesel. Left out or null: not recorded.",
    "fuel_per_cycle": "Fuel at full load [mg per litre of displacement and working cycle], 1..500. Some standards need it "
    "to correct a diesel. Left out or null: not recorded.",
    "boost_ratio": "Absolute boost pressure at full load over the ambient pressure, 1..10; an engine that breathes "
    "naturally has 1. Some standards need it to correct a charged diesel. Left out or null: not recorded.",
}
VEHICLE = {
    "tag": "The shop's own short name for the car: 1 to 64 of a-z, 0-9 and -; never a name or a plate.",
    "platform": "The slug of the kind of car it is.",
    "model_year": "Left out or null: not known.",
    "odometer_km": "Distance driven [km]. Left out or null: not known.",
    "check_car": "Whether the shop measures this car again and again to watch its bays. Left out: false.",
    "vin": "Kept only as a keyed hash, never answered. Left out: as it was; null forgets it.",
}
APPROVAL = {
    "document": "The approval's own number or title. Left out: none.",
    "place": "Where it holds. Left out: not known.",
    "note": "Anything more. Left out: nothing.",
}
PART = {
    "slug": "Short name for addresses: 1 to 64 of a-z, 0-9 and -.",
    "name": "Its full name, as the counter says it.",
    "variant_of": "The part it is a reworked or differently supplied form of. Left out or null: of none.",
    "price": "Price without fitting, in `currency`. Left out or null: not known, and no fitted cost is answered.",
    "currency": "ISO 4217 code of `price`, such as GBP. Left out or null: not known.",
    "price_date": "The day the price was true. Left out or null: not known.",
    "labour_hours": "Time to fit it [h], 0..1000. Left out or null: not known.",
    "fitting_notes": "What the fitter should know. Left out or null: nothing.",
    "approval": "Whether it may be used on the road, and where that is written. Left out or null: unknown.",
}
SLOT = {
    "slug": "Short name for addresses: 1 to 64 of a-z, 0-9 and -.",
    "name": "Its full name.",
}
MODIFICATION = {
    "id": "Its number.",
    "vehicle": "The car's tag.",
    "part": "The part's slug.",
    "fitted_on": "The day it went on.",
    "removed_on": "The day it came off. Left out or null: still fitted.",
    "price_paid": "What was paid for it, in `currency`. Left out or null: not recorded.",
    "currency": "ISO 4217 code of `price_paid`, such as GBP. Left out or null: not recorded.",
    "labour_hours": "Time it took to fit [h], 0..1000. Left out or null: not recorded.",
    "notes": "Anything more. Left out or null: nothing.",
}
BAY = {
    "slug": "Short name for addresses: 1 to 64 of a-z, 0-9 and -.",
    "name": "Its full name.",
    "kind": "`roller-inertia`: rollers that only have mass; `roller-loaded`: with a brake; `hub`: on the wheel hubs.",
    "rollers": "The rollers, such as their number and diameter. Left out or null: not recorded.",
    "site": "Where it stands. Left out or null: not recorded.",
    "altitude_m": "Height above sea level [m], -450..6000. Left out or null: not known.",
}
BAY_EVENT = {
    "id": "Its number.",
    "bay": "The bay's slug.",
    "at": "When, with its offset from UTC.",
    "kind": "What was done; the bay's level may step after it.",
    "note": "Anything more. Left out or null: nothing.",
}
SETTING = {
    "name": "Its name, under which PATCH takes it.",
    "value": "The value in force.",
    "meaning": "What it means.",
    "default": "What holds until it is set.",
    "changed_by": "Who set it; null = never changed.",
}

UNITS_QUERY = {"units": "Units of the answer's quantities: `si`, `us` or `ps`. Left out: the shop's setting."}
VIEW_QUERY = {"standard": "Standard that levels are corrected to. Left out: the shop's setting."}
CURVE_QUERY = {
    "singles": "Whether each pull's own curve is answered beside their mean. Left out: false.",
}
VEHICLE_QUERY = {"platform": "Only cars of this platform (slug). Left out: of all."}
PART_QUERY = {"slot": "Only parts that fill this slot (slug). Left out: of all."}
SESSION_QUERY = {
    "vehicle": "Only this car's (tag). Left out: of all.",
    "platform": "Only of this platform's cars (slug). Left out: of all.",
    "bay": "Only this bay's (slug). Left out: of all.",
    "since": "Only those that began at this time or later (with its offset from UTC). Left out: all.",
}
MEASURE_QUERY = {
    "measure": "What is asked about: the peak, the figure at one speed (`power_at`, `torque_at`, with `rpm`), or the "
    "mean over a band (`band_power`, `band_torque`, with `from` and `to`). Left out: peak_power.",
    "rpm": "Engine speed [rpm], 500..12000; for `power_at` and `torque_at`, which need it.",
    "from_rpm": "Begin of the band [rpm], 500..12000; for `band_power` and `band_torque`, which need it.",
    "to_rpm": "End of the band [rpm], above `from`; for `band_power` and `band_torque`, which need it.",
    "level": "How sure the intervals are meant, 0.5..0.999. Left out: 0.9.",
}
GAIN_QUERY = {
    "part": "The part asked about (slug).",
    "platform": "The kind of car (slug).",
    "against": "What the part is compared with: `without`, the same car with the stock part or none, or the slug of "
    "another part of the same slot. Left out: without.",
    "baseline": "This car's own figure before, in `units`. Left out: the typical one of the cars measured.",
    "context": "`alone`: the part on an otherwise stock car, and only pairs of such cars; `as-usually-fitted`: beside what "
    "is usually fitted with it. Left out: alone, with the pairs of all cars beside it.",
    "curve": "Whether the gain over the rev range is worked out too. Left out: true.",
    "pairs": "Whether the before/after pairs are listed, at most five a car. Left out: true.",
    "model": "Whether the history model answers. False: the pairs alone are the answer, the headline and the curve too, and "
    "nothing is borrowed from other cars or parts; quicker, and less sure on few cars. Left out: true.",
}
STOCK_QUERY = {
    "value": "A car's own figure, in `units`, to be placed among the others. Left out: none is placed.",
    "raw": "Whether the values stand as the bays read, not at the bays' common level; no car is placed then. Left out: "
    "false.",
    "checked": "Which cars count as stock: `verified` by the shop, `declared` also those by their owner's word, `any` "
    "also the unknown. Left out: declared.",
}
EVIDENCE_QUERY = {
    "platform": "Only questions about this platform (slug). Left out: all.",
    "part": "Only questions about this part (slug). Left out: all.",
}
