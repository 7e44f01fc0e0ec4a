"""What a post costs beside what it is worth: documents read in fewer steps, questions planned once; nothing else changes."""

import copy

import pytest
from marshmallow import Schema, ValidationError

from service.schemas.base import Document
from service.schemas.sessions import SessionPost
from tests.api.bodies import session

SPOILED = {
    "no fault": lambda body: None,
    "an unknown field in a pull": lambda body: body["setups"][0]["pulls"][0].update(boost=1.2),
    "a missing part list": lambda body: body["setups"][0].pop("parts"),
    "nothing where a car must stand": lambda body: body.update(vehicle=None),
    "a car's tag wrong in two ways": lambda body: body.update(vehicle="A Tag " * 20),
    "a pull that is no object": lambda body: body["setups"][0]["pulls"].append("third"),
    "true for a number": lambda body: body["setups"][0]["pulls"][0].update(ramp=True),
    "a number outside its range": lambda body: body["setups"][0]["pulls"][0].update(ramp=1e9),
    "an infinite number": lambda body: body["setups"][0]["pulls"][0].update(ramp=float("inf")),
    "text among samples": lambda body: body["setups"][0]["pulls"][0].update(curve={"rpm": [1, "2"]}),
}


@pytest.mark.parametrize("spoil", SPOILED.values(), ids=SPOILED)
def test_a_document_read_in_fewer_steps_is_what_marshmallow_reads(monkeypatch, spoil):
    body = session([])
    spoil(body)
    ours = faults_of(body)
    monkeypatch.setattr(Document, "_deserialize", Schema._deserialize)
    assert ours == faults_of(body)


def faults_of(body: dict) -> object:
    """What reading a body says of it; of one without fault, the names that were read."""
    try:
        return SessionPost().load(copy.deepcopy(body)).vehicle
    except ValidationError as error:
        return error.messages


def test_a_question_of_a_post_is_not_planned_anew_for_each_post(shop, connection):
    for n in range(7):  # the driver prepares a statement at its sixth use
        body = session([], started_at=f"2026-03-{10 + n}T09:00:00+00:00")
        body["setups"][0]["pulls"][0]["ramp"] = 400 + n
        shop.post("/v1/sessions", body)  # kept, or refused as a repeated curve: asked of all the same
    planned = connection.execute(
        """
        SELECT sum(generic_plans), sum(custom_plans) FROM pg_prepared_statements
        WHERE  statement LIKE '%%newest AS MATERIALIZED%%'
        """
    ).fetchone()
    assert planned is not None
    assert planned[0] > 0
    assert planned[1] == 0
