"""Bays and their events over HTTP."""

from typing import Any

from flask import Response

from service.api.answering import Created, check_if_match, created_once, json_response, listed, version_etag
from service.api.context import caller, conn, needs, writing
from service.api.wire import Blueprint
from service.domain.errors import NotFound
from service.domain.resources import Bay, BayEvent
from service.ledger import resources as ledger
from service.schemas.queries import BayEventQuery, PageQuery
from service.schemas.resources import BayDocument, BayEventDocument
from service.store import bays as store
from service.store.db import Connection
from service.store.nearest import not_known

blueprint = Blueprint("bays", __name__, description="Dynamometers, and what was done to them.")
ONE = BayDocument()
CHANGE = BayDocument(partial=True)
COLUMNS = list(ONE.fields)
EVENT = BayEventDocument()
EVENT_CHANGE = BayEventDocument(partial=True)
EVENT_COLUMNS = list(EVENT.fields)


def found(slug: str) -> Bay:
    """The bay, or 404 naming the nearest."""
    bay = store.get_bay(conn(), slug)
    if bay is None:
        raise not_known(conn(), "bay", slug)
    return bay


@blueprint.get("/v1/bays")
@needs("read", "post")
@blueprint.arguments(PageQuery, location="query")
@blueprint.page(BayDocument, "A page, ordered by slug.")
def list_bays(query: dict[str, Any]) -> Response:
    """List bays."""
    rows = store.list_bays(conn(), after=query["after"], limit=query["limit"])
    more = rows[-1].slug if len(rows) == query["limit"] else None
    return listed([ONE.dump(row) for row in rows], last_key=more, columns=COLUMNS)


@blueprint.post("/v1/bays")
@needs("admin")
@blueprint.arguments(BayDocument)
@blueprint.response(201, BayDocument)
def add_bay(data: dict[str, Any]) -> Response:
    """Add a bay."""

    def create(connection: Connection) -> Created:
        new = Bay(**data)
        bay = ledger.add(connection, new, store.add_bay, who=caller().name, about=f"bays/{new.slug}")
        return ONE.dump(bay), f"/v1/bays/{bay.slug}", version_etag(bay.version)

    return created_once(create)


@blueprint.get("/v1/bays/<slug>")
@needs("read", "post")
@blueprint.response(200, BayDocument)
def get_bay(slug: str) -> Response:
    """Read a bay."""
    bay = found(slug)
    return json_response(ONE.dump(bay), etag=version_etag(bay.version))


@blueprint.patch("/v1/bays/<slug>")
@needs("admin")
@blueprint.arguments(CHANGE)
@blueprint.response(200, BayDocument)
def change_bay(data: dict[str, Any], slug: str) -> Response:
    """Change a bay (If-Match)."""
    with writing() as connection:
        bay = found(slug)
        check_if_match(bay.version)
        saved = ledger.change(
            connection,
            bay,
            data,
            store.save_bay,
            who=caller().name,
            about=f"bays/{slug}",
            renamed=f"bays/{data.get('slug', slug)}",
        )
    return json_response(ONE.dump(saved), etag=version_etag(saved.version))


def found_event(slug: str, event_id: int) -> BayEvent:
    """The bay's event, or 404."""
    event = store.get_event(conn(), found(slug).slug, event_id)
    if event is None:
        raise NotFound(f"event of {slug}", str(event_id))
    return event


def about_event(event: BayEvent) -> str:
    """Where an event stands in the history."""
    return f"bays/{event.bay}/events/{event.bay_event_id}"


@blueprint.get("/v1/bays/<slug>/events")
@needs("read", "post")
@blueprint.arguments(BayEventQuery, location="query")
@blueprint.page(BayEventDocument, "A page, in the order they happened.")
def list_events(query: dict[str, Any], slug: str) -> Response:
    """List what was done to a bay."""
    rows = store.list_events(conn(), found(slug).slug, after=query["after"], limit=query["limit"])
    full = len(rows) == query["limit"]
    more = f"{EVENT.dump(rows[-1])['at']}_{rows[-1].bay_event_id}" if full else None
    return listed([EVENT.dump(row) for row in rows], last_key=more, columns=EVENT_COLUMNS)


@blueprint.post("/v1/bays/<slug>/events")
@needs("admin")
@blueprint.arguments(BayEventDocument)
@blueprint.response(201, BayEventDocument)
def add_event(data: dict[str, Any], slug: str) -> Response:
    """Record that something was done to a bay: its level may step there."""
    bay = found(slug)

    def create(connection: Connection) -> Created:
        added = store.add_event(connection, BayEvent(bay=bay.slug, **data))
        ledger.add(connection, added, lambda _, event: event, who=caller().name, about=about_event(added))
        return EVENT.dump(added), f"/v1/bays/{slug}/events/{added.bay_event_id}", version_etag(added.version)

    return created_once(create)


@blueprint.get("/v1/bays/<slug>/events/<int:event_id>")
@needs("read", "post")
@blueprint.response(200, BayEventDocument)
def get_event(slug: str, event_id: int) -> Response:
    """Read one event of a bay."""
    event = found_event(slug, event_id)
    return json_response(EVENT.dump(event), etag=version_etag(event.version))


@blueprint.patch("/v1/bays/<slug>/events/<int:event_id>")
@needs("admin")
@blueprint.arguments(EVENT_CHANGE)
@blueprint.response(200, BayEventDocument)
def change_event(data: dict[str, Any], slug: str, event_id: int) -> Response:
    """Change one event of a bay (If-Match)."""
    with writing() as connection:
        event = found_event(slug, event_id)
        check_if_match(event.version)
        saved = ledger.change(
            connection, event, data, store.save_event, who=caller().name, about=about_event(event)
        )
    return json_response(EVENT.dump(saved), etag=version_etag(saved.version))
