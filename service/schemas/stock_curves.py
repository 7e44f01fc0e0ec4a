"""A platform's typical stock curve as a document."""

from typing import TYPE_CHECKING, Any

from marshmallow import fields

from service.domain.units import power_kw
from service.schemas import answer_meanings
from service.schemas.base import Document
from service.schemas.meanings import described
from service.schemas.setup_curves import column
from service.schemas.spread_members import DrawnCurve

if TYPE_CHECKING:
    from service.answers.stock_curve import StockCurve


def stock_curve_document(
    found: "StockCurve | None", platform: str, standard: str, units: str
) -> dict[str, Any]:
    """The curve as equal-length lists."""
    curve = None
    if found is not None:
        curve = {
            "rpm": [round(float(speed), 1) for speed in found.rpm],
            "torque": column(found.torque_nm, "torque", units),
            "power": column(power_kw(found.torque_nm, found.rpm), "power", units),
        }
    return {"platform": platform, "units": units, "standard": standard, "curve": curve}


@described(answer_meanings.STOCK_CURVE)
class StockCurveAnswer(Document):
    """The typical stock car's curve."""

    as_of = fields.DateTime()
    platform = fields.String()
    units = fields.String()
    standard = fields.String()
    curve = fields.Nested(DrawnCurve, allow_none=True)
