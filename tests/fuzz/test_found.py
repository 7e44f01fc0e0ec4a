"""What fuzzing found, each as the smallest request or file that showed it."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.bay.known import NotUnderstood, understood
from service.bay.settings import BayNotSet, read_settings
from service.bay.sidecar import CannotTake, said_beside
from service.domain.checks.company import length_of
from service.schemas.sessions import SessionPost
from service.schemas.setup_documents import KeptPull, KeptSetup
from service.tables import mapping as mappings
from service.tables.errors import BadMapping, Unreadable
from service.tables.example_mapping import EXAMPLE
from service.tables.text import decode
from service.transfer.errors import TransferError
from service.transfer.history_mapping import read_mapping
from service.transfer.sheets import opened
from tests.fuzz.spoilt import good_session
from tests.transfer.old_files import MAPPING


def test_a_setup_named_by_dashes_alone_is_refused_where_a_sheet_is_asked_for(shop):
    answer = shop.client.get(f"/v1/sessions/{shop.names['id'][0]}/sheet?before={'-' * 36}/setups/1")
    assert answer.status_code == 422
    assert answer.json["errors"][0]["parameter"] == "before"


@pytest.mark.parametrize("tag", ["'\"", '"', ',"'])
def test_a_tag_that_is_a_lone_quote_names_no_version(shop, tag):
    assert shop.client.patch("/v1/parts/mesh-pipe", {"labour_hours": 1}, If_Match=tag).status_code in (
        412,
        428,
    )


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00Z", "0001-06-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_a_time_at_the_end_of_the_calendar_is_refused_by_name(shop, at):
    answer = shop.client.post("/v1/sessions", {**good_session(), "started_at": at})
    assert answer.status_code == 422
    (fault,) = answer.json["errors"]
    assert (fault["pointer"], fault["detail"]) == ("/started_at", "lies outside the calendar; check the year")


@pytest.mark.parametrize("last", [1e7, 1e12, 1e300])
def test_a_pull_whose_times_span_years_is_kept_or_refused(shop, last):
    session = good_session()
    pull = session["setups"][0]["pulls"][0]
    pull["test"] = "steps"
    pull["curve"]["time"] = [*pull["curve"]["time"][:-1], last]
    answer = shop.client.post("/v1/sessions", session)
    assert answer.status_code in (201, 422), answer.text


def test_times_that_no_pull_takes_are_no_length_of_one():
    session = good_session()
    pull = session["setups"][0]["pulls"][0]
    (posted,) = SessionPost().load(session).setups[0].pulls
    assert length_of(posted) == timedelta(seconds=pull["curve"]["time"][-1])
    assert length_of(replace(posted, channels={"time": np.array([0.0, 1e300])})) is None


def test_a_setup_and_a_pull_on_their_own_are_what_the_document_says(shop):
    setup = shop.client.get(f"/v1/sessions/{shop.names['id'][0]}/setups/1").json
    pull = shop.client.get(f"/v1/pulls/{shop.names['pull_id'][0]}").json
    assert set(setup) == set(KeptSetup().fields)
    assert set(pull) == set(KeptPull().fields)


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 3000, "gear = " + "9" * 5000, "gear = " + "1" * 400, "basis = {standard = []}", "started_at = 0001-01-01"]
)  # fmt: skip
def test_a_sidecar_that_python_cannot_read_waits_until_it_is_mended(tmp_path, text):
    (tmp_path / "pull.csv.toml").write_text(text)
    with pytest.raises(CannotTake, match="waits until it is mended"):
        said_beside(tmp_path / "pull.csv", "si")


def test_a_figure_that_only_its_unit_makes_endless_is_refused():
    with pytest.raises(NotUnderstood, match="beyond any instrument"):
        understood({"tyre_pressure": 1.7e308}, "flags", "us")


@pytest.mark.parametrize(
    ("text", "words"),
    [("a = " + "[" * 3000, "cannot be read"), ('url = "http://[a"\nbay = "north"\nunits = "si"', "is no address"),
     (f'url = "http://a"\nbay = "north"\nunits = "si"\nwatch = {"1" * 5000}', "cannot be read")],
)  # fmt: skip
def test_settings_of_a_bay_that_cannot_be_read_are_said(tmp_path, text, words):
    (tmp_path / "bay.toml").write_text(text)
    with pytest.raises(BayNotSet, match=words):
        read_settings({"bay_dir": tmp_path}, {})


def test_a_codec_that_turns_no_bytes_into_text_is_no_encoding():
    for name in ("rot13", "hex", "idna-x"):
        with pytest.raises(Unreadable, match="is not known"):
            decode(b"abc", name)


def test_a_date_whose_form_names_a_part_twice_is_a_mistake_of_the_mapping():
    with pytest.raises(BadMapping, match="day, month and year once"):
        mappings.read(EXAMPLE.replace("%d/%m/%Y %H:%M", "%d/%d/%m/%Y"))
    with pytest.raises(BadMapping, match="%d and %m once"):
        read_mapping(MAPPING.replace("%d.%m.%Y", "%d.%d.%m.%Y"))


def test_a_mapping_of_an_old_history_that_python_cannot_read_is_said():
    for text in ("a = " + "[" * 3000, "a = " + "9" * 5000):
        with pytest.raises(BadMapping, match="is no TOML"):
            read_mapping(text)
    with pytest.raises(BadMapping, match="no such standard"):
        read_mapping(MAPPING.replace("[every]", "[every]\nbasis = {standard = []}"))


def test_an_old_file_without_the_mark_of_its_encoding_is_told_to_say_another(tmp_path):
    path = tmp_path / "old.csv"
    path.write_bytes("Date,Car\n1,2\n".encode("utf-16-le"))
    with pytest.raises(TransferError, match="say the file's encoding"), opened(path, utf_16()) as source:
        list(source.rows)


def utf_16():
    """A mapping that states an encoding whose mark tells the order of its bytes."""
    return read_mapping(MAPPING + '[file]\nencoding = "utf-16"\n')
