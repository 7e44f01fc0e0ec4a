"""Who changed what, over HTTP."""

from typing import Any

from flask import Response

from service.api.answering import listed
from service.api.context import conn, needs
from service.api.wire import Blueprint
from service.schemas.queries import HistoryQuery
from service.schemas.resources import HistoryDocument
from service.store import history as store

blueprint = Blueprint("history", __name__, description="Who changed what, when, from what to what.")
ONE = HistoryDocument()
COLUMNS = list(ONE.fields)


@blueprint.get("/v1/history")
@needs("read")
@blueprint.arguments(HistoryQuery, location="query")
@blueprint.page(HistoryDocument, "A page, newest first.")
def list_history(query: dict[str, Any]) -> Response:
    """List the changes of one resource and of what lies below it, or of all."""
    rows = store.history_about(conn(), query["about"], before_id=query["after"], limit=query["limit"])
    more = str(rows[-1].history_id) if len(rows) == query["limit"] else None
    return listed([ONE.dump(row) for row in rows], last_key=more, columns=COLUMNS)
