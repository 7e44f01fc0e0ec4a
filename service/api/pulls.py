"""Pulls over HTTP: one pull, its curve, its strikes and confirmations."""

from typing import Any
from uuid import UUID

from flask import Response

from service.api.answering import csv_response, json_response, version_etag, wants_csv
from service.api.context import caller, conn, needs, writing
from service.api.sessions import changeable, figures, own, seen, session_response
from service.api.wire import Blueprint
from service.ledger import marking
from service.schemas.changes import PullChange, Reason, ReasonIfAny
from service.schemas.queries import ViewQuery
from service.schemas.session_documents import KeptSession
from service.schemas.setup_documents import KeptPull
from service.store import reading

blueprint = Blueprint("pulls", __name__, description="Single pulls and their curves.")


@blueprint.get("/v1/pulls/<int:pull_id>")
@needs("read", "post")
@blueprint.arguments(ViewQuery, location="query")
@blueprint.csv("One row a sample.")
@blueprint.response(200, KeptPull)
def get_pull(query: dict[str, Any], pull_id: int) -> Response:
    """Read a pull with its curve; as CSV, one row a sample."""
    pull, session, n = marking.pull_of(conn(), pull_id)
    whole = seen(session)
    show = figures(query).for_engine(whole.session.engine)
    curve = show.channels(reading.channels_of_pulls(conn(), [pull_id]).get(pull_id, {}))
    if wants_csv():
        # Channels are raw: in the document's units, and corrected only where they were posted so.
        basis = pull.basis_standard or "observed"
        rows = ([*row, show.units, basis] for row in zip(*curve.values(), strict=True))
        return csv_response([*curve, "units", "basis"], rows)
    about = {
        "session": f"/v1/sessions/{session}",
        "vehicle": whole.session.vehicle,
        "setup": n,
        "units": show.units,
    }
    body = {**show.pull(pull), **about, "curve": curve or None}
    response = json_response(body, etag=version_etag(whole.session.version))
    response.vary.add("Accept")
    return response


@blueprint.patch("/v1/pulls/<int:pull_id>")
@needs("post")
@blueprint.arguments(PullChange)
@blueprint.response(200, KeptSession)
def change_pull(data: dict[str, Any], pull_id: int) -> Response:
    """Amend what a pull counts as (If-Match with its session's ETag)."""
    with writing() as connection:
        _, session, _ = marking.pull_of(connection, pull_id)
        changeable(session)
        marking.amend_pull(connection, pull_id, data["status"], data["reason"], caller())
    return session_response(session, figures({}))


@blueprint.post("/v1/pulls/<int:pull_id>/strike")
@needs("post")
@blueprint.arguments(Reason)
@blueprint.response(200, KeptSession)
def strike_pull(data: dict[str, Any], pull_id: int) -> Response:
    """Strike a pull: it counts nowhere and can still be read."""
    return marked(pull_id, data["reason"])


@blueprint.post("/v1/pulls/<int:pull_id>/unstrike")
@needs("post")
@blueprint.arguments(ReasonIfAny, required=False)
@blueprint.response(200, KeptSession)
def unstrike_pull(data: dict[str, Any], pull_id: int) -> Response:
    """Take a pull's strike back, with a reason if there is one."""
    return marked(pull_id, None, data["reason"])


def marked(pull_id: int, struck: str | None, back: str | None = None) -> Response:
    """A pull struck or unstruck, and its session as it stands then."""
    with writing() as connection:
        own(marking.pull_of(connection, pull_id)[1])
        session: UUID = marking.strike_pull(connection, pull_id, struck, caller(), back)
    return session_response(session, figures({}))


@blueprint.post("/v1/pulls/<int:pull_id>/confirm")
@needs("post")
@blueprint.arguments(Reason)
@blueprint.response(200, KeptSession)
def confirm_pull(data: dict[str, Any], pull_id: int) -> Response:
    """Clear the doubts that stand against a pull, with a reason."""
    with writing() as connection:
        own(marking.pull_of(connection, pull_id)[1])
        session = marking.confirm_pull(connection, pull_id, data["reason"], caller())
    return session_response(session, figures({}))


@blueprint.post("/v1/pulls/<int:pull_id>/unconfirm")
@needs("post")
@blueprint.arguments(Reason)
@blueprint.response(200, KeptSession)
def unconfirm_pull(data: dict[str, Any], pull_id: int) -> Response:
    """Take a confirmation back, with a reason: the doubts stand against the pull again."""
    with writing() as connection:
        own(marking.pull_of(connection, pull_id)[1])
        session = marking.unconfirm_pull(connection, pull_id, data["reason"], caller())
    return session_response(session, figures({}))
