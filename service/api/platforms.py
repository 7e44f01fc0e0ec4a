"""Platforms over HTTP."""

from typing import Any

from flask import Response

from service.api.answering import Created, check_if_match, created_once, json_response, listed, version_etag
from service.api.context import caller, chosen_units, conn, needs, shop, writing
from service.api.wire import Blueprint
from service.domain.resources import Platform
from service.ledger import platforms as changing
from service.ledger import resources as ledger
from service.schemas.fields import units_of
from service.schemas.queries import SearchQuery, UnitsQuery
from service.schemas.resources import PlatformDocument
from service.store import platforms as store
from service.store.db import Connection
from service.store.nearest import not_known

blueprint = Blueprint(
    "platforms", __name__, description="Kinds of car: engine, gearbox, drive and market rating."
)
ONE = PlatformDocument()
CHANGE = PlatformDocument(partial=True)
COLUMNS = [name for name in ONE.fields if name != "units"] + ["units"]


def shown(platform: Platform, units: str) -> dict[str, Any]:
    """A platform as a document in the given units."""
    with units_of(units):
        return {**ONE.dump(platform), "units": units}


def found(slug: str) -> Platform:
    """The platform, or 404 naming the nearest."""
    platform = store.get_platform(conn(), slug)
    if platform is None:
        raise not_known(conn(), "platform", slug)
    return platform


def values(data: dict[str, Any]) -> dict[str, Any]:
    """A loaded document without its units."""
    return {name: value for name, value in data.items() if name != "units"}


@blueprint.get("/v1/platforms")
@needs("read", "post")
@blueprint.arguments(SearchQuery, location="query")
@blueprint.page(PlatformDocument, "A page, ordered by slug.", units=True)
def list_platforms(query: dict[str, Any]) -> Response:
    """List platforms."""
    units = chosen_units(query)
    rows = store.list_platforms(conn(), after=query["after"], limit=query["limit"], q=query["q"])
    more = rows[-1].slug if len(rows) == query["limit"] else None
    return listed([shown(row, units) for row in rows], last_key=more, units=units, columns=COLUMNS)


@blueprint.post("/v1/platforms")
@needs("admin")
@blueprint.arguments(PlatformDocument)
@blueprint.response(201, PlatformDocument)
def add_platform(data: dict[str, Any]) -> Response:
    """Add a platform."""

    def create(connection: Connection) -> Created:
        new = Platform(**values(data))
        platform = ledger.add(
            connection, new, store.add_platform, who=caller().name, about=f"platforms/{new.slug}"
        )
        body = shown(platform, chosen_units(data))
        return body, f"/v1/platforms/{platform.slug}", version_etag(platform.version)

    return created_once(create)


@blueprint.get("/v1/platforms/<slug>")
@needs("read", "post")
@blueprint.arguments(UnitsQuery, location="query")
@blueprint.response(200, PlatformDocument)
def get_platform(query: dict[str, Any], slug: str) -> Response:
    """Read a platform."""
    platform = found(slug)
    return json_response(shown(platform, chosen_units(query)), etag=version_etag(platform.version))


@blueprint.patch("/v1/platforms/<slug>")
@needs("admin")
@blueprint.arguments(CHANGE)
@blueprint.response(200, PlatformDocument)
def change_platform(data: dict[str, Any], slug: str) -> Response:
    """Change a platform (If-Match)."""
    with writing() as connection:
        platform = found(slug)
        check_if_match(platform.version)
        saved = changing.change_platform(connection, platform, values(data), who=caller().name)
    return json_response(shown(saved, data.get("units") or shop()["units"]), etag=version_etag(saved.version))
