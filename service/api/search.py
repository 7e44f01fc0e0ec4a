"""Search over HTTP."""

from typing import Any

from flask import Response

from service.answers.search import search
from service.api.answering import json_response
from service.api.context import needs, read_conn
from service.api.wire import Blueprint
from service.schemas.search_documents import FindQuery, SearchAnswer, search_document

blueprint = Blueprint("search", __name__, description="What is called so.")


@blueprint.get("/v1/search")
@needs("read")
@blueprint.arguments(FindQuery, location="query")
@blueprint.response(200, SearchAnswer)
def find(query: dict[str, Any]) -> Response:
    """Find questions, kinds of car, parts and cars by what somebody types."""
    found = search(read_conn(), query["q"], query["limit"])
    return json_response(search_document(query["q"], found), etag="found")
