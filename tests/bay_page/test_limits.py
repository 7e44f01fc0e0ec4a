"""The limits of the page's fields are those of the ledger: what one takes the other takes."""

from typing import Any

import pytest
from marshmallow import ValidationError

from service.bay.page.fields import AIR, CAR, ENGINE, STATE, Field
from service.schemas.sessions import SessionPost
from tests.factories import session

FIGURES = [
    (where, field)
    for where, fields in (("AIR", AIR), ("CAR", CAR), ("STATE", STATE), ("ENGINE", ENGINE))
    for field in fields
    if not field.is_text
]


def posted_with(where: str, name: str, value: float) -> dict[str, Any]:
    """A session with one figure in its place."""
    body = session()
    setup = body["setups"][0]
    places = {"AIR": setup["pulls"][0]["ambient"], "ENGINE": setup["pulls"][0]["engine"], "CAR": body}
    place = setup.setdefault("fuel", {}) if where == "STATE" else places[where]
    place[name] = value
    return body


def is_taken(where: str, field: Field, value: float) -> bool:
    """Whether the ledger's own schema takes it."""
    try:
        SessionPost().load(posted_with(where, field.name, value))
    except ValidationError:
        return False
    return True


@pytest.mark.parametrize(("where", "field"), FIGURES, ids=lambda one: getattr(one, "name", one))
def test_the_ledger_takes_both_limits_of_a_field_and_nothing_beyond(where: str, field: Field) -> None:
    beyond = 1 if field.name == "gear" else 0.01
    assert is_taken(where, field, field.low)
    assert is_taken(where, field, field.high)
    assert not is_taken(where, field, field.low - beyond)
    assert not is_taken(where, field, field.high + beyond)
