"""Vehicles over HTTP. A VIN comes in, its keyed hash is kept, and nothing of it goes out."""

from collections.abc import Sequence
from typing import Any

from flask import Response
from werkzeug.exceptions import Forbidden

from service.api.answering import Created, check_if_match, created_once, json_response, listed, version_etag
from service.api.context import caller, conn, needs, writing
from service.api.context import ledger as lent
from service.api.wire import Blueprint
from service.domain.errors import Conflict, NotFound
from service.domain.resources import Vehicle
from service.domain.vin import VinNote, vin_hash, vin_notes
from service.ledger import vehicles as ledger
from service.schemas.queries import VehicleQuery
from service.schemas.resources import VehicleDocument
from service.store import vehicles as store
from service.store.db import Connection
from service.store.nearest import nearest, not_known
from service.store.platforms import get_platform

blueprint = Blueprint("vehicles", __name__, description="Cars, by the shop's own tags.")
ONE = VehicleDocument()
CHANGE = VehicleDocument(partial=True)
MENDED = ("merged_into", "merged_from", "erased_at")
COLUMNS = ["tag", "platform", "model_year", "odometer_km", "check_car", "vin_known"]


def shown(vehicle: Vehicle, notes: Sequence[VinNote] | None = None) -> dict[str, Any]:
    """A vehicle as a document; with what looks odd about a VIN where one was just sent."""
    document = {**known_of(ONE.dump(vehicle), MENDED), "vin_known": vehicle.vin_hash is not None}
    if notes is not None:
        document["notes"] = [
            {"code": note.code, "level": "note", "message": note.message, "pointer": "/vin"} for note in notes
        ]
    return document


def known_of(document: dict[str, Any], names: Sequence[str]) -> dict[str, Any]:
    """A document without those of the named fields that say nothing: most records were never mended."""
    return {name: value for name, value in document.items() if name not in names or value}


def found(tag: str) -> Vehicle:
    """The vehicle, or 404; the nearest are named to those who post, other people's cars to nobody else."""
    vehicle = store.get_vehicle(conn(), tag)
    if vehicle is None:
        raise NotFound("vehicle", tag, nearest(conn(), "vehicle", tag) if caller().may_change else None)
    return vehicle


def own(tag: str) -> Vehicle:
    """The car that a tag stands for: another one where it was merged into that."""
    vehicle = found(tag)
    return vehicle if vehicle.merged_into is None else found(vehicle.merged_into)


def values(data: dict[str, Any]) -> dict[str, Any]:
    """A loaded document as the fields of the record: the VIN only as its hash."""
    fields = {name: value for name, value in data.items() if name not in ("vin", "confirm")}
    if "vin" in data:
        vin = data["vin"]
        fields["vin_hash"] = None if vin is None else vin_hash(vin, lent().vin_key)
    return fields


def refuse_alias(kind: str, name: str, merged_into: str | None) -> None:
    """What was merged into another is changed there."""
    if merged_into is not None:
        raise Conflict(
            f"{name} was merged into {merged_into}: change that {kind}, or unmerge {name} first "
            f"(POST /v1/{kind}s/{name}/unmerge)"
        )


def notes_on(data: dict[str, Any]) -> list[VinNote]:
    """What looks odd about the VIN sent, if one was."""
    return list(vin_notes(data["vin"])) if data.get("vin") else []


@blueprint.get("/v1/vehicles")
@needs("read", "post")
@blueprint.arguments(VehicleQuery, location="query")
@blueprint.page(VehicleDocument, "A page, ordered by tag.")
def list_vehicles(query: dict[str, Any]) -> Response:
    """List vehicles."""
    platform = query["platform"]
    if platform is not None and get_platform(conn(), platform) is None:
        raise not_known(conn(), "platform", platform)
    rows = store.list_vehicles(
        conn(), after=query["after"], limit=query["limit"], q=query["q"], platform=platform
    )
    more = rows[-1].tag if len(rows) == query["limit"] else None
    return listed([shown(row) for row in rows], last_key=more, columns=COLUMNS)


@blueprint.post("/v1/vehicles")
@needs("post")
@blueprint.arguments(VehicleDocument)
@blueprint.response(201, VehicleDocument)
def add_vehicle(data: dict[str, Any]) -> Response:
    """Add a vehicle: a bay's token too, for a customer nobody has seen before.

    Changing one needs a token of scope admin, and so does making it a check car.
    """
    if data.get("check_car") and caller().scope != "admin":
        raise Forbidden(
            "check_car needs scope admin: leave it out, and let the shop's admin set it afterwards"
        )

    def create(connection: Connection) -> Created:
        vehicle = ledger.add_vehicle(
            connection, Vehicle(**values(data)), confirmed=data.get("confirm", False), who=caller().name
        )
        return shown(vehicle, notes_on(data)), f"/v1/vehicles/{vehicle.tag}", version_etag(vehicle.version)

    return created_once(create)


@blueprint.get("/v1/vehicles/<tag>")
@needs("read", "post")
@blueprint.response(200, VehicleDocument)
def get_vehicle(tag: str) -> Response:
    """Read a vehicle; a tag that was merged into another says so in `merged_into`, where all that was measured is."""
    vehicle = found(tag)
    response = json_response(shown(vehicle), etag=version_etag(vehicle.version))
    if vehicle.merged_into is not None:
        response.headers["Link"] = f'</v1/vehicles/{vehicle.merged_into}>; rel="canonical"'
    return response


@blueprint.patch("/v1/vehicles/<tag>")
@needs("admin")
@blueprint.arguments(CHANGE)
@blueprint.response(200, VehicleDocument)
def change_vehicle(data: dict[str, Any], tag: str) -> Response:
    """Change a vehicle (If-Match)."""
    with writing() as connection:
        vehicle = found(tag)
        check_if_match(vehicle.version)
        refuse_alias("vehicle", vehicle.tag, vehicle.merged_into)
        saved = ledger.change_vehicle(
            connection, vehicle, values(data), confirmed=data.get("confirm", False), who=caller().name
        )
    return json_response(shown(saved, notes_on(data)), etag=version_etag(saved.version))
