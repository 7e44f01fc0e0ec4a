"""GET /v1/caller."""

from tests.conftest import Client


def open_up(admin: Client) -> None:
    etag = admin.get("/v1/settings").headers["ETag"]
    assert admin.patch("/v1/settings", {"open_reading": True}, If_Match=etag).status_code == 200


def test_a_bays_token_is_told_its_bay_and_that_it_may_change(bay):
    assert bay.get("/v1/caller").json == {
        "name": "north", "scope": "post", "bay": "north", "may_change": True,
    }  # fmt: skip


def test_an_admin_may_change_and_a_reader_may_not(admin, reader):
    assert (admin.get("/v1/caller").json["scope"], admin.get("/v1/caller").json["may_change"]) == (
        "admin",
        True,
    )
    assert reader.get("/v1/caller").json == {
        "name": "counter", "scope": "read", "bay": None, "may_change": False,
    }  # fmt: skip


def test_without_a_token_it_is_anyone_where_reading_is_open_and_401_where_not(admin, nobody):
    refused = nobody.get("/v1/caller")
    assert (refused.status_code, "WWW-Authenticate" in refused.headers) == (401, True)
    open_up(admin)
    assert nobody.get("/v1/caller").json == {
        "name": "anyone", "scope": "read", "bay": None, "may_change": False,
    }  # fmt: skip


def test_a_token_that_is_none_of_ours_is_401_even_where_reading_is_open(admin, nobody):
    open_up(admin)
    nobody.token = "bay_unknown"
    assert nobody.get("/v1/caller").status_code == 401
