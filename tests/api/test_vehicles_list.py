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


def test_a_tag_that_is_unknown_names_other_cars_only_to_those_who_post(shop, reader):
    """A bay that mistypes needs the hint; whoever reads is not shown strangers' cars."""
    told = shop.get("/v1/vehicles/car-x")
    assert told.status_code == 404
    assert "the nearest are car-a" in told.get_json()["detail"]
    for address in ("/v1/vehicles/car-x", "/v1/vehicles/car-x/own-readings", "/v1/vehicles/car-x/states"):
        read = reader.get(address)
        assert read.status_code == 404
        assert "car-a" not in read.text


def test_a_name_unlike_all_others_is_answered_without_a_hint(shop):
    """Trigram similarity above 0.2 (our choice): `stout` is like `stoat`, `zzz` is not."""
    assert "the nearest are stoat" in shop.get("/v1/platforms/stout").get_json()["detail"]
    assert "nearest" not in shop.get("/v1/platforms/zzz").get_json()["detail"]
    assert "nearest" not in shop.get("/v1/parts/zzz").get_json()["detail"]
