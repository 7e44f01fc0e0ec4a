"""Sessions and setups over HTTP."""

from datetime import datetime
from typing import Any
from uuid import UUID

import orjson
from flask import Response, g, request
from werkzeug.exceptions import Forbidden

from service.api.answering import (
    Created,
    check_if_match,
    created_once,
    json_response,
    listed,
    no_such_page,
    version_etag,
)
from service.api.context import caller, conn, needs, now, shop, writing
from service.api.wire import Blueprint
from service.domain.errors import NotFound
from service.ledger import marking
from service.ledger.kept import whole_session
from service.ledger.post import post_session
from service.schemas.changes import Reason, ReasonIfAny, SessionChange, SetupChange
from service.schemas.queries import SessionQuery, ViewQuery
from service.schemas.session_documents import Figures, KeptSession, SessionDocument, finding
from service.schemas.sessions import SessionPost
from service.schemas.setup_documents import KeptSetup
from service.store import reading
from service.store.db import Connection
from service.store.reading import WholeSession
from service.store.vehicles import own_tag

blueprint = Blueprint("sessions", __name__, description="What was measured: sessions, setups, pulls.")
SESSION_COLUMNS = (
    "id", "vehicle", "platform", "bay", "started_at", "operator", "gear", "ratio", "tyre_size", "tyre_pressure",
    "sequence", "received_at", "posted_by", "struck", "units",
)  # fmt: skip


def figures(query: dict[str, Any]) -> Figures:
    """The units and standard of an answer: as asked, else the shop's."""
    return Figures(query.get("units") or shop()["units"], query.get("standard") or shop()["standard"])


def document(whole: WholeSession, show: Figures) -> dict[str, Any]:
    """A session as a document."""
    show = show.for_engine(whole.session.engine)
    by_setup: dict[int, list[reading.PullRow]] = {}
    for pull in whole.pulls:
        by_setup.setdefault(pull.setup_id, []).append(pull)
    return {
        **show.session(whole.session),
        "units": show.units,
        "standard": show.standard,
        "setups": [show.setup(setup, by_setup.get(setup.setup_id, [])) for setup in whole.setups],
        "checks": [finding(row) for row in whole.findings],
        "pairs": [show.pair(pair) for pair in whole.pairs],
    }


def session_response(id: UUID, show: Figures) -> Response:
    """A session as it stands now."""
    whole = whole_session(conn(), id)
    return json_response(document(whole, show), etag=version_etag(whole.session.version))


def seen(id: UUID) -> WholeSession:
    """A session that the caller may read: a bay's token what its own bay posted, and any car's last session."""
    whole, asking = whole_session(conn(), id), caller()
    if asking.scope == "post" and asking.bay is not None and whole.session.bay != asking.bay:
        last = reading.list_sessions(conn(), before=None, limit=1, vehicle=whole.session.vehicle)
        if not last or last[0].id != id:
            raise NotFound("session of this bay", str(id))
    return whole


def setup_of(whole: WholeSession, n: int) -> reading.SetupRow:
    """A setup of a session by its number, or 404 naming those there are."""
    setup = next((setup for setup in whole.setups if setup.n == n), None)
    if setup is None:
        numbers = ", ".join(str(one.n) for one in whole.setups)
        raise NotFound("setup", f"{n} of session {whole.session.id}, which has {numbers}")
    return setup


def after_key(text: str | None) -> tuple[datetime, int] | None:
    """The key of the last session of the page before."""
    if text is None:
        return None
    at, _, key = text.rpartition("~")
    try:
        return datetime.fromisoformat(at), int(key)
    except ValueError:
        raise no_such_page() from None


LAST_OF_CAR = "any bay, newest only"


def listed_bay(query: dict[str, Any]) -> str | None:
    """Whose sessions the caller may list: a bay's token its own bay's, and any car's newest one by its tag."""
    asking = caller()
    if asking.scope != "post" or asking.bay is None:
        bay: str | None = query["bay"]
        return bay
    if query["bay"] not in (None, asking.bay):
        raise Forbidden(f"this token reads what the bay {asking.bay} posted, not {query['bay']}")
    return LAST_OF_CAR if query["vehicle"] and query["bay"] is None else asking.bay


@blueprint.get("/v1/sessions")
@needs("read", "post")
@blueprint.arguments(SessionQuery, location="query")
@blueprint.page(SessionDocument, "A page, newest first.", units=True)
def list_sessions(query: dict[str, Any]) -> Response:
    """List sessions, newest first."""
    bay = listed_bay(query)
    rows = reading.list_sessions(
        conn(),
        before=after_key(query["after"]),
        limit=1 if bay is LAST_OF_CAR else query["limit"],
        vehicle=query["vehicle"] and own_tag(conn(), query["vehicle"]),
        platform=query["platform"],
        bay=None if bay is LAST_OF_CAR else bay,
        since=query["since"],
    )
    show = figures(query)
    full = len(rows) == query["limit"] and bay is not LAST_OF_CAR
    more = f"{rows[-1].started_at.isoformat()}~{rows[-1].session_id}" if full else None
    return listed(
        [{**show.session(row), "units": show.units} for row in rows],
        last_key=more,
        units=show.units,
        columns=SESSION_COLUMNS,
    )


@blueprint.post("/v1/sessions")
@needs("post")
@blueprint.arguments(SessionPost)
@blueprint.response(201, KeptSession)
def add_session(session: Any) -> Response:
    """Post a session: kept whole, corrected, checked and paired, or refused whole."""
    show = Figures(g.body["units"], shop()["standard"])
    replayed = False

    def create(connection: Connection) -> Created:
        nonlocal replayed
        kept = post_session(
            connection, session, content=content_of(g.body), caller=caller(), shop=shop(), now=now()
        )
        replayed = kept.replayed
        session_kept = kept.whole.session
        return (
            document(kept.whole, show),
            f"/v1/sessions/{session_kept.id}",
            version_etag(session_kept.version),
        )

    response = created_once(create)
    if replayed:
        response.headers["Idempotency-Replayed"] = "true"
    return response


def content_of(body: dict[str, Any]) -> bytes:
    """What makes two posts the same session: all that was measured, however it was spaced and ordered.

    `clock` is the bay's time at contact and differs at every attempt; `id` is a name, not a measurement.
    """
    measured = {name: value for name, value in body.items() if name not in ("clock", "id")}
    return orjson.dumps(measured, option=orjson.OPT_SORT_KEYS)


@blueprint.get("/v1/sessions/<uuid:id>")
@needs("read", "post")
@blueprint.arguments(ViewQuery, location="query")
@blueprint.response(200, KeptSession)
def get_session(query: dict[str, Any], id: UUID) -> Response:
    """Read a session with its setups, pulls, checks and pairs."""
    whole = seen(id)
    return json_response(document(whole, figures(query)), etag=version_etag(whole.session.version))


@blueprint.patch("/v1/sessions/<uuid:id>")
@needs("post")
@blueprint.arguments(SessionChange)
@blueprint.response(200, KeptSession)
def change_session(data: dict[str, Any], id: UUID) -> Response:
    """Amend a strap-down (If-Match): another car, time, gear, tyres, operator."""
    data.pop("units", None)
    why = data.pop("reason")
    with writing() as connection:
        marking.hold_cars(connection, id, data.get("vehicle"))
        changeable(id)
        marking.amend_session(connection, id, data, why, caller(), now())
    return session_response(id, figures({}))


@blueprint.get("/v1/sessions/<uuid:id>/setups/<int:n>")
@needs("read", "post")
@blueprint.arguments(ViewQuery, location="query")
@blueprint.response(200, KeptSetup)
def get_setup(query: dict[str, Any], id: UUID, n: int) -> Response:
    """Read one setup with its pulls."""
    whole = seen(id)
    session, place = document(whole, figures(query)), whole.setups.index(setup_of(whole, n))
    about = {
        name: session[name]
        for name in ("id", "vehicle", "platform", "bay", "started_at", "units", "standard")
    }
    return json_response(
        {"session": about, **session["setups"][place]}, etag=version_etag(whole.session.version)
    )


@blueprint.patch("/v1/sessions/<uuid:id>/setups/<int:n>")
@needs("post")
@blueprint.arguments(SetupChange)
@blueprint.response(200, KeptSession)
def change_setup(data: dict[str, Any], id: UUID, n: int) -> Response:
    """Amend a setup (If-Match): label, parts, fuel, how sure its part list is."""
    why = data.pop("reason")
    data.update(data.pop("fuel", {}))
    with writing() as connection:
        changeable(id)
        marking.amend_setup(connection, id, n, data, why, caller())
    return session_response(id, figures({}))


def own(id: UUID) -> int:
    """The version of a session, held for a change; a bay's token changes only what its own bay posted.

    An If-Match that is sent holds, also where none is needed.
    """
    held = marking.held(conn(), id)
    asking = caller()
    if asking.bay is not None and whole_session(conn(), id).session.bay != asking.bay:
        raise NotFound("session of this bay", str(id))
    if request.if_match:
        check_if_match(held.version)
    return held.version


def changeable(id: UUID) -> None:
    """The caller may change this session, and names its newest version."""
    check_if_match(own(id))


@blueprint.post("/v1/sessions/<uuid:id>/strike")
@needs("post")
@blueprint.arguments(Reason)
@blueprint.response(200, KeptSession)
def strike_session(data: dict[str, Any], id: UUID) -> Response:
    """Strike a session: it counts nowhere and can still be read."""
    with writing() as connection:
        own(id)
        marking.strike_session(connection, id, data["reason"], caller())
    return session_response(id, figures({}))


@blueprint.post("/v1/sessions/<uuid:id>/unstrike")
@needs("post")
@blueprint.arguments(ReasonIfAny, required=False)
@blueprint.response(200, KeptSession)
def unstrike_session(data: dict[str, Any], id: UUID) -> Response:
    """Take a session's strike back, with a reason if there is one."""
    with writing() as connection:
        own(id)
        marking.strike_session(connection, id, None, caller(), data["reason"])
    return session_response(id, figures({}))


@blueprint.post("/v1/sessions/<uuid:id>/setups/<int:n>/strike")
@needs("post")
@blueprint.arguments(Reason)
@blueprint.response(200, KeptSession)
def strike_setup(data: dict[str, Any], id: UUID, n: int) -> Response:
    """Strike a setup."""
    with writing() as connection:
        own(id)
        marking.strike_setup(connection, id, n, data["reason"], caller())
    return session_response(id, figures({}))


@blueprint.post("/v1/sessions/<uuid:id>/setups/<int:n>/unstrike")
@needs("post")
@blueprint.arguments(ReasonIfAny, required=False)
@blueprint.response(200, KeptSession)
def unstrike_setup(data: dict[str, Any], id: UUID, n: int) -> Response:
    """Take a setup's strike back, with a reason if there is one."""
    with writing() as connection:
        own(id)
        marking.strike_setup(connection, id, n, None, caller(), data["reason"])
    return session_response(id, figures({}))
