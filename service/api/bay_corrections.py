"""Corrections of a bay's figures over HTTP: made, listed, taken back."""

from typing import Any

from flask import Response

from service.api.answering import Created, created_once, json_response, listed, version_etag
from service.api.bays import found
from service.api.context import caller, chosen_units, conn, needs, shop, writing
from service.api.wire import Blueprint
from service.ledger import bay_corrections as ledger
from service.schemas.bay_corrections import (
    COLUMNS,
    BayCorrectionDocument,
    BayCorrectionQuery,
    correction_document,
    correction_values,
)
from service.schemas.changes import Reason
from service.schemas.queries import UnitsQuery
from service.store import bay_corrections as store
from service.store.db import Connection

blueprint = Blueprint("bay_corrections", __name__, description="A bay's figures, found wrong for a period.")


def document(correction: store.BayCorrection, units: str, connection: Connection) -> dict[str, Any]:
    """A correction with how many pulls rest on it."""
    return correction_document(correction, units, store.count_pulls(connection, correction.correction_id))


@blueprint.get("/v1/bays/<slug>/corrections")
@needs("read", "post")
@blueprint.arguments(BayCorrectionQuery, location="query")
@blueprint.page(BayCorrectionDocument, "A page, in the order they were made.", units=True)
def list_corrections(query: dict[str, Any], slug: str) -> Response:
    """List what was found to be wrong with a bay's figures, also what was taken back."""
    units = chosen_units(query)
    rows = store.list_corrections(conn(), found(slug).slug, after=query["after"], limit=query["limit"])
    more = str(rows[-1].correction_id) if len(rows) == query["limit"] else None
    return listed(
        [correction_document(row, units) for row in rows], last_key=more, units=units, columns=COLUMNS
    )


@blueprint.post("/v1/bays/<slug>/corrections")
@needs("admin")
@blueprint.arguments(BayCorrectionDocument)
@blueprint.response(201, BayCorrectionDocument)
def add_correction(data: dict[str, Any], slug: str) -> Response:
    """Correct a bay's figures of a period: every pull that began in it is derived anew, as if the bay had been right.

    What was posted stays as it is, and is corrected alike when it is posted later. A period that shares a moment with
    another correction of the bay is refused (409); one that was taken back does not count.
    """
    units = chosen_units(data)

    def create(connection: Connection) -> Created:
        made = ledger.add_correction(connection, slug, correction_values(data), caller().name)
        address = f"/v1/bays/{slug}/corrections/{made.correction_id}"
        return document(made, units, connection), address, version_etag(made.version)

    return created_once(create)


@blueprint.get("/v1/bays/<slug>/corrections/<int:correction_id>")
@needs("read", "post")
@blueprint.arguments(UnitsQuery, location="query")
@blueprint.response(200, BayCorrectionDocument)
def get_correction(query: dict[str, Any], slug: str, correction_id: int) -> Response:
    """Read one correction of a bay, and how many pulls' figures rest on it."""
    correction = ledger.found(conn(), found(slug).slug, correction_id)
    body = document(correction, chosen_units(query), conn())
    return json_response(body, etag=version_etag(correction.version))


@blueprint.post("/v1/bays/<slug>/corrections/<int:correction_id>/undo")
@needs("admin")
@blueprint.arguments(Reason)
@blueprint.response(200, BayCorrectionDocument)
def undo_correction(data: dict[str, Any], slug: str, correction_id: int) -> Response:
    """Take a correction back: its pulls' figures rest on what was posted again. It can still be read."""
    with writing() as connection:
        correction = ledger.undo_correction(connection, slug, correction_id, data["reason"], caller().name)
        body = document(correction, shop()["units"], connection)
    return json_response(body, etag=version_etag(correction.version))
