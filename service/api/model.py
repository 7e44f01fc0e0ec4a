"""The history model in use, and how the bays agree, over HTTP."""

import time
from typing import Any

from flask import Response

from service.answers.bay_agreement import bay_agreement
from service.answers.model_report import model_report
from service.api.answering import csv_response, flat, json_response, wants_csv
from service.api.context import caller, conn, needs, read_conn
from service.api.modelled import as_of, current_model, kept_answer, version_of
from service.api.wire import Blueprint
from service.domain.errors import Unavailable
from service.schemas.model_queries import AgreementQuery, RefitDocument
from service.schemas.shop_documents import (
    AgreementAnswer,
    BayAgreementDocument,
    ModelAnswer,
    RefitAnswer,
    agreement_document,
    model_document,
)
from service.store.fits import ask_refit, is_granted

blueprint = Blueprint("model", __name__, description="The history model, and how far the bays agree.")
COLUMNS = list(BayAgreementDocument().fields)
LOOK_S = 0.25
"""How often it is looked whether a wish was granted (our choice)."""
LONGEST_WAIT_S = 60.0
"""A wait ends before the web server takes a silent request for hung (our choice)."""


@blueprint.get("/v1/model")
@needs("read")
@blueprint.response(200, ModelAnswer)
def get_model() -> Response:
    """The fit in use: when and from how much it was made, what readings differ by, what was trusted less."""
    return json_response(model_document(model_report(current_model())), etag="model")


@blueprint.post("/v1/model/refit")
@needs("admin")
@blueprint.arguments(RefitDocument)
@blueprint.alt_response(
    202, schema=RefitAnswer, success=True, description="Asked for; it is done in the background."
)
@blueprint.response(200, RefitAnswer, description="Done; answered only where `wait` was asked.")
def post_refit(data: dict[str, Any]) -> Response:
    """Ask for the variances to be estimated anew from all that is posted; the worker does it."""
    wish = ask_refit(conn(), caller().name)
    body = {"status": "asked", "asked_at": wish.asked_at.isoformat()}
    if not data["wait"]:
        return json_response(body, 202)
    until = time.monotonic() + LONGEST_WAIT_S
    while not is_granted(conn(), wish.wish_id):
        if time.monotonic() > until:
            raise Unavailable(
                "the model was not estimated yet; it is asked for and will be done when a worker runs (bayledger serve, or "
                "bayledger refit); GET /v1/model says when"
            )
        time.sleep(LOOK_S)
    return json_response({**body, "status": "done"})


@blueprint.get("/v1/bay-agreement")
@needs("read")
@blueprint.arguments(AgreementQuery, location="query")
@blueprint.alt_response(200, schema={"type": "string"}, content_type="text/csv", success=True)
@blueprint.response(200, AgreementAnswer)
def get_bay_agreement(query: dict[str, Any]) -> Response:
    """How far the bays agree: offsets, noise, drift, unrecorded steps, and the check car."""
    state = current_model()

    def document() -> dict[str, Any]:
        found = bay_agreement(read_conn(), query["level"], state)
        return {"as_of": as_of(state), **agreement_document(found)}

    if wants_csv():
        rows = document()["items"]
        return csv_response(COLUMNS, [[flat(row[name]) for name in COLUMNS] for row in rows])
    return kept_answer(version_of(state), document)
