"""GET /v1/history."""

from tests.api.bodies import PART, added


def items(client, query: str = "") -> list[dict]:
    return client.get(f"/v1/history{query}").get_json()["items"]


def test_every_change_is_one_line_newest_first(shop):
    shop.patch("/v1/parts/side-feed-plenum", {"labour_hours": 2}, If_Match='"v1"')
    rows = items(shop, "?limit=5")
    assert [row["id"] for row in rows] == sorted((row["id"] for row in rows), reverse=True)
    assert rows[0]["about"] == "parts/side-feed-plenum"
    assert {row["about"] for row in rows[1:]} == {
        "platforms/stoat", "vehicles/car-a", "parts/side-feed-plenum", "bays/north",
    }  # fmt: skip


def test_about_takes_the_resource_and_what_lies_below_it_but_not_its_namesakes(shop):
    added(shop, "/v1/parts", PART, slug="side-feed-plenum-kit")
    assert [row["about"] for row in items(shop, "?about=parts/side-feed-plenum")] == [
        "parts/side-feed-plenum"
    ]
    assert [row["about"] for row in items(shop, "?about=parts&limit=2")] == [
        "parts/side-feed-plenum-kit", "parts/side-feed-plenum",
    ]  # fmt: skip


def test_about_what_was_never_changed_there_is_nothing(shop):
    assert items(shop, "?about=parts/nothing") == []


def test_who_is_the_tokens_name(shop):
    assert {row["who"] for row in items(shop, "?limit=4")} == {"admin"}


def test_a_refused_change_leaves_no_line(shop):
    before = items(shop, "?limit=1")
    shop.post("/v1/parts", PART)
    shop.patch("/v1/parts/side-feed-plenum", {"slots": ["nowhere"]}, If_Match='"v1"')
    assert items(shop, "?limit=1") == before


def test_nobody_can_rewrite_the_history(shop, connection):
    for statement in ("UPDATE history SET who = 'x'", "DELETE FROM history", "TRUNCATE history"):
        refused = False
        try:
            with connection.transaction():
                connection.execute(statement)
        except Exception as error:  # the role's rights or the trigger, whichever comes first
            refused = "permission denied" in str(error) or "append-only" in str(error)
        assert refused, statement


def test_a_page_goes_on_where_the_last_one_ended(shop):
    whole = items(shop, "?limit=4")
    first = shop.get("/v1/history?limit=2")
    after = first.headers["Link"].partition("after=")[2].partition(">")[0]
    assert first.get_json()["items"] + items(shop, f"?limit=2&after={after}") == whole


def test_a_place_that_cannot_be_is_422(shop):
    for after in ("x", "-1", str(2**63)):
        assert shop.get(f"/v1/history?after={after}").status_code == 422
