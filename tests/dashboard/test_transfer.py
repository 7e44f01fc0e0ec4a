"""What a page costs the network: little on the first visit, next to nothing on the second."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, CDPSession

from tests.dashboard.conftest import DESK, Ledger, Watched
from tests.dashboard.every_page import PAGES, asked

pytestmark = pytest.mark.slow

FIRST_VISIT_BYTES = 1_600_000  # everything together, before and after it is compressed (our choice)
SECOND_VISIT_BYTES = 60_000  # headers of answers that say "unchanged", and what is not kept (our choice)


class Meter:
    """Counts what comes over the network, as the browser's own debugger reports it: in no certain order."""

    def __init__(self, debugger: CDPSession) -> None:
        self.wire = 0
        self._addresses: dict[str, str] = {}
        self._unchanged: set[str] = set()
        self._finished: list[str] = []
        self._bodies: dict[str, int] = {}
        debugger.on("Network.responseReceived", self._response)
        debugger.on("Network.responseReceivedExtraInfo", self._status)
        debugger.on("Network.dataReceived", self._data)
        debugger.on("Network.loadingFinished", self._end)
        debugger.send("Network.enable")

    @property
    def bodies(self) -> int:
        """Bytes of what was sent whole."""
        return sum(size for request, size in self._bodies.items() if request not in self._unchanged)

    @property
    def sent_whole(self) -> list[str]:
        """Addresses of what was sent whole."""
        return [self._addresses.get(one, "") for one in self._finished if one not in self._unchanged]

    @property
    def revalidated(self) -> list[str]:
        """Addresses of what was said to be unchanged."""
        return [self._addresses.get(one, "") for one in self._finished if one in self._unchanged]

    def _response(self, event: dict[str, Any]) -> None:
        self._addresses[event["requestId"]] = event["response"]["url"]

    def _status(self, event: dict[str, Any]) -> None:
        if event["statusCode"] == 304:
            self._unchanged.add(event["requestId"])

    def _data(self, event: dict[str, Any]) -> None:
        key = event["requestId"]
        self._bodies[key] = self._bodies.get(key, 0) + event["dataLength"]

    def _end(self, event: dict[str, Any]) -> None:
        self.wire += int(event["encodedDataLength"])
        self._finished.append(event["requestId"])


@pytest.fixture(scope="module", params=PAGES)
def visits(request: pytest.FixtureRequest, browser: Browser, live_demo: str) -> Iterator[tuple[Meter, Meter]]:
    """A page opened twice in one new profile: what each visit cost."""
    context = browser.new_context(viewport=DESK)
    base = live_demo.rstrip("/")
    question = asked(request.param, Ledger(base))
    meters = []
    for _ in range(2):
        page = context.new_page()
        meters.append(Meter(context.new_cdp_session(page)))
        Watched(page, base).open(request.param, **question)
        page.wait_for_load_state("networkidle")  # nothing still on its way
        page.close()
    yield meters[0], meters[1]
    context.close()


def test_the_first_visit_stays_under_its_limit(visits: tuple[Meter, Meter]) -> None:
    first, _ = visits
    assert 5_000 < first.bodies < FIRST_VISIT_BYTES
    assert 5_000 < first.wire < FIRST_VISIT_BYTES


def test_the_second_visit_is_served_from_the_cache(visits: tuple[Meter, Meter]) -> None:
    _, second = visits
    assert second.wire < SECOND_VISIT_BYTES
    assert [url for url in second.sent_whole if "/vendor/" in url or url.endswith((".js", ".css"))] == []
    assert len(second.revalidated) >= 2  # the page and its style sheet at least
