"""The review of a session over HTTP: what a bay is told right after a post."""

from typing import Any
from uuid import UUID

from flask import Response

from service.answers.review import session_review
from service.api.answering import json_response, version_etag
from service.api.context import chosen_standard, chosen_units, conn, ledger, needs, shop
from service.api.sessions import seen
from service.api.wire import Blueprint
from service.schemas.queries import ViewQuery
from service.schemas.review import ReviewAnswer, review_document

blueprint = Blueprint("review", __name__, description="What a bay is told while the car is strapped down.")


@blueprint.get("/v1/sessions/<uuid:id>/review")
@needs("read", "post")
@blueprint.arguments(ViewQuery, location="query")
@blueprint.response(200, ReviewAnswer)
def get_review(query: dict[str, Any], id: UUID) -> Response:
    """Review a session in plain words: do its pulls agree, what moved, which to repeat, what its pairs show.

    Meant for the bay while the car is strapped down. The same answer later: only what was cleared, struck, set or
    measured on other stock cars since moves it. Findings' messages are in SI.
    """
    whole = seen(id)
    units, standard = chosen_units(query), chosen_standard(query)
    review = session_review(conn(), whole, standard, shop(), ledger().answers.evidence)
    return json_response(review_document(review, units), etag=version_etag(whole.session.version))
