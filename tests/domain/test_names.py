"""Names of parts inside sentences."""

import pytest

from service.domain.names import in_sentence, quoted


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("side-feed plenum, re-machined", "\u201cside-feed plenum, re-machined\u201d"),
        ("Road calibration", "road calibration"),
        ("ECU board", "ECU board"),
    ],
)
def test_a_name_in_a_sentence_can_be_read_aloud(name: str, said: str) -> None:
    assert in_sentence(name) == said


def test_only_a_name_with_a_comma_is_put_in_quotes() -> None:
    assert quoted("Wide pipe") == "Wide pipe"
