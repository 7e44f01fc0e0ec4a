"""The filled ledger, made once for a process, and a way to print a figure through pytest's capture."""

from collections.abc import Callable, Iterator

import pytest

from service.local import LocalServer
from tests.conftest import new_database
from tests.fuzz.filled import Filled, filled


@pytest.fixture(scope="session")
def shop(server: LocalServer) -> Iterator[Filled]:
    """The real app over a real database that keeps what is sent to it."""
    owner_url, url = new_database(server, "fuzzed")
    with filled(owner_url, url) as made:
        yield made


@pytest.fixture
def printed(tell: Callable[[str], None]) -> Callable[[str], None]:
    """Keeps a line of figures, which stands in the summary of the run."""
    return lambda line: tell(f"fuzz: {line}")
