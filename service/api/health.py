"""Whether the service runs and can be used; open to all, for whatever watches over it."""

from flask import Response

from service.api.answering import json_response
from service.api.context import ledger
from service.api.wire import Blueprint
from service.domain.errors import Unavailable
from service.schemas.resources import StatusDocument
from service.store.readiness import not_ready

blueprint = Blueprint("health", __name__, description="Whether the service runs and can be used.")


@blueprint.get("/v1/health")
@blueprint.doc(security=[])
@blueprint.response(200, StatusDocument)
def health() -> Response:
    """Say that the process is up."""
    return json_response({"status": "up"}, Cache_Control="no-store")


@blueprint.get("/v1/ready")
@blueprint.doc(security=[])
@blueprint.response(200, StatusDocument)
@blueprint.alt_response(503, "SERVICE_UNAVAILABLE")
def ready() -> Response:
    """Say whether the database is reachable and migrated."""
    reason = not_ready(ledger().connect)
    if reason is not None:
        raise Unavailable(reason)
    return json_response({"status": "ready"}, Cache_Control="no-store")
