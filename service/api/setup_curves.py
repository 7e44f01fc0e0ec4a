"""A setup's mean curve over HTTP: torque and power corrected, mixture, pressures, spark and inlet air beside them."""

from typing import Any
from uuid import UUID

from flask import Response

from service.api.answering import csv_response, json_response, version_etag, wants_csv
from service.api.context import conn, needs
from service.api.sessions import figures, seen, setup_of
from service.api.wire import Blueprint
from service.domain.levels import mean_air, ratio_to
from service.domain.restriction import intake_restriction
from service.domain.review_standing import standard_of
from service.ledger.again import pull_grids
from service.schemas.answer_documents import SMOOTHING
from service.schemas.queries import SetupCurveQuery
from service.schemas.session_documents import Figures, counted_of
from service.schemas.setup_curves import SetupCurveDocument, curve_document, single_document
from service.store.curves import SetupCurve, curve_of_setup
from service.store.reading import SetupRow, WholeSession

blueprint = Blueprint("curves", __name__, description="Mean curves of setups.")


@blueprint.get("/v1/sessions/<uuid:id>/setups/<int:n>/curve")
@needs("read", "post")
@blueprint.arguments(SetupCurveQuery, location="query")
@blueprint.csv("One row a speed.")
@blueprint.response(200, SetupCurveDocument)
def get_setup_curve(query: dict[str, Any], id: UUID, n: int) -> Response:
    """Read a setup's mean curve, every 50 rpm.

    Torque and power at the asked standard, and beside them what else was recorded along the pulls; with `singles` also
    each pull's own curve. As CSV (Accept:
    text/csv) one row a speed. `curve` is null for records without one.
    """
    whole = seen(id)
    setup = setup_of(whole, n)
    show = figures(query).for_engine(whole.session.engine)
    body = document(whole, setup, curve_of_setup(conn(), id, n), show, singles=query["singles"])
    if wants_csv():
        curve = body["curve"] or {}
        rows = ([*row, show.units, body["standard"]] for row in zip(*curve.values(), strict=True))
        return csv_response([*curve, "units", "standard"], rows)
    response = json_response(body, etag=version_etag(whole.session.version))
    response.vary.add("Accept")
    return response


def document(
    whole: WholeSession, setup: SetupRow, stored: SetupCurve, show: Figures, *, singles: bool
) -> dict[str, Any]:
    """The curve at the asked standard where that can be, else at the one it stands in."""
    air = mean_air(setup.temperature_c, setup.pressure_kpa, setup.vapour_kpa)
    ratio = ratio_to(show.standard, setup.level_standard, air, show.engine)
    counted = counted_of([pull for pull in whole.pulls if pull.setup_id == setup.setup_id])
    about: dict[str, Any] = {
        "session": f"/v1/sessions/{whole.session.id}",
        "setup": setup.n,
        "vehicle": whole.session.vehicle,
        "units": show.units,
        "standard": show.standard if ratio is not None else standard_of(setup.level_standard),
        "standing": show.standing(setup.level_standard, ratio, counted),
        "smoothing": dict(SMOOTHING),
        "pulls": setup.pulls,
    }
    if stored.torque_nm is None:
        return {**about, "curve": None, "restriction": None}
    level = 1.0 if ratio is None else ratio
    torque = stored.torque_nm * level
    if singles:
        own = [pull for pull in whole.pulls if pull.setup_id == setup.setup_id]
        grids = pull_grids(conn(), own, setup.level_standard, whole.session.ratio, whole.session.engine)
        about["singles"] = [single_document(pull, grid * level, torque, show.units) for pull, grid in grids]
    channels = dict(stored.channels)
    restriction = None
    if "map" in channels:
        if setup.pressure_kpa is not None:
            channels["boost"] = channels["map"] - setup.pressure_kpa
        restriction = intake_restriction(
            channels["map"],
            setup.pressure_kpa,
            whole.session.engine.aspiration,
            torque,
            channels.get("throttle"),
        )
    return {**about, **curve_document(torque, channels, restriction, show.units)}
