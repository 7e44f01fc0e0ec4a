"""GET /v1/vehicles and GET /v1/vehicles/{tag}."""

from tests.api.bodies import PLATFORM, VEHICLE, added


def tags(response) -> list[str]:
    return [item["tag"] for item in response.get_json()["items"]]


def test_q_seeks_in_the_tag_whatever_its_case(shop):
    added(shop, "/v1/vehicles", VEHICLE, tag="weekend-car")
    assert tags(shop.get("/v1/vehicles?q=KEND")) == ["weekend-car"]
    assert tags(shop.get("/v1/vehicles?q=%25")) == []


def test_platform_keeps_to_its_cars(shop):
    added(shop, "/v1/platforms", PLATFORM, slug="heron")
    added(shop, "/v1/vehicles", VEHICLE, tag="other-kind", platform="heron")
    assert tags(shop.get("/v1/vehicles?platform=heron")) == ["other-kind"]
    assert tags(shop.get("/v1/vehicles?platform=stoat")) == ["car-a"]


def test_an_unknown_platform_is_404_naming_the_nearest(shop):
    response = shop.get("/v1/vehicles?platform=stot")
    assert response.status_code == 404
    assert "stoat" in response.get_json()["detail"]


def test_a_car_that_is_known_already_is_304(shop):
    etag = shop.get("/v1/vehicles/car-a").headers["ETag"]
    assert shop.get("/v1/vehicles/car-a", If_None_Match=etag).status_code == 304
    assert shop.get("/v1/vehicles/car-a", If_None_Match='"v2.0"').status_code == 200
