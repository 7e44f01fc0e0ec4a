"""What every mend does with a bad body, a wrong token or nobody's: 4xx, named, and nothing changed."""

from typing import Any

import pytest
from flask import Flask

from service.local import LocalServer
from tests.api.conftest import filled
from tests.api.mending import done, posted
from tests.conftest import Client
from tests.factories import pull, session, setup

WHY = {"reason": "found wrong later"}
PERIOD = {"from": "2026-03-05T00:00:00+00:00", "to": "2026-03-15T00:00:00+00:00", "factor": 1.02}
MENDS: dict[str, dict[str, Any]] = {
    "/v1/bays/north/corrections": {**PERIOD, **WHY},
    "/v1/bays/north/corrections/{correction}/undo": WHY,
    "/v1/vehicles/stoat-11/merge": {"into": "stoat-10", **WHY},
    "/v1/vehicles/stoat-9/unmerge": WHY,
    "/v1/parts/mesh-pipe/merge": {"into": "wide-pipe", **WHY},
    "/v1/parts/old-pipe/unmerge": WHY,
    "/v1/vehicles/stoat-12/erase": {**WHY, "confirm": True},
    "/v1/pulls/{pull}/unconfirm": WHY,
}
"""Every mend that takes a reason, with a body it takes in the shop of `mended`."""
everywhere = pytest.mark.parametrize("path", MENDS)


@pytest.fixture(scope="module")
def mended_ledger(built_app: Flask, server: LocalServer, stoats_template: str) -> tuple[str, dict[str, int]]:
    """A shop in which each of them can be done, made once: its database, and the numbers that its addresses need."""
    numbers: dict[str, int] = {}
    url = filled(built_app, server, "mended", stoats_template, lambda stoats: numbers.update(mend(stoats)))
    return url, numbers


@pytest.fixture(scope="module")
def stoats_url(mended_ledger: tuple[str, dict[str, int]]) -> str:
    """Here each mend can be done in the shop of `stoats`."""
    return mended_ledger[0]


@pytest.fixture
def mended(mended_ledger: tuple[str, dict[str, int]]) -> dict[str, int]:
    """The numbers that the addresses need."""
    return mended_ledger[1]


def mend(stoats: Client) -> dict[str, int]:
    """Do one thing of each kind that can be undone."""
    before = {"from": "2026-02-01T00:00:00+00:00", "to": "2026-02-02T00:00:00+00:00", "factor": 1.01}
    correction = done(stoats.post("/v1/bays/north/corrections", {**before, **WHY}), 201)["id"]
    done(stoats.post("/v1/vehicles/stoat-9/merge", {"into": "stoat-8", **WHY}))
    done(stoats.post("/v1/parts", {"slug": "old-pipe", "name": "Old", "slots": ["down-pipe"]}), 201)
    done(stoats.post("/v1/parts/old-pipe/merge", {"into": "wide-pipe", **WHY}))
    doubtful = {"parts": ["wide-pipe"], "pulls": [pull(1.05), pull(1.05), pull(1.05 * 1.04)]}
    kept = posted(stoats, session(setup(), doubtful, vehicle="stoat-1"))
    number = kept["setups"][1]["pulls"][0]["id"]
    done(stoats.post(f"/v1/pulls/{number}/confirm", WHY))
    return {"correction": correction, "pull": number}


def lines(client: Client) -> int:
    """How many changes the history holds."""
    return len(client.get("/v1/history?limit=500").json["items"])


@everywhere
def test_the_body_that_the_tests_below_spoil_is_taken(stoats, mended, path):
    assert stoats.post(path.format(**mended), MENDS[path]).status_code in (200, 201)


@everywhere
@pytest.mark.parametrize(
    "wrong", [None, True, 7, "", "\x00", "x" * 501, [], {}], ids=lambda one: repr(one)[:9]
)
def test_a_reason_that_says_nothing_is_refused_at_its_field(stoats, mended, path, wrong):
    before = lines(stoats)
    response = stoats.post(path.format(**mended), {**MENDS[path], "reason": wrong})
    assert response.status_code == 422
    assert [fault["pointer"] for fault in response.json["errors"]] == ["/reason"]
    assert lines(stoats) == before


@everywhere
def test_what_is_no_object_and_what_is_not_known_are_refused(stoats, mended, path):
    at = path.format(**mended)
    for body in ("[]", '"x"', "7", "null"):
        response = stoats.raw("POST", at, data=body, content_type="application/json")
        assert response.status_code == 422, body
    unknown = stoats.post(at, {**MENDS[path], "colour": "red"})
    assert [fault["pointer"] for fault in unknown.json["errors"]] == ["/colour"]


@everywhere
def test_nobody_and_the_counter_mend_nothing(stoats, mended, nobody, reader, path):
    before = lines(stoats)
    assert nobody.post(path.format(**mended), MENDS[path]).status_code == 401
    assert reader.post(path.format(**mended), MENDS[path]).status_code == 403
    assert lines(stoats) == before
