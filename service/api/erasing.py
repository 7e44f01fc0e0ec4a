"""Erasing a car's identity over HTTP."""

from typing import Any

from flask import Response

from service.api.answering import json_response
from service.api.context import caller, needs, writing
from service.api.wire import Blueprint
from service.ledger import erasing as ledger
from service.schemas.erasing import SAYS, EraseAnswer, EraseDocument

blueprint = Blueprint("erasing", __name__, description="Forgetting whose car it was.")


@blueprint.post("/v1/vehicles/<tag>/erase")
@needs("admin")
@blueprint.arguments(EraseDocument)
@blueprint.response(200, EraseAnswer)
def erase_vehicle(data: dict[str, Any], tag: str) -> Response:
    """Erase a car's identity for good; what was measured stays pooled under an invented tag, and no answer moves.

    It cannot be undone. Tags that were merged into it go with it; a tag that was itself merged into another is refused (409).
    The reason stays on record and must not name the car.
    """
    with writing() as connection:
        erased = ledger.erase_vehicle(connection, tag, data["reason"], caller().name)
    return json_response({"erased_at": erased.at.isoformat(), "sessions": erased.sessions, "says": SAYS})
