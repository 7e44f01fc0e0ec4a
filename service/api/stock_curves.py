"""The typical stock curve of a platform over HTTP."""

from typing import Any

from flask import Response

from service.answers.standing import require_factor
from service.answers.stock_curve import stock_curve
from service.api.answering import csv_response, wants_csv
from service.api.context import chosen_standard, chosen_units, needs, read_conn
from service.api.modelled import as_of, current_model, kept_answer, known_platform, version_of
from service.api.wire import Blueprint
from service.schemas.queries import ViewQuery
from service.schemas.stock_curves import StockCurveAnswer, stock_curve_document
from service.store.model_questions import find_platform

blueprint = Blueprint("stock_curves", __name__, description="Typical stock curves.")


@blueprint.get("/v1/platforms/<slug>/stock-curve")
@needs("read")
@blueprint.arguments(ViewQuery, location="query")
@blueprint.csv("One row a speed.")
@blueprint.response(200, StockCurveAnswer)
def get_stock_curve(query: dict[str, Any], slug: str) -> Response:
    """The curve of the platform's typical stock car, at the common level of the bays, by the whole history."""
    units, standard = chosen_units(query), chosen_standard(query)
    platform = known_platform(find_platform(read_conn(), slug), slug)
    require_factor(standard, platform.slug, platform.engine)
    state = current_model()

    def document() -> dict[str, Any]:
        found = stock_curve(read_conn(), state, platform.platform_id, standard)
        return {"as_of": as_of(state), **stock_curve_document(found, platform.slug, standard, units)}

    if wants_csv():
        body = document()
        curve = body["curve"] or {}
        rows = ([*row, units, standard] for row in zip(*curve.values(), strict=True))
        return csv_response([*curve, "units", "standard"], rows)
    return kept_answer(f"{platform.version}|{version_of(state)}", document)
