"""The same post twice at the same instant."""

from functools import partial

import pytest

from tests.faults.conftest import CARS, client_of
from tests.faults.sessions import random_sessions
from tests.threads import all_at_once

TIMES = 8


@pytest.fixture
def two_at_once(database):
    """Post documents, or one twice, from two threads at once, each through the same app."""
    client = client_of(database.service_url, database.token)

    def at_once(first, second=None, **headers):
        posts = [
            partial(client.post, "/v1/sessions", document, **headers) for document in (first, second or first)
        ]
        return all_at_once(posts)

    return at_once


def count(sight) -> int:
    return sight.execute("SELECT count(*) FROM session").fetchone()[0]


@pytest.mark.parametrize("number", range(TIMES))
def test_two_posts_with_one_key_keep_one_session(two_at_once, sight, number):
    (document,) = random_sessions(1000 + number, 1, CARS, with_id=number % 2)
    before = count(sight)
    answers = two_at_once(document, Idempotency_Key=f"at-once-{number}")
    assert count(sight) == before + 1
    statuses = sorted(answer.status_code for answer in answers)
    assert statuses in ([201, 201], [201, 409])
    if statuses == [201, 201]:
        assert answers[0].data == answers[1].data
        assert sum("Idempotency-Replayed" in answer.headers for answer in answers) == 1
    else:
        refused = next(answer for answer in answers if answer.status_code == 409)
        assert refused.content_type == "application/problem+json"


@pytest.mark.parametrize("number", range(TIMES))
def test_the_same_content_twice_without_a_key_is_kept_once_and_answered_twice(two_at_once, sight, number):
    (document,) = random_sessions(2000 + number, 1, CARS, with_id=number % 2)
    before = count(sight)
    answers = two_at_once(document)
    assert [answer.status_code for answer in answers] == [201, 201]
    assert count(sight) == before + 1
    assert answers[0].headers["Location"] == answers[1].headers["Location"]
    assert sum("Idempotency-Replayed" in answer.headers for answer in answers) == 1


@pytest.mark.parametrize("number", range(TIMES))
def test_two_cars_under_one_session_id_keep_the_first_and_refuse_the_other(two_at_once, sight, number):
    """Different cars, so neither waits for the other: the database's own rule decides."""
    (document,) = random_sessions(3000 + number, 1, CARS)
    other_car = {**document, "vehicle": "car-0" if document["vehicle"] != "car-0" else "car-1"}
    before = count(sight)
    answers = two_at_once(document, other_car)
    assert sorted(answer.status_code for answer in answers) == [201, 409]
    assert count(sight) == before + 1
    refused = next(answer for answer in answers if answer.status_code == 409)
    assert refused.json["errors"][0]["pointer"] == "/id"
