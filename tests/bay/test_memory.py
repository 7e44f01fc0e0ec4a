"""A long day's spool is sent with the memory of one session."""

import json
import tracemalloc
from contextlib import contextmanager
from dataclasses import dataclass

import httpx
import pytest

from service.bay.sender import Address, Sender
from service.bay.spool import Entry, Spool

FEW, LONG_DAY = 60, 200
"""Sessions that wait: 12 MB go by already with the few, twice what may be held."""
SIZE = 100_000
"""Bytes of each session, and of the ledger's answer to it."""


@dataclass(frozen=True)
class WithinThisProcess(Address):
    """A ledger that keeps nothing, so that only the sender's memory is seen."""

    @contextmanager
    def client(self, patience_s):
        def answer(request):
            id = json.loads(request.content)["id"]
            return httpx.Response(201, json={"id": id, "vehicle": "car-00", "note": "x" * SIZE})

        with httpx.Client(base_url=self.url, transport=httpx.MockTransport(answer)) as client:
            yield client


@pytest.mark.parametrize("sessions", [FEW, pytest.param(LONG_DAY, marks=pytest.mark.machine)])
def test_sessions_of_a_hundred_kilobytes_are_sent_in_a_few_megabytes_however_many(tmp_path, sessions):
    spool = Spool(tmp_path)
    for n in range(1, sessions + 1):
        entry = Entry(n, f"00000000-0000-4000-8000-{n:012d}")
        spool.put(entry, json.dumps({"id": entry.id, "note": "x" * SIZE}).encode())
    sender = Sender(spool, WithinThisProcess("http://localhost"))
    tracemalloc.start()
    try:
        sent = sender.send_all(attempts=1)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(sent.kept) == sessions
    assert peak < 6e6, f"{peak / 1e6:.1f} MB of the {sessions * 2 * SIZE / 1e6:.0f} MB that went by"
