"""Parts over HTTP."""

from typing import Any

from flask import Response

from service.api.answering import Created, check_if_match, created_once, json_response, listed, version_etag
from service.api.context import caller, conn, needs, writing
from service.api.vehicles import known_of, refuse_alias
from service.api.wire import Blueprint
from service.domain.resources import PartSheet
from service.ledger import parts as ledger
from service.ledger.merged_parts import known
from service.schemas.queries import PartQuery
from service.schemas.resources import PartDocument
from service.store import parts as store
from service.store.db import Connection
from service.store.nearest import not_known
from service.store.slots import unknown_slots

blueprint = Blueprint("parts", __name__, description="Parts as the counter knows them.")
ONE = PartDocument()
CHANGE = PartDocument(partial=True)
MERGED = ("merged_into", "merged_from")
COLUMNS = [name for name in ONE.fields if name not in MERGED]


def shown(part: PartSheet) -> dict[str, Any]:
    """A part as a document."""
    return known_of(ONE.dump(part), MERGED)


def found(slug: str) -> PartSheet:
    """The part, or 404 naming the nearest."""
    return known(conn(), slug)


@blueprint.get("/v1/parts")
@needs("read", "post")
@blueprint.arguments(PartQuery, location="query")
@blueprint.page(PartDocument, "A page, ordered by slug.")
def list_parts(query: dict[str, Any]) -> Response:
    """List parts."""
    slot = query["slot"]
    if slot is not None and unknown_slots(conn(), [slot]):
        raise not_known(conn(), "slot", slot)
    rows = store.list_parts(conn(), after=query["after"], limit=query["limit"], q=query["q"], slot=slot)
    more = rows[-1].slug if len(rows) == query["limit"] else None
    return listed([shown(row) for row in rows], last_key=more, columns=COLUMNS)


@blueprint.post("/v1/parts")
@needs("admin")
@blueprint.arguments(PartDocument)
@blueprint.response(201, PartDocument)
def add_part(data: dict[str, Any]) -> Response:
    """Add a part."""

    def create(connection: Connection) -> Created:
        part = ledger.add_part(connection, PartSheet(**data), who=caller().name)
        return shown(part), f"/v1/parts/{part.slug}", version_etag(part.version)

    return created_once(create)


@blueprint.get("/v1/parts/<slug>")
@needs("read", "post")
@blueprint.response(200, PartDocument)
def get_part(slug: str) -> Response:
    """Read a part."""
    part = found(slug)
    return json_response(shown(part), etag=version_etag(part.version))


@blueprint.patch("/v1/parts/<slug>")
@needs("admin")
@blueprint.arguments(CHANGE)
@blueprint.response(200, PartDocument)
def change_part(data: dict[str, Any], slug: str) -> Response:
    """Change a part (If-Match)."""
    with writing() as connection:
        part = found(slug)
        check_if_match(part.version)
        refuse_alias("part", part.slug, part.merged_into)
        saved = ledger.change_part(connection, part, data, who=caller().name)
    return json_response(shown(saved), etag=version_etag(saved.version))
