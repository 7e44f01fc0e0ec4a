"""Stories of changes to a ledger, in any order: what holds after one step holds after the next."""

from collections.abc import Callable

import pytest

from service.local import LocalServer
from tests.conftest import new_database
from tests.fuzz.story import told
from tests.fuzz.telling import stories_in

STORIES, STEPS = 5, 12
"""`bootstrap.py fuzz` tells as many as there is time for."""


@pytest.mark.machine
def test_whatever_is_changed_and_taken_back_the_ledger_holds_together(
    server: LocalServer, printed: Callable[[str], None]
):
    with stories_in(*new_database(server, "stories")) as ledger:
        told(ledger, STORIES, STEPS)
    printed(ledger.said(f"{STORIES} stories"))
    assert ledger.steps.total() > 2 * STORIES, "hardly anything was ever done"
    assert ledger.back.total() > STORIES, "hardly anything was ever taken back"
    assert ledger.checked >= STORIES
    assert not ledger.tally.faults, ledger.tally.shown()
