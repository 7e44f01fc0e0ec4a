"""/v1/settings and their history."""

import pytest

from service.domain.shop import RULES
from tests.factories import WARM, pull, session

PATH = "/v1/settings"


def value_of(client, name: str):
    return next(item["value"] for item in client.get(PATH).get_json()["items"] if item["name"] == name)


def etag(client) -> str:
    return client.get(PATH).headers["ETag"]


def change(client, body: dict):
    return client.patch(PATH, body, If_Match=etag(client))


def test_every_setting_is_listed_with_its_meaning_and_default(admin):
    items = {item["name"]: item for item in admin.get(PATH).get_json()["items"]}
    assert list(items) == list(RULES)
    assert items["units"] == {
        "name": "units", "value": "si", "meaning": RULES["units"].meaning, "default": "si", "bay": None,
        "changed_at": None, "changed_by": None,
    }  # fmt: skip


def test_a_change_holds_from_the_next_request_on(shop):
    response = change(shop, {"units": "us", "labour_rate": 72.5})
    assert response.status_code == 200
    changed = {item["name"]: item for item in response.get_json()["items"]}["labour_rate"]
    assert (changed["value"], changed["default"], changed["changed_by"]) == (72.5, 0.0, "admin")
    assert shop.get("/v1/platforms").get_json()["units"] == "us"


def test_a_change_needs_the_newest_version(admin):
    first = admin.get(PATH).headers["ETag"]
    assert admin.patch(PATH, {"units": "us"}).status_code == 428
    second = admin.patch(PATH, {"units": "us"}, If_Match=first).headers["ETag"]
    assert second != first
    assert admin.patch(PATH, {"units": "ps"}, If_Match=first).status_code == 412
    assert value_of(admin, "units") == "us"
    assert admin.get(PATH, If_None_Match=second).status_code == 304


def test_an_unknown_setting_is_422_naming_the_nearest_beside_every_other_fault(admin):
    response = change(admin, {"labor_rate": 70, "units": "metric", "currency": "GBP"})
    faults = {error["pointer"]: error for error in response.get_json()["errors"]}
    assert response.status_code == 422
    assert faults.keys() == {"/labor_rate", "/units"}
    assert "the nearest are labour_rate" in faults["/labor_rate"]["detail"]
    assert faults["/units"]["value"] == "metric"
    assert "si, us, ps" in faults["/units"]["detail"]
    assert value_of(admin, "currency") == RULES["currency"].default


@pytest.mark.parametrize(
    ("name", "value", "way_out"),
    [("standard", "sae", "sae-j1349"), ("standard", ["sae-j1349"], "sae-j1349"), ("currency", "euro", "GBP"),
     ("currency", 7, "GBP"), ("labour_rate", "72", "number"), ("labour_rate", -1, "between 0 and"),
     ("labour_rate", True, "number"), ("open_reading", "yes", "true or false"), ("open_reading", 1, "true or false"),
     ("units", None, "null"), ("bay_spread", 1e300, "between 0 and 0.2")],
)  # fmt: skip
def test_a_value_that_cannot_be_is_422_with_the_way_out(admin, name, value, way_out):
    response = change(admin, {name: value})
    (error,) = response.get_json()["errors"]
    assert response.status_code == 422
    assert error["pointer"] == f"/{name}"
    assert way_out in error["detail"]


def test_what_is_no_object_is_422(admin):
    for body in ([], "units", 7, [["units", "us"]]):
        assert change(admin, body).status_code == 422


def test_the_history_of_a_setting_is_every_value_it_was_given_newest_first(admin):
    for rate in (60, 65, 70):
        change(admin, {"labour_rate": rate})
    change(admin, {"labour_rate": 70})
    items = admin.get(f"{PATH}/labour_rate/history").get_json()["items"]
    assert [item["value"] for item in items] == [70, 65, 60]
    assert {item["changed_by"] for item in items} == {"admin"}


def test_a_change_is_also_in_the_history_of_all(admin):
    change(admin, {"labour_rate": 60})
    (row,) = admin.get("/v1/history?about=settings/labour_rate").get_json()["items"]
    assert (row["before"], row["after"]) == ({"value": 0.0}, {"value": 60})


def test_the_history_of_an_unknown_setting_is_404_naming_the_nearest(admin):
    response = admin.get(f"{PATH}/labor_rate/history")
    assert response.status_code == 404
    assert "labour_rate" in response.get_json()["detail"]


def test_settings_as_csv(admin):
    header, first, *_ = admin.get(PATH, Accept="text/csv").text.splitlines()
    assert header == "name,value,meaning,default,bay,changed_at,changed_by"
    assert first.startswith("standard,sae-j1349,")


def test_a_bay_may_have_checks_of_its_own_beside_the_shops(shop):
    change(shop, {"checks": {"rpm-coverage": {"least": 0.5}}})
    own = shop.patch(
        "/v1/bays/north/settings", {"checks": {"few-samples": {"on": False}}}, If_Match=etag(shop)
    )
    assert [(i["name"], i["bay"]) for i in own.get_json()["items"]] == [("checks", "north")]
    assert shop.get("/v1/bays/north/settings").get_json() == own.get_json()
    items = shop.get(PATH).get_json()["items"]
    listed = [(i["name"], i["bay"], i["value"]) for i in items if i["name"] == "checks"]
    assert listed == [
        ("checks", None, {"rpm-coverage": {"least": 0.5}}),
        ("checks", "north", {"few-samples": {"on": False}}),
    ]


def test_null_takes_what_a_bay_has_of_its_own_back(shop):
    for value in ({"few-samples": {"on": False}}, None):
        shop.patch("/v1/bays/north/settings", {"checks": value}, If_Match=etag(shop))
    assert [i["bay"] for i in shop.get(PATH).get_json()["items"] if i["name"] == "checks"] == [None]
    changes = shop.get("/v1/history?about=settings/checks").get_json()["items"]
    assert changes[0]["after"] == {"value": None, "bay": "north"}


def test_what_is_the_whole_shops_cannot_be_one_bays(shop):
    refused = shop.patch("/v1/bays/north/settings", {"units": "us"}, If_Match=etag(shop))
    (error,) = refused.get_json()["errors"]
    assert (refused.status_code, error["pointer"]) == (422, "/units")
    unknown = shop.patch("/v1/bays/nroth/settings", {"checks": {}}, If_Match=etag(shop))
    assert unknown.status_code == 404
    assert "north" in unknown.get_json()["detail"]


@pytest.mark.parametrize(
    ("value", "way_out"),
    [
        ([], "object"),
        ({"rpm-cover": {"on": False}}, "GET /v1/checks"),
        ({"rpm-coverage": False}, "object"),
        ({"rpm-coverage": {"on": 0}}, "true or false"),
        ({"rpm-coverage": {"most": 1}}, "it has on, least"),
        ({"rpm-coverage": {"least": 2}}, "between 0 and 1"),
        ({"rpm-coverage": {"least": "half"}}, "must be a number"),
        ({"impossible-value": {"on": False}}, "cannot be switched off"),
    ],
)
def test_a_check_that_cannot_be_set_so_is_422_with_the_way_out(admin, value, way_out):
    response = change(admin, {"checks": value})
    (error,) = response.get_json()["errors"]
    assert (response.status_code, error["pointer"]) == (422, "/checks")
    assert way_out in error["detail"]


def test_another_window_makes_the_pairs_of_every_car_anew(stoats):
    # Inlet air of 38 and 41 degC counts as held by common practice, no source; a shop may ask for more.
    engines = [{**WARM, "inlet": inlet} for inlet in (38.0, 41.0)]
    for n in (1, 2):
        states = [
            {"parts": parts, "pulls": [pull(engine=engine)]}
            for parts, engine in zip(([], ["wide-pipe"]), engines, strict=True)
        ]
        assert stoats.post("/v1/sessions", session(*states, vehicle=f"stoat-{n}")).status_code == 201
    path = "/v1/typical-gain?part=wide-pipe&platform=stoat"

    def held() -> list[bool]:
        return [pair["held"] for pair in stoats.get(path).get_json()["pairs"]]

    assert held() == [True, True]
    assert change(stoats, {"windows": {"inlet": 2.5}}).status_code == 200
    assert held() == [False, False]
    change(stoats, {"windows": {}})
    assert held() == [True, True]


@pytest.mark.parametrize(
    ("value", "way_out"),
    [
        (3, "object"),
        ({"water": 3}, "there are coolant, oil"),
        ({"oil": 0}, "above 0"),
        ({"oil": True}, "number"),
    ],
)
def test_a_window_that_cannot_be_is_422_with_the_way_out(admin, value, way_out):
    (error,) = change(admin, {"windows": value}).get_json()["errors"]
    assert error["pointer"] == "/windows"
    assert way_out in error["detail"]
