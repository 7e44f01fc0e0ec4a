"""Corrections of a bay's figures over a period: what is sent, and what is shown."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from marshmallow import ValidationError, fields, validates_schema

from service.domain.correction import STANDARDS
from service.domain.units import unit_of
from service.schemas import meanings
from service.schemas.base import QuantityDocument
from service.schemas.changes import why
from service.schemas.fields import SIGNIFICANT, Moment, Number, between, known_system
from service.schemas.queries import PageQuery, UnitsQuery
from service.schemas.sessions import Basis

if TYPE_CHECKING:
    from service.store.bay_corrections import BayCorrection

MOST_K, MOST_KPA = 60.0, 40.0
"""An instrument further off than this was not read in the unit that was said (our choice)."""
SAYS = ("factor", "temperature_k", "pressure_kpa", "basis")


class Difference(Number):
    """How far a quantity is off: SI inside, the document's unit outside; a difference of temperatures has no zero."""

    def __init__(self, quantity: str, most: float, **kwargs: Any) -> None:
        super().__init__(allow_none=True, **kwargs)
        self.quantity, self.most = quantity, most

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> float:
        unit = unit_of(self.quantity, known_system())
        si = float(super()._deserialize(value, attr, data, **kwargs)) * unit.scale
        if abs(si) > self.most:
            most = f"{self.most / unit.scale:.4g} {unit.symbol}"
            raise ValidationError(f"must lie within {most} either way: is it in another unit?")
        return si


class BayCorrectionDocument(QuantityDocument):
    """What was found to be wrong with a bay's figures of a period. Say at least one of `factor`, `temperature`,
    `pressure` and `basis`."""

    id = fields.Integer(dump_only=True, metadata={"description": "Its number."})
    bay = fields.String(dump_only=True, metadata={"description": "The bay's slug."})
    from_ = Moment(
        data_key="from",
        attribute="starts_at",
        required=True,
        metadata={"description": "From when the bay's figures were wrong, with its offset from UTC."},
    )
    to = Moment(
        attribute="ends_at",
        required=True,
        metadata={
            "description": "Until when, not including it; pulls that are posted later are corrected too."
        },
    )
    factor = Number(
        allow_none=True,
        validate=between(0.5, 2.0),
        metadata={
            "description": "True torque and power over the recorded ones, 0.5..2. Left out or null: right as posted."
        },
    )
    temperature = Difference(
        "temperature",
        MOST_K,
        attribute="temperature_k",
        metadata={
            "description": "True air temperature less the recorded one, in the document's `units`. Left out or null: "
            "right as posted."
        },
    )
    pressure = Difference(
        "pressure",
        MOST_KPA,
        attribute="pressure_kpa",
        metadata={
            "description": "True absolute station pressure less the recorded one, in the document's `units`; below nought "
            "where the weather report's was posted. Left out or null: right as posted."
        },
    )
    basis = Basis(
        allow_none=True,
        metadata={
            "oneOf": [*meanings.BASIS_SHAPE["oneOf"], {"type": "null"}],
            "description": "What the figures really were: `observed`, or a standard with the factor that was applied. Left "
            "out or null: what was posted.",
        },
    )
    reason = why()
    made_at = Moment(dump_only=True, metadata={"description": "When it was made."})
    made_by = fields.String(dump_only=True, metadata={"description": "Who made it."})
    undone_at = Moment(
        dump_only=True,
        allow_none=True,
        metadata={"description": "When it was taken back; null = it holds."},
    )
    undone_by = fields.String(dump_only=True, allow_none=True, metadata={"description": "Who took it back."})
    undone_reason = fields.String(
        dump_only=True, allow_none=True, metadata={"description": "Why it was taken back."}
    )
    pulls = fields.Integer(
        dump_only=True,
        metadata={"description": "How many pulls' figures rest on it now; lists leave it out."},
    )

    @validates_schema
    def can_be(self, data: Mapping[str, Any], **_: Any) -> None:
        """A period that ends after it begins, and something to correct in it."""
        errors: dict[str, list[str]] = {}
        if "starts_at" in data and "ends_at" in data and data["ends_at"] <= data["starts_at"]:
            errors["to"] = ["is not after `from`; give the end of the period"]
        if all(data.get(name) is None for name in SAYS):
            errors["factor"] = ["missing: say `factor`, `temperature`, `pressure` or `basis`"]
        standard, factor = data.get("basis") or (None, None)
        rule = STANDARDS[standard].engine_rule if standard in STANDARDS else None
        if standard is not None and factor is None and (standard not in STANDARDS or rule is not None):
            errors["basis"] = [f"by which factor? {standard} alone does not say; give it with its `factor`"]
        if errors:
            raise ValidationError(errors)


class BayCorrectionQuery(PageQuery, UnitsQuery):
    """A page of a bay's corrections."""

    after = fields.Integer(
        load_default=None,
        metadata={"description": "From the `next` link of the page before."},
    )


COLUMNS = (
    "id", "bay", "from", "to", "factor", "temperature", "pressure", "basis", "reason", "made_at", "made_by", "undone_at",
    "undone_by", "undone_reason", "units",
)  # fmt: skip


def correction_values(data: Mapping[str, Any]) -> dict[str, Any]:
    """What was sent, as the ledger keeps it."""
    values = {name: value for name, value in data.items() if name != "units"}
    if values.get("basis") is not None:
        standard, factor = values["basis"]
        values["basis"] = {"standard": standard, "factor": factor}
    return values


def correction_document(correction: "BayCorrection", units: str, pulls: int | None = None) -> dict[str, Any]:
    """A correction as it is shown; `pulls` are those whose figures rest on it."""
    basis = correction.basis
    document: dict[str, Any] = {
        "id": correction.correction_id,
        "bay": correction.bay,
        "from": correction.starts_at.isoformat(),
        "to": correction.ends_at.isoformat(),
        "factor": correction.factor,
        "temperature": difference(correction.temperature_k, "temperature", units),
        "pressure": difference(correction.pressure_kpa, "pressure", units),
        "basis": "observed" if basis is not None and basis["standard"] is None else basis,
        "reason": correction.reason,
        "made_at": correction.made_at.isoformat(),
        "made_by": correction.made_by,
        "undone_at": None if correction.undone_at is None else correction.undone_at.isoformat(),
        "undone_by": correction.undone_by,
        "undone_reason": correction.undone_why,
        "units": units,
    }
    return document if pulls is None else {**document, "pulls": pulls}


def difference(value: float | None, quantity: str, units: str) -> float | None:
    """How far a quantity is off, in a unit system."""
    return None if value is None else float(f"{value / unit_of(quantity, units).scale:.{SIGNIFICANT}g}")
