"""Every mend there is: done and taken back with a reason, it leaves every answer as it was to the last bit, and its line in
the history."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from flask import Flask

from service.local import LocalServer
from tests.api.builds import built
from tests.api.conftest import prepared
from tests.api.mending import ANSWERS, apart, asked, done, posted
from tests.conftest import Client, version_of
from tests.factories import AIR, pull, session, setup

pytestmark = pytest.mark.slow

WHY, BACK = {"reason": "looked wrong"}, {"reason": "was right after all"}
OF_THE_CAR = (
    "/v1/vehicles/stoat-3/own-readings",
    "/v1/vehicles/stoat-10/states",
    "/v1/vehicles/stoat-11/states",
)
PEAKS = {"power": 128.3, "power_rpm": 5600.0, "torque": 263.7, "torque_rpm": 4100.0}


def varied(client: Client) -> None:
    """Cars in every state of two parts; one with a doubt; one with peaks alone, corrected by a factor; one under two tags,
    with a part under two slugs."""
    built(client)
    done(client.post("/v1/parts", {"slug": "wide-pip", "name": "Wide", "slots": ["down-pipe"]}), 201)
    posted(
        client, session(setup(scale=1.01), setup(["wide-pip"], 1.06), vehicle="stoat-10", day=14, bay="hub")
    )
    posted(client, session(setup(["wide-pipe"], 1.07), vehicle="stoat-11", day=14, bay="hub"))
    one = {
        "peaks": PEAKS,
        "ambient": dict(AIR),
        "best_of": 3,
        "basis": {"standard": "sae-j607", "factor": 1.0371},
    }
    posted(client, session({"parts": [], "pulls": [one]}, vehicle="stoat-10", day=20))
    spread = {"parts": ["wide-pipe"], "pulls": [pull(1.05), pull(1.05), pull(1.05 * 1.04)]}
    kept = posted(client, session(setup(), spread, vehicle="stoat-12", day=21))
    assert [check["code"] for check in kept["checks"]] == ["pulls-disagree"]


@pytest.fixture(scope="session")
def stoats_url(built_app: Flask, server: LocalServer, stoats_url: str) -> str:
    """In place of the shop of the other tests, this one, its fit kept."""
    return prepared(built_app, server, "varied", varied)


@dataclass(frozen=True)
class Mend:
    """A change and its undoing, each as what it does with the ledger; about: where its line stands in the history."""

    do: Callable[["Shop"], None]
    undo: Callable[["Shop"], None]
    about: Callable[["Shop"], str]


class Shop:
    """What the mends need of the shop."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.made: dict[str, Any] = {}

    def session(self, vehicle: str) -> str:
        """The address of a car's newest session."""
        return f"/v1/sessions/{self.client.get(f'/v1/sessions?vehicle={vehicle}').json['items'][0]['id']}"

    def once(self, path: Callable[["Shop"], str]) -> str:
        """What is to be mended, found before it is: afterwards it may stand under another car."""
        if "at" not in self.made:
            self.made["at"] = path(self)
        at: str = self.made["at"]
        return at

    def pull(self, vehicle: str, setup: int) -> str:
        """The address of the first pull of a setup of a car's newest session."""
        setups = self.client.get(self.session(vehicle)).json["setups"]
        return f"/v1/pulls/{setups[setup - 1]['pulls'][0]['id']}"

    def post(self, path: str, body: dict[str, Any], status: int = 200) -> Any:
        """A POST that must be taken."""
        return done(self.client.post(path, body), status)

    def patch(self, of: str, below: str, body: dict[str, Any]) -> None:
        """A PATCH below a session that names its newest version."""
        etag = version_of(self.client.get(of))
        done(self.client.patch(of + below, body, If_Match=etag))


def posts(
    path: Callable[[Shop], str], word: str, back: str, about: Callable[[Shop], str] | None = None
) -> Mend:
    """A mark by POST and its taking back."""

    def at(shop: Shop) -> str:
        return shop.once(path)

    return Mend(
        lambda shop: shop.post(f"{at(shop)}/{word}", WHY),
        lambda shop: shop.post(f"{at(shop)}/{back}", BACK),
        about or (lambda shop: at(shop).removeprefix("/v1/")),
    )


def patches(vehicle: str, below: str, change: dict[str, Any], back: dict[str, Any]) -> Mend:
    """An amendment of a car's session, or of what lies below it, and the amendment back."""

    def at(shop: Shop) -> str:
        return shop.once(lambda shop: shop.session(vehicle))

    return Mend(
        lambda shop: shop.patch(at(shop), below, {**change, **WHY}),
        lambda shop: shop.patch(at(shop), below, {**back, **BACK}),
        lambda shop: at(shop).removeprefix("/v1/"),
    )


def merges(kind: str, name: str, into: str) -> Mend:
    """A merge of two names and its taking apart."""
    return Mend(
        lambda shop: shop.post(f"/v1/{kind}/{name}/merge", {"into": into, **WHY}),
        lambda shop: shop.post(f"/v1/{kind}/{name}/unmerge", BACK),
        lambda shop: f"{kind}/{name}",
    )


def correct(shop: Shop) -> None:
    """A factor of the first week of March for the bay that measured most."""
    period = {"from": "2026-03-01T00:00:00+00:00", "to": "2026-03-21T00:00:00+00:00", "factor": 1.0173}
    shop.made["correction"] = shop.post("/v1/bays/north/corrections", {**period, **WHY}, 201)["id"]


def swap(why: dict[str, str]) -> Callable[[Shop], None]:
    """Two setups taken for each other."""
    return lambda shop: shop.patch(shop.session("stoat-3"), "/setups", {"setups": [1, 2], **why})


def of_pull(vehicle: str, setup: int) -> Callable[[Shop], str]:
    """Where the history of a pull's session stands."""
    return lambda shop: shop.session(vehicle).removeprefix("/v1/")


MENDS = {
    "strike a session": posts(lambda shop: shop.session("stoat-3"), "strike", "unstrike"),
    "strike a record of peaks": posts(lambda shop: shop.session("stoat-10"), "strike", "unstrike"),
    "strike a setup": posts(lambda shop: f"{shop.session('stoat-3')}/setups/2", "strike", "unstrike"),
    "strike a pull": posts(lambda shop: shop.pull("stoat-3", 2), "strike", "unstrike", of_pull("stoat-3", 2)),
    "confirm": posts(lambda shop: shop.pull("stoat-12", 2), "confirm", "unconfirm", of_pull("stoat-12", 2)),
    "another car": patches("stoat-3", "", {"vehicle": "stoat-4"}, {"vehicle": "stoat-3"}),
    "another time": patches(
        "stoat-3", "", {"started_at": "2026-03-25T10:00:00+00:00"}, {"started_at": "2026-03-03T10:00:00+00:00"}
    ),
    "another gear": patches("stoat-3", "", {"gear": 4, "operator": "kt"}, {"gear": None, "operator": None}),
    "other parts": patches("stoat-3", "/setups/2", {"parts": ["mesh-pipe"]}, {"parts": ["wide-pipe"]}),
    "how sure": patches(
        "stoat-3", "/setups/1",
        {"parts_known": "unknown", "stock_checked": "unknown"}, {"parts_known": "complete", "stock_checked": "verified"},
    ),
    "another fuel": patches(
        "stoat-3", "/setups/2", {"fuel": {"ethanol": 0.3}, "spark_advance": 12.0},
        {"fuel": {"ethanol": None}, "spark_advance": None},
    ),
    "two setups swapped": Mend(swap(WHY), swap(BACK), lambda shop: shop.session("stoat-3").removeprefix("/v1/")),
    "merge a car": merges("vehicles", "stoat-11", "stoat-10"),
    "merge a part": merges("parts", "wide-pip", "wide-pipe"),
    "correct a bay": Mend(
        correct,
        lambda shop: shop.post(f"/v1/bays/north/corrections/{shop.made['correction']}/undo", BACK),
        lambda shop: f"bays/north/corrections/{shop.made['correction']}",
    ),
}  # fmt: skip


def reject(body: dict[str, str]) -> Callable[[Shop], None]:
    """A pull that counts as something else."""

    def amend(shop: Shop) -> None:
        of = shop.session("stoat-3")
        etag = version_of(shop.client.get(of))
        done(shop.client.patch(shop.pull("stoat-3", 2), body, If_Match=etag))

    return amend


MENDS["reject a pull"] = Mend(
    reject({"status": "rejected", **WHY}), reject({"status": "accepted", **BACK}), of_pull("stoat-3", 2)
)


@pytest.mark.parametrize("name", MENDS)
def test_a_mend_taken_back_leaves_every_answer_as_it_was_to_the_last_bit_and_says_why(stoats, name):
    shop, mend = Shop(stoats), MENDS[name]
    questions = ANSWERS + OF_THE_CAR
    before = asked(stoats, questions)
    about = None if name == "correct a bay" else mend.about(shop)
    mend.do(shop)
    after = asked(stoats, questions)
    mend.undo(shop)
    assert list(apart(asked(stoats, questions), before, 0.0)) == []
    if name != "another gear":  # no answer hangs on it
        assert list(apart(after, before, 0.0)) != []
    reasons = [
        row["reason"] for row in stoats.get(f"/v1/history?about={about or mend.about(shop)}").json["items"]
    ]
    assert reasons[0] == BACK["reason"]
    assert WHY["reason"] in reasons


def test_a_strike_is_taken_back_without_a_reason_as_it_always_was(stoats):
    at = Shop(stoats).session("stoat-3")
    for body in (None, {}, {"reason": "right after all"}):
        done(stoats.post(f"{at}/strike", WHY))
        done(stoats.post(f"{at}/unstrike", body))
    done(stoats.raw("POST", f"{at}/unstrike", data=b"null", content_type="application/json"))
    assert stoats.post(f"{at}/unstrike", {"reason": "x", "y": 1}).status_code == 422
    rows = stoats.get(f"/v1/history?about={at.removeprefix('/v1/')}").json["items"]
    assert [row["reason"] for row in rows if row["action"] == "unstruck"] == [
        None,
        "right after all",
        None,
        None,
    ]


def test_what_nobody_confirmed_cannot_be_unconfirmed(stoats):
    shop = Shop(stoats)
    assert stoats.post(f"{shop.pull('stoat-3', 1)}/unconfirm", BACK).status_code == 409
    assert stoats.post(f"{shop.pull('stoat-12', 2)}/unconfirm", BACK).status_code == 409
    assert stoats.post(f"{shop.pull('stoat-12', 2)}/unconfirm", {}).status_code == 422
