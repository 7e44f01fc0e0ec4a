"""What a customer's sheet is asked with, and what its fields mean."""

from typing import Any

from marshmallow import fields, validate

from service.domain.units import SYSTEMS
from service.schemas.base import Document
from service.schemas.fields import Text
from service.schemas.gain_members import CurveSmoothing
from service.schemas.queries import ViewQuery
from service.schemas.sheet_members import (
    SheetCar,
    SheetChanged,
    SheetCurves,
    SheetGain,
    SheetPoint,
    SheetPooled,
    SheetProcedure,
    SheetSuperseded,
)
from service.schemas.sheet_state_members import SheetState


def said(words: str, **more: Any) -> dict[str, Any]:
    """What the API document says of a field."""
    return {"description": words, **more}


class SheetQuery(ViewQuery):
    """Which states of a session a sheet holds against each other."""

    before = Text(
        load_default=None,
        longest=120,
        metadata=said(
            "State A: the number of a setup of this session, or the path of a setup of another session of the same car "
            "(/v1/sessions/{id}/setups/{n}). Left out with `after`: the session's only comparison, else its last state."
        ),
    )
    after = fields.Integer(
        load_default=None,
        validate=validate.Range(1, 9999, error="must lie between {min} and {max}"),
        metadata=said(
            "State B: the number of a setup of this session. Left out beside `before`: a sheet of one state."
        ),
    )


class PrintedQuery(ViewQuery):
    """Which version of a printed sheet is asked about."""

    version = fields.Integer(
        load_default=None,
        validate=validate.Range(1, 1_000_000, error="must lie between {min} and {max}"),
        metadata=said("The version printed on it. Left out: the newest."),
    )


class SheetAnswer(Document):
    """A customer's sheet: every figure with what is needed to judge it."""

    number = fields.String(
        metadata=said("What is typed to find it again: three groups of an id, then the setups.")
    )
    version = fields.Integer(
        metadata=said(
            "1 and one more for every strike, amendment and confirmation of its sessions and for every change of what it "
            "prints of the car. Pooled figures move without it: see `as_of`."
        )
    )
    changed_at = fields.String(metadata=said("When that version came to be."))
    as_of = fields.String(metadata=said("Up to when the ledger's records are in the pooled figures."))
    superseded = fields.Nested(
        SheetSuperseded,
        allow_none=True,
        metadata=said(
            "Of an older version: `by` which it is superseded, `at` when first, and the `changes`: at, what, action, from, "
            "to; who and reason only to a token that may change the ledger, else null. null = the newest."
        ),
    )
    title = fields.String(metadata=said("What the sheet is of."))
    headline = fields.String(metadata=said("Its answer in a sentence or two, rounded to its noise."))
    units = fields.String(metadata=said("The unit system of every quantity here.", enum=list(SYSTEMS)))
    standard = fields.String(
        metadata=said("The standard asked for; each state's `standing` says whether it stands in it.")
    )
    tested = fields.Nested(
        SheetCar,
        metadata=said("The car by the shop's tag: kind, model year, odometer [km] as it stood at the test."),
    )
    procedure = fields.Nested(
        SheetProcedure,
        metadata=said("The standard's name, the form of its formula, and whether its factor is 1 by policy."),
    )
    a = fields.Nested(
        SheetState,
        allow_none=True,
        metadata=said(
            "State A: what is fitted that is not stock, fuel, bay with its last check, pulls with factor, peaks (mean, best, "
            "observed), conditions (mean, low, high; null = not measured). null = a sheet of one state."
        ),
    )
    b = fields.Nested(SheetState, metadata=said("State B, or the only one, likewise."))
    changed = fields.Nested(
        SheetChanged,
        allow_none=True,
        metadata=said(
            "What differs between A and B: the part where one change explains it, what else was not held, the order, whether "
            "one was repeated (A-B-A), minutes or days between."
        ),
    )
    smoothing = fields.Nested(
        CurveSmoothing, metadata=said("How every curve was smoothed before its peak was read.")
    )
    gain = fields.Nested(
        SheetGain,
        allow_none=True,
        metadata=said(
            "From A to B in power, with intervals at `level`: over the band from half of A's peak-power speed up to it, at "
            "the peak, in the lowest third; the smallest gain this test could show [%]; or why it is `refused`."
        ),
    )
    pooled = fields.Nested(
        SheetPooled,
        allow_none=True,
        metadata=said("What all cars say of the part; null = no single part was changed."),
    )
    not_measured = fields.List(
        fields.String(), metadata=said("What was not measured, by state where it differs.")
    )
    curves = fields.Nested(
        SheetCurves,
        allow_none=True,
        metadata=said(
            "Power and torque of both at each speed [rpm], and the gain with its interval; null = no curve."
        ),
    )
    points = fields.List(
        fields.Nested(SheetPoint),
        metadata=said(
            "The ten points in words: each row a label with `both`, or with `a` and `b` where they differ."
        ),
    )
    notices = fields.Dict(
        keys=fields.String(), values=fields.String(), metadata=said("The lines that stand on every sheet.")
    )
