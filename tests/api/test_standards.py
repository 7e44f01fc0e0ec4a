"""GET /v1/standards: every correction standard, with its formula, limits and where each was read."""

import csv
import io

import pytest

from service.domain.correction import STANDARDS


def listed(client, query=""):
    """The rows by slug."""
    answer = client.get(f"/v1/standards{query}")
    assert answer.status_code == 200, answer.text
    return {row["slug"]: row for row in answer.json["items"]}


def test_every_standard_stands_in_the_list_with_its_source(reader):
    rows = listed(reader)
    assert list(rows) == list(STANDARDS)
    for slug, row in rows.items():
        assert (row["name"], row["formula"], row["boosted"], row["source"]) == (
            STANDARDS[slug].name,
            STANDARDS[slug].formula,
            STANDARDS[slug].boosted,
            STANDARDS[slug].source,
        )
    assert [slug for slug, row in rows.items() if row["needs_engine"]] == ["iso-1585", "un-r85", "jis-d1001"]


def test_reference_and_limits_come_in_the_asked_units(reader):
    si, us = listed(reader, "?units=si")["un-r85"], listed(reader, "?units=us")["un-r85"]
    assert si["reference"] == {"temperature": 25.0, "pressure": 100.0, "vapour_pressure": 1.0}
    assert si["limits_compression"] == {
        "factor": [0.9, 1.1],
        "temperature": [10.0, 40.0],
        "pressure": [80.0, 110.0],
    }
    assert us["reference"]["temperature"] == pytest.approx(77.0)
    assert us["reference"]["pressure"] == pytest.approx(29.52998, abs=1e-4)  # inHg of 3.386389 kPa
    assert us["limits_spark"] == {"factor": [0.93, 1.07], "temperature": [59.0, 95.0], "pressure": None}


def test_what_takes_no_air_has_no_reference(reader):
    none = listed(reader)["none"]
    assert (none["reference"], none["pressure"]) == (None, None)
    assert listed(reader)["din-70020"]["pressure"] == "total"


def test_the_list_comes_as_csv_too(reader):
    answer = reader.get("/v1/standards", Accept="text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["slug"] for row in rows] == list(STANDARDS)
    assert rows[0]["formula"].startswith("1.18 x")


def test_it_is_open_to_readers_and_bays_and_not_to_strangers(reader, bay, nobody):
    assert [client.get("/v1/standards").status_code for client in (reader, bay, nobody)] == [200, 200, 401]
