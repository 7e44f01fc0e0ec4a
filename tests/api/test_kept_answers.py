"""First answers are promised for ninety days, and are forgotten after that."""

from service.store.kept_answers import KEPT_DAYS, drop_old_answers, find_answer, keep_answer


def kept(connection, key: str, days_ago: int) -> None:
    """An answer kept so many days ago."""
    keep_answer(connection, "1", key, b"hash", 201, "/v1/x", "v1", b"{}")
    connection.execute(
        "UPDATE kept_answer SET created_at = now() - %s * interval '1 day' WHERE key = %s", (days_ago, key)
    )


def test_an_answer_is_found_for_as_long_as_it_is_promised(connection):
    kept(connection, "young", KEPT_DAYS - 1)
    kept(connection, "old", KEPT_DAYS + 1)
    assert find_answer(connection, "1", "young")() is not None
    assert find_answer(connection, "1", "old")() is None


def test_only_older_answers_are_forgotten(connection):
    kept(connection, "young", KEPT_DAYS - 1)
    kept(connection, "old", KEPT_DAYS + 1)
    assert drop_old_answers(connection) == 1
    assert find_answer(connection, "1", "young")() is not None
