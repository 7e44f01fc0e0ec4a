"""/v1/checks: what is looked at when a session is posted, and with which limits."""

import csv
import io

from service.domain.checks import RULES


def listed(client, query: str = "") -> dict:
    return {item["code"]: item for item in client.get(f"/v1/checks{query}").get_json()["items"]}


def test_every_check_is_listed_with_its_limits_and_origin(shop):
    items = listed(shop)
    assert list(items) == list(RULES)
    assert items["rpm-coverage"] == {
        "code": "rpm-coverage",
        "level": "doubtful",
        "on": True,
        "area": "typing",
        "looks_for": "Too little of the platform's rev range.",
        "consistent_with": "a pull begun late or broken off",
        "limits": [
            {
                "name": "least", "value": 0.6, "default": 0.6, "low": 0.0, "high": 1.0, "unit": "share",
                "meaning": "share of the platform's rev range that a pull should cover",
            }
        ],
        "origin": "common practice, no source",
    }  # fmt: skip


def test_the_limits_are_those_in_force_for_the_bay_asked_for(shop):
    for path, value in (
        ("/v1/settings", {"rpm-coverage": {"least": 0.5}, "few-samples": {"on": False}}),
        ("/v1/bays/north/settings", {"rpm-coverage": {"least": 0.4}}),
    ):
        assert shop.patch(path, {"checks": value}, If_Match=shop.get(path).headers["ETag"]).status_code == 200
    for query, least in (("", 0.5), ("?bay=north", 0.4)):
        items = listed(shop, query)
        assert items["rpm-coverage"]["limits"][0]["value"] == least
        assert items["few-samples"]["on"] is False
    assert shop.get("/v1/checks?bay=nroth").status_code == 404


def test_each_can_be_read_as_csv(shop):
    rows = list(csv.reader(io.StringIO(shop.get("/v1/checks", Accept="text/csv").text)))
    assert rows[0] == ["code", "level", "on", "area", "looks_for", "consistent_with", "limits", "origin"]
    assert len(rows) == 1 + len(RULES)


def test_in_a_spreadsheet_a_check_is_one_line_with_its_limits_readable(shop):
    etag = shop.get("/v1/settings").headers["ETag"]
    off = {"checks": {"few-samples": {"on": False}}}
    assert shop.patch("/v1/settings", off, If_Match=etag).status_code == 200
    rows = csv.DictReader(io.StringIO(shop.get("/v1/checks", Accept="text/csv").text))
    of_code = {row["code"]: row for row in rows}
    assert of_code["rpm-coverage"]["limits"] == "least=0.6 share"
    assert (of_code["rpm-coverage"]["on"], of_code["few-samples"]["on"]) == ("true", "false")
    assert of_code["pulls-disagree"]["limits"] == "times=1"
    assert not any("{" in row["limits"] for row in of_code.values())


def test_what_a_check_looks_for_is_one_line(shop):
    said = {code: item["looks_for"] for code, item in listed(shop).items()}
    assert [code for code, words in said.items() if "\n" in words or "  " in words or not words] == []


def test_the_settings_of_windows_and_checks_say_that_a_change_replaces_the_whole_value(shop):
    meanings = {item["name"]: item["meaning"] for item in shop.get("/v1/settings").get_json()["items"]}
    assert [name for name, words in meanings.items() if "replaces the whole value" in words] == [
        "windows",
        "checks",
    ]
    for value in ({"coolant": 8}, {"oil": 9}):
        etag = shop.get("/v1/settings").headers["ETag"]
        shop.patch("/v1/settings", {"windows": value}, If_Match=etag)
    values = {item["name"]: item["value"] for item in shop.get("/v1/settings").get_json()["items"]}
    assert values["windows"] == {"oil": 9}
