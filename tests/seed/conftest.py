"""The invented shop made once for the tests of it."""

from datetime import datetime

import pytest

from seed.history import DEFAULT_SEED, History, make_history
from seed.post import site_weather
from seed.pulls import Bench, Json
from seed.truth import truth_document
from seed.wire import session_body


@pytest.fixture(scope="session")
def shop() -> History:
    """The whole demo shop as planned."""
    return make_history(400, DEFAULT_SEED)


@pytest.fixture(scope="session")
def bench(shop: History) -> Bench:
    return Bench(shop, site_weather(DEFAULT_SEED))


@pytest.fixture(scope="session")
def bodies(shop: History, bench: Bench) -> list[Json]:
    """Every session as posted, the one with its clock in the future left out."""
    now = datetime.fromisoformat("2026-11-01T00:00:00+00:00")
    return [session_body(plan, shop, bench) for plan in shop.sessions if plan.started_at < now]


@pytest.fixture(scope="session")
def truth(shop: History) -> Json:
    return truth_document(shop)
