"""A car's modifications over HTTP."""

from typing import Any

from flask import Response

from service.api import vehicles
from service.api.answering import Created, check_if_match, created_once, json_response, listed, version_etag
from service.api.context import caller, conn, needs, writing
from service.api.wire import Blueprint
from service.domain.errors import NotFound
from service.domain.records import Finding
from service.domain.resources import Modification
from service.ledger import modifications as ledger
from service.schemas.queries import ModificationQuery
from service.schemas.resources import ModificationDocument
from service.store import modifications as store
from service.store.db import Connection

blueprint = Blueprint(
    "modifications", __name__, description="What was fitted to a car when, and what was paid."
)
ONE = ModificationDocument()
CHANGE = ModificationDocument(partial=True)
COLUMNS = [name for name in ONE.fields if name != "checks"]


def shown(modification: Modification, findings: list[Finding] | None = None) -> dict[str, Any]:
    """A modification as a document; with its checks where they were made."""
    document: dict[str, Any] = ONE.dump(modification)
    if findings is not None:
        document["checks"] = [
            {"code": f.code, "level": f.level, "message": f.message, "pointer": f.pointer} for f in findings
        ]
    return document


def found(tag: str, modification_id: int) -> Modification:
    """The car's modification, or 404."""
    vehicle = vehicles.own(tag)
    modification = store.get_modification(conn(), vehicle.tag, modification_id)
    if modification is None:
        raise NotFound(f"modification of {tag}", str(modification_id))
    return modification


@blueprint.get("/v1/vehicles/<tag>/modifications")
@needs("read")
@blueprint.arguments(ModificationQuery, location="query")
@blueprint.page(ModificationDocument, "A page, in the order they were fitted.")
def list_modifications(query: dict[str, Any], tag: str) -> Response:
    """List a car's modifications."""
    vehicle = vehicles.own(tag)
    rows = store.list_modifications(conn(), vehicle.tag, after=query["after"], limit=query["limit"])
    full = len(rows) == query["limit"]
    more = f"{rows[-1].fitted_on.isoformat()}_{rows[-1].modification_id}" if full else None
    return listed([shown(row) for row in rows], last_key=more, columns=COLUMNS)


@blueprint.post("/v1/vehicles/<tag>/modifications")
@needs("admin")
@blueprint.arguments(ModificationDocument)
@blueprint.response(201, ModificationDocument)
def add_modification(data: dict[str, Any], tag: str) -> Response:
    """Record a modification."""
    vehicle = vehicles.own(tag)

    def create(connection: Connection) -> Created:
        added = ledger.add_modification(
            connection, Modification(vehicle=vehicle.tag, **data), who=caller().name
        )
        body = shown(added, ledger.checks(connection, added))
        return body, f"/v1/vehicles/{tag}/modifications/{added.modification_id}", version_etag(added.version)

    return created_once(create)


@blueprint.get("/v1/vehicles/<tag>/modifications/<int:modification_id>")
@needs("read")
@blueprint.response(200, ModificationDocument)
def get_modification(tag: str, modification_id: int) -> Response:
    """Read a modification."""
    modification = found(tag, modification_id)
    body = shown(modification, ledger.checks(conn(), modification))
    return json_response(body, etag=version_etag(modification.version))


@blueprint.patch("/v1/vehicles/<tag>/modifications/<int:modification_id>")
@needs("admin")
@blueprint.arguments(CHANGE)
@blueprint.response(200, ModificationDocument)
def change_modification(data: dict[str, Any], tag: str, modification_id: int) -> Response:
    """Change a modification (If-Match)."""
    with writing() as connection:
        modification = found(tag, modification_id)
        check_if_match(modification.version)
        saved = ledger.change_modification(connection, modification, data, who=caller().name)
        findings = ledger.checks(connection, saved)
    return json_response(shown(saved, findings), etag=version_etag(saved.version))
