"""GET /v1/stock-evidence: how many stock cars of each kind were measured, the fewest first."""

import csv
import io

import pytest

from tests.api.bodies import PLATFORM, added
from tests.api.gains import post
from tests.conftest import version_of
from tests.factories import pull, setup

STOCK = "/v1/stock-evidence"


def known(client) -> dict[str, tuple[int, str | None]]:
    """Each kind's stock cars and the day of the last."""
    return {row["platform"]: (row["stock_cars"], row["last"]) for row in client.get(STOCK).json["items"]}


def test_kinds_come_with_the_fewest_stock_cars_first_and_none_is_none(stoats):
    added(stoats, "/v1/platforms", PLATFORM, slug="a-kind-never-seen", name="Never seen")
    post(stoats, setup(), vehicle="stoat-1", day=1)
    post(stoats, setup(scale=1.01), vehicle="stoat-1", day=4)
    post(stoats, setup(scale=1.02), vehicle="stoat-2", day=3)
    items = stoats.get(STOCK).json["items"]
    assert items[0]["platform"] == "a-kind-never-seen"
    assert items[0] == {"platform": "a-kind-never-seen", "name": "Never seen", "stock_cars": 0, "last": None}
    assert (items[-1]["platform"], items[-1]["stock_cars"], items[-1]["last"]) == ("stoat", 2, "2026-03-04")
    assert [row["stock_cars"] for row in items] == sorted(row["stock_cars"] for row in items)


def test_a_modified_car_is_none_and_a_struck_visit_is_none_any_more(stoats):
    post(stoats, setup(["wide-pipe"]), vehicle="stoat-1", day=1)
    assert known(stoats)["stoat"] == (0, None)
    struck = post(stoats, setup(), vehicle="stoat-2", day=2)
    assert known(stoats)["stoat"] == (1, "2026-03-02")
    assert stoats.post(f"/v1/sessions/{struck['id']}/strike", {"reason": "another car"}).status_code == 200
    assert known(stoats)["stoat"] == (0, None)


def test_as_many_are_told_as_the_stock_spread_shows(stoats):
    """A car that nobody looked over, and one whose pulls scatter, are none until that is put right."""
    post(stoats, setup(), vehicle="stoat-1", day=1)
    unseen = post(stoats, setup(stock_checked="unknown"), vehicle="stoat-2", day=2)
    doubted = post(stoats, {**setup(), "pulls": [pull(), pull(1.05)]}, vehicle="stoat-3", day=3)
    assert told_in_three_places(stoats) == [1, 1, 1]
    address = f"/v1/sessions/{unseen['id']}/setups/1"
    amended = {"stock_checked": "declared", "reason": "its owner says so"}
    assert stoats.patch(address, amended, If_Match=version_of(stoats.get(address))).status_code == 200
    assert told_in_three_places(stoats) == [2, 2, 2]
    scattered = doubted["setups"][0]["pulls"][0]["id"]
    assert stoats.post(f"/v1/pulls/{scattered}/confirm", {"reason": "looked at"}).status_code == 200
    assert told_in_three_places(stoats) == [3, 3, 3]


def told_in_three_places(client) -> list[int]:
    """The stock cars of the kind: in the list, found by its name, and in the spread."""
    found = client.get("/v1/search?q=stoat").json["platforms"]
    spread = client.get("/v1/platforms/stoat/stock-spread?measure=peak_power").json
    return [known(client)["stoat"][0], found[0]["stock_cars"], spread["cars"]]


def test_a_kind_added_or_renamed_and_a_visit_moved_in_time_are_in_the_next_answer(stoats):
    kept = post(stoats, setup(), vehicle="stoat-1", day=2)
    assert known(stoats)["stoat"] == (1, "2026-03-02")
    added(stoats, "/v1/platforms", PLATFORM, slug="new-kind")
    assert known(stoats)["new-kind"] == (0, None)
    stoats.patch(
        "/v1/platforms/new-kind",
        {"name": "Renamed"},
        If_Match=version_of(stoats.get("/v1/platforms/new-kind")),
    )
    names = {row["platform"]: row["name"] for row in stoats.get(STOCK).json["items"]}
    assert names["new-kind"] == "Renamed"
    address = f"/v1/sessions/{kept['id']}"
    moved = {"started_at": "2026-03-05T10:00:00+00:00", "reason": "from the job card"}
    assert stoats.patch(address, moved, If_Match=version_of(stoats.get(address))).status_code == 200
    assert known(stoats)["stoat"] == (1, "2026-03-05")


def test_the_table_for_a_spreadsheet_has_a_row_for_each_kind(stoats):
    post(stoats, setup(), vehicle="stoat-1", day=1)
    rows = list(csv.DictReader(io.StringIO(stoats.get(STOCK, Accept="text/csv").text)))
    assert {row["platform"]: row["stock_cars"] for row in rows}["stoat"] == "1"
    assert len(rows) == len(known(stoats))


@pytest.mark.parametrize("after", ["²~a", "9223372036854775808~a", "1", "1~", "x"])
def test_an_invented_place_in_the_list_is_refused(stoats, after):
    assert stoats.get(f"{STOCK}?after={after}").status_code == 422
