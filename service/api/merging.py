"""Cars and parts recorded under two names, over HTTP: merged, and taken apart again."""

from typing import Any

from flask import Response, request

from service.api.answering import check_if_match, json_response, version_etag
from service.api.context import caller, needs, writing
from service.api.parts import found as found_part
from service.api.vehicles import found as found_vehicle
from service.api.wire import Blueprint
from service.ledger.merged_parts import Refitted, merge_part, unmerge_part
from service.ledger.merged_vehicles import Moved, merge_vehicle, unmerge_vehicle
from service.schemas.changes import Reason
from service.schemas.merging import MergeDocument, PartMergeAnswer, VehicleMergeAnswer

blueprint = Blueprint("merging", __name__, description="One car or part that was recorded under two names.")


@blueprint.post("/v1/vehicles/<tag>/merge")
@needs("admin")
@blueprint.arguments(MergeDocument)
@blueprint.response(200, VehicleMergeAnswer)
def merge_tag(data: dict[str, Any], tag: str) -> Response:
    """Merge a car that was recorded twice into its other record.

    Its sessions and modifications move there. The tag stays as an alias: it can be read and says where it leads, and what
    is posted under it is kept under the other, with a note in the answer. Refused (409) where the platforms differ, either
    was merged already, each has a VIN, or only one is a check car. An If-Match that is sent holds for the tag.
    """
    with writing() as connection:
        heeded(found_vehicle(tag).version)
        moved = merge_vehicle(connection, tag, data["into"], data["reason"], caller().name)
    return told_of_car(moved)


@blueprint.post("/v1/vehicles/<tag>/unmerge")
@needs("admin")
@blueprint.arguments(Reason)
@blueprint.response(200, VehicleMergeAnswer)
def unmerge_tag(data: dict[str, Any], tag: str) -> Response:
    """Take a merged tag apart again: the sessions and modifications that the merge moved go back, and no others.

    What was posted since, under either tag, stays with the car it was merged into.
    """
    with writing() as connection:
        heeded(found_vehicle(tag).version)
        moved = unmerge_vehicle(connection, tag, data["reason"], caller().name)
    return told_of_car(moved)


@blueprint.post("/v1/parts/<slug>/merge")
@needs("admin")
@blueprint.arguments(MergeDocument)
@blueprint.response(200, PartMergeAnswer)
def merge_slug(data: dict[str, Any], slug: str) -> Response:
    """Merge a part that was recorded twice into its other record: setups that carry it carry the other afterwards.

    The slug stays as an alias: it can be read, and what is posted with it is kept with the other, with a note in the answer.
    Refused (409) where the slots differ, either was merged already, or a setup lists both; it names those setups.
    """
    with writing() as connection:
        heeded(found_part(slug).version)
        done = merge_part(connection, slug, data["into"], data["reason"], caller().name)
    return told_of_part(done)


@blueprint.post("/v1/parts/<slug>/unmerge")
@needs("admin")
@blueprint.arguments(Reason)
@blueprint.response(200, PartMergeAnswer)
def unmerge_slug(data: dict[str, Any], slug: str) -> Response:
    """Take a merged part apart again: the setups that the merge changed carry what they were posted with, and no others."""
    with writing() as connection:
        heeded(found_part(slug).version)
        done = unmerge_part(connection, slug, data["reason"], caller().name)
    return told_of_part(done)


def heeded(version: int) -> None:
    """An If-Match that is sent holds, though none is needed."""
    if request.if_match:
        check_if_match(version)


def told_of_car(moved: Moved) -> Response:
    """What was moved."""
    body = {
        "tag": moved.vehicle.tag,
        "merged_into": moved.vehicle.merged_into,
        "sessions": [f"/v1/sessions/{id}" for id in moved.sessions],
        "modifications": moved.modifications,
        "stayed": moved.stayed,
    }
    return json_response(body, etag=version_etag(moved.vehicle.version))


def told_of_part(done: Refitted) -> Response:
    """What carries another part now."""
    body = {
        "slug": done.part.slug,
        "merged_into": done.part.merged_into,
        "setups": list(done.setups),
        "modifications": done.modifications,
        "stayed": done.stayed,
    }
    return json_response(body, etag=version_etag(done.part.version))
