"""Who is asking, over HTTP: so that a page offers only what its visitor may do."""

from flask import Response

from service.api.answering import json_response
from service.api.context import caller, needs
from service.api.wire import Blueprint
from service.schemas.car_states import CallerDocument

blueprint = Blueprint("caller", __name__, description="Who is asking.")


@blueprint.get("/v1/caller")
@needs("read", "post")
@blueprint.response(200, CallerDocument)
def get_caller() -> Response:
    """Whose token this is, and what it may do; without a token `anyone` where reading is open."""
    asking = caller()
    return json_response(
        {
            "name": asking.name,
            "scope": asking.scope,
            "bay": asking.bay,
            "may_change": asking.may_change,
        }
    )
