"""A session as a bay posts it: one car strapped down once, its setups, their pulls."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from marshmallow import ValidationError, fields, post_load, validate, validates_schema

from service.domain.bay_correction import ENGINE_CHANNELS
from service.domain.checks.mixture import PROBES
from service.domain.correction import STANDARDS
from service.domain.records import PostedPart, PostedPeaks, PostedPull, PostedSession, PostedSetup
from service.domain.units import to_si
from service.schemas import examples, meanings
from service.schemas.base import Document, QuantityDocument
from service.schemas.fields import (
    Moment,
    Named,
    Number,
    Quantity,
    Samples,
    Several,
    Slug,
    Text,
    Whole,
    Word,
    between,
    known_system,
)
from service.schemas.meanings import described

"""One of these carries what the engine does; the others stand beside it."""
CHANNEL_QUANTITY = {
    "torque": "torque",
    "axle_torque": "torque",
    "power": "power",
    "map": "pressure",
    "inlet": "temperature",
}
TEMPERATURES_C = {"low": -60.0, "high": 250.0}
MAX_SETUPS = 50
MAX_PULLS = 50
MAX_RESOLUTIONS = 50  # a curve has some fifteen channels (our choice)


def optional(field_type: type[fields.Field[Any]], *args: Any, **kwargs: Any) -> Any:
    """A field that may be left out or null: not recorded."""
    return field_type(*args, load_default=None, allow_none=True, **kwargs)


@described(meanings.AMBIENT)
class Ambient(Document):
    """The air in the bay. `pressure` is the absolute station pressure, never the weather report's sea-level figure."""

    temperature = optional(Quantity, "temperature", low=-60.0, high=80.0)
    pressure = optional(Quantity, "pressure", low=40.0, high=115.0)
    humidity = optional(
        Number, validate=between(0.0, 1.0), metadata={"description": "Relative humidity, 0..1."}
    )
    dew_point = optional(Quantity, "temperature", low=-100.0, high=80.0)


@described(meanings.ENGINE_STATE)
class EngineState(Document):
    """Temperatures of the engine at the start of the pull, and the inlet's at its end."""

    coolant = optional(Quantity, "temperature", **TEMPERATURES_C)
    oil = optional(Quantity, "temperature", **TEMPERATURES_C)
    inlet = optional(Quantity, "temperature", **TEMPERATURES_C)
    inlet_end = optional(Quantity, "temperature", **TEMPERATURES_C)


@described(meanings.SMOOTHING)
class Smoothing(Document):
    """How the bay's own software smoothed the curve before it was posted."""

    method = Text(required=True, longest=100)
    width_rpm = optional(Number, validate=between(0.0, 5000.0))


class CorrectedBasis(Document):
    """The standard a figure was corrected to before it was posted, and the factor if it is known."""

    standard = Text(required=True, longest=64)
    factor = optional(Number, validate=between(0.5, 2.0))


class Basis(fields.Field[tuple[str | None, float | None]]):
    """`"observed"`, or the standard (and factor) the figures were corrected with."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> Any:
        if value == "observed":
            return (None, None)
        if not isinstance(value, dict):
            raise ValidationError('must be "observed" or {"standard": "...", "factor": 1.02}')
        loaded = CorrectedBasis().load(value)
        if loaded["standard"] not in (*STANDARDS, "unknown"):
            known = ", ".join(STANDARDS)
            raise ValidationError({"standard": [f"no such standard; one of {known}, or unknown"]})
        return (loaded["standard"], loaded["factor"])


@described(meanings.PEAK_FIGURES)
class PeakFigures(Document):
    """For a record without a curve."""

    power = optional(Quantity, "power", low=0.1, high=4000.0)
    power_rpm = optional(Number, validate=between(1.0, 20_000.0))
    torque = optional(Quantity, "torque", low=0.1, high=20_000.0)
    torque_rpm = optional(Number, validate=between(1.0, 20_000.0))

    @validates_schema
    def says_something(self, data: Mapping[str, Any], **_: Any) -> None:
        """At least one of the two figures."""
        if data.get("power") is None and data.get("torque") is None:
            raise ValidationError("give `power`, `torque` or both")


class Curve(Document):
    """Equal-length channels of one pull. `resolution` declares a channel's step, so that it is stored small and exact."""

    rpm = Samples(required=True, metadata=meanings.NUMBERS)
    torque = Samples("torque", metadata=meanings.NUMBERS)
    power = Samples("power", metadata=meanings.NUMBERS)
    axle_torque = Samples("torque", metadata=meanings.NUMBERS)
    time = Samples(metadata=meanings.NUMBERS)
    roller_speed = Samples(metadata=meanings.NUMBERS)
    throttle = Samples(metadata=meanings.NUMBERS)
    map = Samples("pressure", metadata=meanings.NUMBERS)
    spark = Samples(metadata=meanings.NUMBERS)
    knock_retard = Samples(metadata=meanings.NUMBERS)
    inlet = Samples("temperature", metadata=meanings.NUMBERS)
    resolution = Named(
        keys=fields.String(),
        values=Number(validate=between(1e-9, 1e6)),
        load_default=dict,
        validate=validate.Length(max=MAX_RESOLUTIONS, error="names more than {max} channels"),
    )

    @validates_schema
    def is_a_curve(self, data: Mapping[str, Any], **_: Any) -> None:
        """Something to draw, of one length, at speeds that can be."""
        channels = {name: data[name] for name in data if name != "resolution"}
        errors: dict[str, Any] = {}
        if not any(name in channels for name in ENGINE_CHANNELS):
            errors["torque"] = ["missing: a curve needs `torque`, `power` or `axle_torque` beside `rpm`"]
        length = len(channels.get("rpm", ()))
        for name, values in channels.items():
            if len(values) != length:
                errors[name] = [
                    f"has {len(values)} samples where rpm has {length}; all channels need the same number"
                ]
        if length == 1:
            errors["rpm"] = ["has one sample; a curve needs at least two"]
        if length and not np.all(channels["rpm"] > 0):
            first = int(np.argmin(channels["rpm"] > 0))
            errors["rpm"] = {first: ["engine speed must be above 0: leave the sample out of every channel"]}
        for name in data.get("resolution", {}):
            if name not in channels:
                errors.setdefault("resolution", []).append(f"names {name}, which is no channel of this curve")
        if errors:
            raise ValidationError(errors)


# `lambda` is a word of the language, so it cannot be written as an attribute above.
Curve._declared_fields["lambda"] = Samples(metadata=meanings.NUMBERS)
described(meanings.CURVE)(Curve)


@described(meanings.PULL)
class PullPost(Document):
    """One run through the rev range at full load."""

    started_at = optional(Moment)
    ambient = fields.Nested(Ambient, load_default=dict)
    engine = fields.Nested(EngineState, load_default=dict)
    test = optional(Word, "sweep", "inertia", "steps")
    ramp = optional(
        Number, validate=between(1.0, 20_000.0), metadata={"description": "Rise of engine speed, rpm/s."}
    )
    smoothing = optional(fields.Nested, Smoothing)
    source = optional(Word, "live", "file", "paper", "photo")
    basis = Basis(required=True, metadata=meanings.BASIS_SHAPE)
    status = Word("accepted", "settling", "rejected", load_default="accepted")
    reason = optional(Text, longest=500)
    best_of = optional(Whole, low=1, high=20)
    curve = optional(fields.Nested, Curve)
    peaks = optional(fields.Nested, PeakFigures)

    @validates_schema
    def is_one_record(self, data: Mapping[str, Any], **_: Any) -> None:
        """A curve or peak figures, and a reason where it is rejected."""
        if (data.get("curve") is None) == (data.get("peaks") is None):
            raise ValidationError(
                {"curve": ["give `curve`, or `peaks` for a record without one, and not both"]}
            )
        if data.get("status") == "rejected" and not data.get("reason"):
            raise ValidationError({"reason": ["missing: say why the pull is rejected"]})


class FittedPart(fields.Field[PostedPart]):
    """A part's slug, or `{"part": slug, "slot": slot}`."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> PostedPart:
        if isinstance(value, str):
            return PostedPart(Slug().deserialize(value))
        if not isinstance(value, dict):
            raise ValidationError('must be a slug, or {"part": slug, "slot": slot}')
        loaded = FittedPartDocument().load(value)
        return PostedPart(loaded["part"], loaded["slot"])


class FittedPartDocument(Document):
    """A fitted part with its slot."""

    part = Slug(required=True)
    slot = optional(Slug)


@described(meanings.FUEL)
class Fuel(Document):
    """What was in the tank: measured ethanol share 0..1, octane by a named method."""

    ethanol = optional(Number, validate=between(0.0, 1.0))
    octane = optional(Number, validate=between(50.0, 130.0))
    octane_method = optional(Word, "ron", "mon", "aki")


@described(meanings.SETUP)
class SetupPost(Document):
    """The car in one state. `parts` lists everything fitted that is not stock; [] says that nothing is."""

    label = optional(Text, longest=200)
    parts = Several(
        FittedPart(metadata=meanings.FITTED_PART_SHAPE),
        required=True,
        validate=validate.Length(max=60, error="more than {max} parts; list what is fitted now"),
        error_messages={"required": "missing: list everything fitted that is not stock, or [] for nothing"},
    )
    parts_known = Word("complete", "partial", "unknown", load_default="complete")
    stock_checked = Word("verified", "declared", "unknown", load_default="unknown")
    fuel = fields.Nested(Fuel, load_default=dict)
    spark_advance = optional(Number, validate=between(-70.0, 90.0))
    lambda_probe = optional(Word, *PROBES)
    pulls = Several(
        fields.Nested(PullPost),
        required=True,
        validate=validate.Length(min=1, max=MAX_PULLS, error="needs between {min} and {max} pulls"),
    )


@described(meanings.SESSION, **examples.SESSION)
class SessionPost(QuantityDocument):
    """One car strapped down once in one bay."""

    always_quantities = True

    id = optional(fields.UUID)
    vehicle = Slug(required=True)
    bay = Slug(required=True)
    started_at = Moment(required=True)
    operator = optional(Text, longest=40)
    gear = optional(Whole, low=1, high=20)
    ratio = optional(Number, validate=between(0.05, 100.0))
    tyre_size = optional(Text, longest=40)
    tyre_pressure = optional(Quantity, "tyre_pressure", low=50.0, high=1000.0)
    sequence = optional(Whole, low=0, high=2**53)
    clock = optional(Moment)
    setups = Several(
        fields.Nested(SetupPost),
        required=True,
        validate=validate.Length(min=1, max=MAX_SETUPS, error="needs between {min} and {max} setups"),
    )

    @post_load
    def to_record(self, data: dict[str, Any], **_: Any) -> PostedSession:
        """The record the ledger takes; everything in SI."""
        return PostedSession(
            id=data["id"],
            vehicle=data["vehicle"],
            bay=data["bay"],
            started_at=data["started_at"],
            operator=data["operator"],
            gear=data["gear"],
            ratio=data["ratio"],
            tyre_size=data["tyre_size"],
            tyre_pressure_kpa=data["tyre_pressure"],
            sequence=data["sequence"],
            clock=data["clock"],
            setups=tuple(setup_record(n, setup) for n, setup in enumerate(data["setups"], start=1)),
        )


def setup_record(n: int, data: Mapping[str, Any]) -> PostedSetup:
    """A loaded setup as a record."""
    fuel = data["fuel"]
    return PostedSetup(
        n=n,
        parts=tuple(data["parts"]),
        parts_known=data["parts_known"],
        stock_checked=data["stock_checked"],
        pulls=tuple(pull_record(i, pull) for i, pull in enumerate(data["pulls"], start=1)),
        label=data["label"],
        ethanol=fuel.get("ethanol"),
        octane=fuel.get("octane"),
        octane_method=fuel.get("octane_method"),
        spark_advance_deg=data["spark_advance"],
        lambda_probe=data["lambda_probe"],
    )


def pull_record(n: int, data: Mapping[str, Any]) -> PostedPull:
    """A loaded pull as a record."""
    ambient, engine = data["ambient"], data["engine"]
    standard, factor = data["basis"]
    curve = dict(data["curve"] or {})
    steps = steps_of(curve.pop("resolution", {}))
    peaks = data["peaks"]
    return PostedPull(
        n=n,
        started_at=data["started_at"],
        temperature_c=ambient.get("temperature"),
        pressure_kpa=ambient.get("pressure"),
        humidity=ambient.get("humidity"),
        dew_point_c=ambient.get("dew_point"),
        coolant_c=engine.get("coolant"),
        oil_c=engine.get("oil"),
        inlet_c=engine.get("inlet"),
        inlet_end_c=engine.get("inlet_end"),
        test=data["test"],
        ramp_rpm_s=data["ramp"],
        smoothing=data["smoothing"],
        source=data["source"],
        basis_standard=standard,
        basis_factor=factor,
        status=data["status"],
        reason=data["reason"],
        best_of=data["best_of"],
        channels=curve,
        steps=steps,
        peaks=peaks and PostedPeaks(peaks["power"], peaks["power_rpm"], peaks["torque"], peaks["torque_rpm"]),
    )


def steps_of(resolution: Mapping[str, float]) -> dict[str, float]:
    """Declared steps in SI. A temperature's step has no zero, so only its scale counts."""
    return {name: step_in_si(name, step) for name, step in resolution.items()}


def step_in_si(name: str, step: float) -> float:
    """One channel's declared step in SI."""
    quantity = CHANNEL_QUANTITY.get(name)
    if quantity is None:
        return step
    system = known_system()
    return float(to_si(step, quantity, system)) - float(to_si(0.0, quantity, system))
