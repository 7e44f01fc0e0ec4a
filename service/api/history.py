"""Who changed what, over HTTP."""

import re
from typing import Any
from uuid import UUID

from flask import Response
from werkzeug.exceptions import Forbidden

from service.api.answering import listed
from service.api.context import caller, conn, needs
from service.api.sessions import seen
from service.api.wire import Blueprint
from service.schemas.queries import HistoryQuery
from service.schemas.resources import HistoryDocument
from service.store import history as store

blueprint = Blueprint("history", __name__, description="Who changed what, when, from what to what.")
ONE = HistoryDocument()
COLUMNS = list(ONE.fields)


@blueprint.get("/v1/history")
@needs("read", "post")
@blueprint.arguments(HistoryQuery, location="query")
@blueprint.page(HistoryDocument, "A page, newest first.")
def list_history(query: dict[str, Any]) -> Response:
    """List the changes of one resource and of what lies below it, or of all; a bay's token those of a session it sees."""
    if caller().scope == "post":
        about_a_seen_session(query["about"] or "")
    rows = store.history_about(conn(), query["about"], before_id=query["after"], limit=query["limit"])
    more = str(rows[-1].history_id) if len(rows) == query["limit"] else None
    return listed([ONE.dump(row) for row in rows], last_key=more, columns=COLUMNS)


def about_a_seen_session(about: str) -> None:
    """A token of scope post reads the history of the sessions it may read, and no other."""
    named = re.match(r"sessions/([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})(?:/|\Z)", about)
    if named is None:
        raise Forbidden("a token of scope post reads the history of a session: ?about=sessions/<id>")
    seen(UUID(named[1]))
