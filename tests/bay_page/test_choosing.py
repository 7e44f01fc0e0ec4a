"""Which car, how it stood last, what changed, and the air."""

import re
from html import unescape

import pytest

from tests.bay.answering import answering, kept, problem
from tests.bay_page.conftest import NOWHERE, made, shop


def ticked(page):
    """Values of the boxes that are ticked."""
    return re.findall(r'<input type="(?:checkbox|radio)" name="\w+" value="([^"]*)" checked', page)


def value(page, name):
    """What stands in a field."""
    return unescape(re.search(rf'<input id="{name}" name="{name}" value="([^"]*)"', page)[1])


def test_the_last_cars_of_this_bay_are_offered_the_last_first(alone):
    for tag in ("stoat-014", "wren-002", "stoat-014"):
        alone.choose(tag)
    page = alone.get("/car")
    assert re.findall(r'href="/setup/([^"]+)"', page) == ["stoat-014", "wren-002"]


def test_a_car_is_found_by_its_first_letters_and_from_the_ledgers_list_too(bay):
    assert re.findall(r'href="/setup/([^"]+)"', bay.get("/car?q=WR"))[0] == "wren-002"


def test_the_ledgers_cars_are_still_found_when_the_network_goes_down(bay, tmp_path):
    page = made(tmp_path / "other", NOWHERE)
    page.station.memory.keep_names(bay.station.memory.names("cars"), [])
    assert '"/setup/wren-002"' in page.get("/car?q=w")


def test_a_tag_that_can_be_none_is_named_with_the_way_out_and_kept_as_typed(alone):
    page = alone.get("/car?q=stoat 14")
    assert "Tag: “stoat 14” is no tag; one is 1 to 64 of a–z, 0–9 and -" in page
    assert value(page, "q") == "stoat 14"


def test_a_car_nobody_knows_can_be_taken_all_the_same(alone):
    assert 'href="/setup/stoat-099">It is stoat-099, a tag not known here' in alone.get("/car?q=stoat-099")


def test_the_last_setup_comes_from_the_ledger_when_it_answers(bay):
    page = bay.get("/setup/stoat-014")
    assert re.search(r"from <strong>the ledger</strong>: its last session began <strong>\d+ days ago", page)
    assert ticked(page)[:2] == ["cooler:intercooler", "wide-pipe"]
    assert [value(page, name) for name in ("gear", "tyre_size", "tyre_pressure", "octane")] == [
        "4", "225/45 R17", "240", "98",
    ]  # fmt: skip
    assert "complete" in ticked(page)


def test_what_was_looked_at_or_measured_at_the_last_visit_is_not_said_again_of_this_one(bay):
    page = bay.get("/setup/stoat-014")
    assert [value(page, name) for name in ("operator", "label", "ethanol")] == ["", "", ""]
    assert "verified" not in ticked(page)


def test_without_the_ledger_it_is_what_this_computer_remembers_and_how_old_it_is(alone):
    alone.choose("stoat-014", parts=["wide-pipe"], gear="3")
    alone.press("/off", session=alone.station.desk.work().id)
    page = alone.get("/setup/stoat-014")
    assert re.search(
        r"from <strong>this computer</strong>: it was last here <strong>\d+ s ago</strong>; the ledger does not",
        page,
    )
    assert ticked(page) == ["wide-pipe"]
    assert value(page, "gear") == "3"


def test_of_two_that_know_it_the_later_counts(bay):
    bay.choose("stoat-014", parts=["road-map"])
    bay.press("/off", session=bay.station.desk.work().id)
    assert ticked(bay.get("/setup/stoat-014"))[0] == "road-map"


def test_what_is_ticked_and_typed_is_said_of_the_car_in_si(alone):
    alone.choose(
        "stoat-014", parts=["wide-pipe", "cooler:intercooler"], gear="3", tyre_pressure="240", ethanol="8,5",
        octane="98", octane_method="ron", parts_known="complete", stock_checked="declared", operator="JT",
    )  # fmt: skip
    work = alone.station.desk.work()
    assert work.car == {"car": "stoat-014", "operator": "JT", "gear": 3, "tyre_pressure": 240.0}
    assert work.remembered["parts"] == ["wide-pipe", {"part": "cooler", "slot": "intercooler"}]
    assert work.remembered["ethanol"] == pytest.approx(0.085)
    assert work.remembered["parts_known"] == "complete"


def test_quantities_are_typed_in_the_bays_units(tmp_path):
    bay = made(tmp_path, NOWHERE, units="us")
    bay.choose(tyre_pressure="35")
    bay.press("/air", do="keep", temperature="68", pressure="29.92", humidity="50")
    work = bay.station.desk.work()
    # 1 psi = 6.894757 kPa, 1 inHg = 3.386389 kPa: NIST SP 811, appendix B.8
    assert work.car["tyre_pressure"] == pytest.approx(35 * 6.894757, rel=1e-6)
    air = {name: work.remembered[name] for name in ("temperature", "pressure", "humidity")}
    assert air == pytest.approx(
        {"temperature": 20.0, "pressure": 29.92 * 3.386389, "humidity": 0.5}, rel=1e-6
    )


def test_one_press_of_plus_or_minus_needs_no_script_and_keeps_nothing(alone):
    page = alone.press("/setup/stoat-014", step="tyre_pressure+", tyre_pressure="240", parts="wide-pipe").text
    assert value(page, "tyre_pressure") == "245"
    assert ticked(page) == ["wide-pipe"]
    assert alone.station.desk.work() is None
    assert value(alone.press("/setup/stoat-014", step="gear-", gear="1").text, "gear") == "1"
    assert value(alone.press("/setup/stoat-014", step="gear+", gear="").text, "gear") == "4"


def test_every_wrong_field_is_named_with_its_value_and_nothing_typed_is_lost(alone):
    answer = alone.press(
        "/setup/stoat-014", do="keep", gear="40", ratio="three", tyre_size="225/45 R17", parts="wide-pipe"
    )
    assert answer.status_code == 422
    assert "Gear of the pulls: 40 lies outside 1 to 20; look at" in answer.text
    assert "axle: “three” is no number; use − and +, or leave it empty" in answer.text
    assert [value(answer.text, name) for name in ("gear", "ratio", "tyre_size")] == [
        "40",
        "three",
        "225/45 R17",
    ]
    assert ticked(answer.text) == ["wide-pipe"]
    assert alone.station.desk.work() is None


def test_a_part_that_is_typed_becomes_a_tick(alone):
    page = alone.press("/setup/stoat-014", do="add", another="road-map", gear="3").text
    assert ticked(page) == ["road-map"]
    assert value(page, "gear") == "3"
    wrong = alone.press("/setup/stoat-014", do="add", another="Road Map!")
    assert wrong.status_code == 422
    assert value(wrong.text, "another") == "Road Map!"
    assert "Another part: “Road Map!” must be a short name" in wrong.text


def test_a_part_that_stands_typed_when_the_form_is_kept_counts(alone):
    alone.choose(another="road-map")
    assert alone.station.desk.work().remembered["parts"] == ["road-map"]


def test_a_field_that_is_emptied_is_taken_back_and_not_recorded(alone):
    alone.choose(gear="3", octane="98")
    page = alone.press("/setup/stoat-014", do="keep", gear="", octane="98").text
    assert "Taken back, and not recorded until it is said again: Gear of the pulls." in page
    assert re.search(r"<dt>Gear</dt><dd class=\"big\">not said</dd>", page)
    assert alone.station.desk.work().remembered == {"car": "stoat-014", "parts": [], "octane": 98.0}


def test_air_that_is_emptied_is_not_recorded_and_fixed_figures_do_not_stand_in_for_it(tmp_path):
    bay = made(tmp_path, NOWHERE, tables="[weather]\ntemperature = 19.0\npressure = 99.6\n")
    bay.choose()
    bay.press("/air", do="keep", temperature="31")
    bay.press("/air", do="keep", temperature="")
    assert "temperature" not in bay.get("/").partition("<dt>Air</dt>")[2].partition("</dd>")[0]
    bay.machine_writes("a.csv")
    bay.attach("a.csv")
    assert bay.station.desk.work().runs[0].document["ambient"] == {"pressure": 99.6}


def test_words_for_a_state_go_with_it_when_other_parts_are_ticked(alone):
    alone.choose(label="as it came", gear="3")
    alone.choose(label="as it came", gear="3", parts=["wide-pipe"])
    assert "label" not in alone.station.desk.work().remembered
    alone.choose(label="louder", gear="3", parts=["wide-pipe"])
    assert alone.station.desk.work().remembered["label"] == "louder"


def test_another_car_closes_the_session_in_work_and_says_so_before(alone):
    alone.choose()
    alone.machine_writes("a.csv")
    alone.attach("a.csv")
    assert "Session 1 of stoat-014 with 1 pull is in work. It is closed and sent when you" in alone.get(
        "/setup/wren-002"
    )
    page = alone.press("/setup/wren-002", do="keep").text
    assert "Session 1 is closed and will be sent: car is wren-002, not stoat-014." in page
    assert '<strong id="unsent">1</strong>' in page


def test_parts_that_change_begin_another_state_of_the_same_session(alone):
    alone.choose()
    alone.machine_writes("a.csv", "b.csv")
    alone.attach("a.csv")
    alone.choose(parts=["wide-pipe"])
    alone.attach("b.csv")
    assert [state.said["parts"] for state in alone.station.desk.work().states] == [[], ["wide-pipe"]]


def test_strapped_down_anew_begins_another_session(alone):
    alone.choose()
    alone.machine_writes("a.csv")
    alone.attach("a.csv")
    assert "Session 1 is closed" in alone.press("/setup/stoat-014", do="keep", anew="yes").text
    assert alone.station.desk.work().sequence == 2


def test_the_air_is_said_for_the_pulls_to_come(alone):
    alone.choose()
    page = alone.press("/air", do="keep", temperature="21.5", pressure="99.6", humidity="45").text
    assert "<strong>21.5 °C</strong> <small>said here</small>" in page
    alone.machine_writes("a.csv")
    alone.attach("a.csv")
    ambient = alone.station.desk.work().runs[0].document["ambient"]
    assert ambient == {"temperature": 21.5, "pressure": 99.6, "humidity": 0.45}


def test_air_that_cannot_be_is_refused_with_the_field_the_value_and_the_way_out(alone):
    alone.choose()
    answer = alone.press("/air", do="keep", temperature="215", pressure="1013", humidity="45", dew_point="9")
    assert answer.status_code == 422
    for words in (
        "Air temperature: 215 lies outside -60 to 80 °C; look at the instrument again, and at its unit",
        "Station pressure, absolute: 1013 lies outside 40 to 115 kPa",
        "Dew point: give it or the humidity, not both; empty one of the two",
    ):
        assert words in answer.text
    assert value(answer.text, "pressure") == "1013"


def test_the_dew_point_can_take_the_place_of_the_humidity(alone):
    alone.choose()
    alone.press("/air", do="keep", temperature="20", humidity="45")
    assert alone.press("/air", do="keep", temperature="20", dew_point="8").status_code == 200
    remembered = alone.station.desk.work().remembered
    assert remembered["dew_point"] == 8.0
    assert "humidity" not in remembered


def test_without_a_car_the_air_is_not_kept_and_what_was_typed_stays(alone):
    answer = alone.press("/air", do="keep", temperature="21.5")
    assert answer.status_code == 422
    assert "No car is on the rollers yet: choose the car first" in answer.text
    assert value(answer.text, "temperature") == "21.5"


def test_fixed_weather_counts_without_a_word_and_its_source_is_said(tmp_path):
    bay = made(tmp_path, NOWHERE, tables="[weather]\ntemperature = 18.5\n")
    page = bay.get("/air")
    assert "temperature <strong>18.5 °C</strong> <small>fixed in the settings" in page


def test_a_name_the_ledger_does_not_know_is_said_while_the_car_stands_there(tmp_path):
    def asked(path):
        return (
            problem(404, "there is no vehicle stoat-099") if path == "/v1/vehicles/stoat-099" else shop(path)
        )

    with answering(kept, asked) as ledger:
        bay = made(tmp_path, ledger.url)
        bay.station.ledger.look()
        page = bay.press("/setup/stoat-099", do="keep").text
    assert "Careful: there is no vehicle stoat-099. Unless the ledger knows it by then" in page
    assert bay.station.desk.work().car["car"] == "stoat-099"


def test_a_basis_that_no_mapping_says_is_asked_for(tmp_path):
    bay = made(tmp_path, NOWHERE)
    assert 'name="basis"' not in bay.get("/setup/stoat-014")
    mapping = bay.computer.bay_dir / "mapping.toml"
    mapping.write_text(mapping.read_text().replace('basis = "observed"', ""))
    assert 'name="basis"' in bay.get("/setup/stoat-014")
    bay.choose(basis="observed")
    bay.machine_writes("a.csv")
    bay.attach("a.csv")
    assert bay.station.desk.work().runs[0].document["basis"] == "observed"


def air_shown(page):
    return page.partition("<dt>Air</dt>")[2].partition("</dd>")[0]


def test_air_said_for_the_last_car_is_shown_with_its_age_and_not_used_for_the_next(alone):
    alone.choose()
    alone.press("/air", do="keep", temperature="21.5", humidity="41")
    alone.choose("wren-002")
    shown = air_shown(alone.get("/"))
    assert "not known" in shown
    assert re.search(
        r"Said last in this bay, and not used:.*temperature <strong>21\.5 °C</strong> <small>\d+ s ago</small>",
        shown,
        re.S,
    )
    alone.machine_writes("a.csv")
    alone.attach("a.csv")
    assert "ambient" not in alone.station.desk.work().runs[0].document


def test_the_last_air_is_filled_in_by_a_press_and_kept_only_by_another(alone):
    alone.choose()
    alone.press("/air", do="keep", temperature="21.5", humidity="41")
    alone.choose("wren-002")
    page = alone.get("/air")
    assert value(page, "temperature") == ""
    assert 'href="/air?fill=last"' in page
    filled = alone.get("/air?fill=last")
    assert [value(filled, name) for name in ("temperature", "humidity", "pressure")] == ["21.5", "41", ""]
    assert "temperature" not in alone.station.desk.work().remembered
    alone.press("/air", do="keep", temperature="21.5", humidity="41")
    assert alone.station.desk.work().remembered["humidity"] == 0.41
    assert "Said last" not in air_shown(alone.get("/"))


def test_air_that_the_weather_file_or_the_settings_say_is_not_shown_a_second_time(tmp_path):
    bay = made(tmp_path, NOWHERE, tables="[weather]\ntemperature = 19.0\n")
    bay.choose()
    bay.press("/air", do="keep", temperature="31")
    bay.choose("wren-002")
    assert "Said last" not in air_shown(bay.get("/"))
