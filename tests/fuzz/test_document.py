"""The whole OpenAPI document against the running ledger: whatever is asked, no fault of ours, and what the document says."""

import pytest

from tests.fuzz.asking import Tally, asked, document_of, operations_of, tried
from tests.fuzz.filled import Filled
from tests.fuzz.linked import linked
from tests.fuzz.spoilt import good_bodies, spoilt_requests

STEPS = 8
sizes = pytest.mark.parametrize("examples", [2, pytest.param(8, marks=pytest.mark.machine)])
"""Requests of each kind: few in the run that everybody makes; `bootstrap.py fuzz` sends as many as there is time for."""


@pytest.fixture(scope="module")
def document(shop: Filled):
    return document_of(shop.app)


@sizes
@pytest.mark.slow
def test_every_operation_answers_as_the_document_says_whatever_it_is_asked(shop, document, printed, examples):
    tally = Tally()
    operations = operations_of(document)
    for operation in operations:
        tried(asked(operation, shop), lambda case: tally.send(case, shop.token), examples)
    printed(tally.said(f"{len(operations)} operations of the document"))
    assert tally.cases >= examples * len(operations) / 2
    assert {status // 100 for status in tally.statuses} >= {2, 4}, "nothing was hit"
    assert not tally.faults, tally.shown()


@sizes
def test_a_body_spoilt_anywhere_is_refused_or_kept_as_the_document_says(shop, document, printed, examples):
    tally = Tally()
    for method, path, body in good_bodies(shop):
        tried(
            spoilt_requests(document, shop, method, path, body),
            lambda case: tally.send(case, shop.token),
            examples,
        )
    printed(tally.said("spoilt bodies"))
    assert {status // 100 for status in tally.statuses} >= {2, 4}, "all were taken, or none"
    assert not tally.faults, tally.shown()


@sizes
def test_what_an_answer_names_can_be_asked_for_next(shop, document, printed, examples):
    tally = Tally()
    followed = linked(document, shop, tally, 3 * examples, STEPS)
    printed(f"{tally.said('chains of linked operations')}, {followed} links followed")
    assert followed > 0
    assert not tally.faults, tally.shown()
