"""/v1/platforms."""

import pytest

from tests.api.bodies import PLATFORM, added
from tests.conftest import version_of


def test_a_platform_is_answered_in_the_units_it_was_posted_in(admin):
    body = {**PLATFORM, "rated_power": 201.2, "units": "us", "displacement_l": 1.6, "rpm_limit": 6800}
    made = added(admin, "/v1/platforms", body).get_json()
    assert {name: made[name] for name in body} == body


def test_rated_power_is_read_in_any_units(admin):
    added(admin, "/v1/platforms", PLATFORM, rated_power=150, units="si")
    # NIST SP 811: 1 hp (550 ft.lbf/s) = 745.6999 W; 1 metric horsepower = 735.49875 W
    assert admin.get("/v1/platforms/stoat?units=us").get_json()["rated_power"] == pytest.approx(
        150e3 / 745.6999, rel=1e-6
    )
    assert admin.get("/v1/platforms/stoat?units=ps").get_json()["rated_power"] == pytest.approx(
        150e3 / 735.49875
    )


def test_a_quantity_without_units_is_422(admin):
    response = admin.post("/v1/platforms", {**PLATFORM, "rated_power": 150})
    assert response.status_code == 422
    assert "which unit" in response.get_json()["errors"][0]["detail"]


def test_q_seeks_in_names_too(admin):
    added(admin, "/v1/platforms", PLATFORM, maker="Halvern")
    assert len(admin.get("/v1/platforms?q=halv").get_json()["items"]) == 1
    assert admin.get("/v1/platforms?q=%25").get_json()["items"] == []


def test_an_unknown_platform_is_404_naming_the_nearest(shop):
    response = shop.get("/v1/platforms/stot")
    assert response.status_code == 404
    assert "stoat" in response.get_json()["detail"]


def test_a_platform_is_changed_under_its_newest_version(shop):
    assert shop.patch("/v1/platforms/stoat", {"maker": "Halvern"}).status_code == 428
    assert shop.patch("/v1/platforms/stoat", {"maker": "Halvern"}, If_Match='"v2"').status_code == 412
    response = shop.patch("/v1/platforms/stoat", {"maker": "Halvern"}, If_Match='"v1"')
    assert (response.get_json()["maker"], version_of(response)) == ("Halvern", '"v2"')
    row = shop.get("/v1/history?about=platforms/stoat").get_json()["items"][0]
    assert (row["before"], row["after"]) == ({"maker": None}, {"maker": "Halvern"})


def test_a_change_moves_the_versions_of_all_its_answers(shop, connection):
    connection.execute(
        "INSERT INTO evidence_version (platform_id, part_id, version) SELECT platform_id, part, 7 FROM platform, (VALUES (0), (1)) AS v (part)"
    )
    shop.patch("/v1/platforms/stoat", {"aspiration": "natural"}, If_Match='"v1"')
    assert connection.execute("SELECT DISTINCT version FROM evidence_version").fetchall() == [(8,)]


def test_a_slug_that_is_taken_is_409(shop):
    assert shop.post("/v1/platforms", PLATFORM).status_code == 409
