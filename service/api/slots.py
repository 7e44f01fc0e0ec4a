"""Slots over HTTP."""

from typing import Any

from flask import Response

from service.api.answering import Created, created_once, listed
from service.api.context import caller, conn, needs
from service.api.wire import Blueprint
from service.domain.resources import Slot
from service.ledger import resources as ledger
from service.schemas.queries import NumberedQuery
from service.schemas.resources import SlotDocument
from service.store import slots as store
from service.store.db import Connection

blueprint = Blueprint("slots", __name__, description="The places on a car where one part sits.")
ONE = SlotDocument()
COLUMNS = list(ONE.fields)


@blueprint.get("/v1/slots")
@needs("read", "post")
@blueprint.arguments(NumberedQuery, location="query")
@blueprint.page(SlotDocument, "A page, in the order of air and fuel through the car.")
def list_slots(query: dict[str, Any]) -> Response:
    """List slots."""
    rows = store.list_slots(conn(), after=query["after"], limit=query["limit"])
    more = str(rows[-1].ordinal) if len(rows) == query["limit"] else None
    return listed([ONE.dump(row) for row in rows], last_key=more, columns=COLUMNS)


@blueprint.post("/v1/slots")
@needs("admin")
@blueprint.arguments(SlotDocument)
@blueprint.response(201, SlotDocument)
def add_slot(data: dict[str, Any]) -> Response:
    """Add a slot, at the end of the list."""

    def create(connection: Connection) -> Created:
        store.hold_slots(connection)
        new = Slot(**data, ordinal=0)
        slot = ledger.add(connection, new, store.add_slot, who=caller().name, about=f"slots/{new.slug}")
        return ONE.dump(slot), "/v1/slots", None

    return created_once(create)
