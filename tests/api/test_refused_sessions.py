"""POST /v1/sessions with bad input: 4xx, a pointer, the value, the way out, and nothing left behind."""

import json
import sys

import orjson
import pytest

from tests.conftest import Client
from tests.factories import AIR, RPM, hump, pull, session, setup

TABLES = (
    "session", "setup", "setup_part", "setup_summary", "setup_curve", "pull", "pull_raw", "finding", "pair",
    "kept_answer", "history", "evidence_version",
)  # fmt: skip
CURVE = "/setups/0/pulls/0/curve"


def counts(connection) -> dict[str, int]:
    """Rows of every table a post writes to."""
    return {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in TABLES}


@pytest.fixture(autouse=True)
def nothing_is_left_behind(connection, stoats):
    """Whatever a test below posts, the ledger holds afterwards what it held before."""
    before = counts(connection)
    yield
    assert counts(connection) == before


def refused(client: Client, body: object, status: int = 422) -> list[dict]:
    """The faults of a post that must be refused in the one shape, under a key that it must not use up."""
    response = client.post("/v1/sessions", body, Idempotency_Key="one")
    assert response.status_code == status, response.text
    assert response.content_type == "application/problem+json"
    assert response.json["status"] == status
    assert {"type", "title", "detail"} <= set(response.json)
    return response.json["errors"]


def only_fault(client: Client, body: object) -> dict:
    """The one fault of a post that must be refused."""
    (fault,) = refused(client, body)
    return fault


def with_pull(**fields) -> dict:
    """A session of one pull with changes."""
    return session({"parts": [], "pulls": [pull(**fields)]})


def with_curve(**channels) -> dict:
    """A session of one pull with changed channels."""
    return with_pull(curve={"rpm": RPM, "torque": [hump(rpm) for rpm in RPM], **channels})


def raw(client: Client, text: str | bytes):
    """A post of a body as it stands."""
    return client.raw("POST", "/v1/sessions", data=text, content_type="application/json")


def test_every_fault_of_the_form_is_listed_at_once(stoats):
    body = with_pull(ambient={"temperature": "warm", "pressure": 100}, basis="measured", ramp=-4)
    faults = refused(stoats, {**body, "gear": 4.5, "colour": "red", "started_at": "yesterday"})
    at = "/setups/0/pulls/0"
    assert {fault["pointer"] for fault in faults} == {
        f"{at}/ambient/temperature", f"{at}/basis", f"{at}/ramp", "/gear", "/colour", "/started_at",
    }  # fmt: skip


def test_every_impossible_value_is_listed_at_once(stoats):
    torque = [hump(rpm) for rpm in RPM]
    bad = [
        {
            "parts": [],
            "pulls": [pull(curve={"rpm": RPM, "torque": [9e3, *torque[1:]], "lambda": [14.7] * len(RPM)})],
        }
    ]
    bad.append({"parts": [], "pulls": [pull(ambient={**AIR, "pressure": 60})]})
    codes = [(f["code"], f["pointer"]) for f in refused(stoats, session(*bad))]
    assert codes == [
        ("impossible-value", f"{CURVE}/torque/0"),
        ("impossible-value", f"{CURVE}/lambda/0"),
        ("factor-impossible", "/setups/1/pulls/0/ambient"),
    ]


@pytest.mark.parametrize("field", ["vehicle", "bay", "started_at", "setups", "units"])
def test_a_missing_field_is_named(stoats, field):
    body = {name: value for name, value in session().items() if name != field}
    fault = only_fault(stoats, body)
    assert fault["pointer"] == f"/{field}"
    assert "missing" in fault["detail"]


@pytest.mark.parametrize("wrong", [None, True, 7, "", "\x00", [], {}, [[]], {"a": 1}], ids=repr)
@pytest.mark.parametrize("field", ["vehicle", "bay", "started_at", "setups", "units"])
def test_a_wrong_type_is_refused_where_it_stands(stoats, field, wrong):
    faults = refused(stoats, {**session(), field: wrong})
    assert faults[0]["pointer"].startswith(f"/{field}")


@pytest.mark.parametrize("wrong", [True, 7, "x", [7], [[1]], [None]], ids=repr)
@pytest.mark.parametrize("field", ["ambient", "engine", "smoothing", "curve", "basis", "status", "source"])
def test_a_wrong_type_inside_a_pull_is_refused_where_it_stands(stoats, field, wrong):
    faults = refused(stoats, with_pull(**{field: wrong}))
    assert faults[0]["pointer"].startswith(f"/setups/0/pulls/0/{field}")


@pytest.mark.parametrize("sample", [None, True, "181.2", [1], {}], ids=repr)
def test_a_sample_that_is_no_number_is_pointed_at(stoats, sample):
    torque = [hump(rpm) for rpm in RPM]
    torque[5] = sample
    fault = only_fault(stoats, with_curve(torque=torque))
    assert fault["pointer"] == f"{CURVE}/torque/5"
    assert "send every sample as a number" in fault["detail"]


def test_arrays_of_unequal_length_are_refused_with_both_lengths(stoats):
    fault = only_fault(stoats, with_curve(torque=[200.0] * 100))
    assert fault["pointer"] == f"{CURVE}/torque"
    assert "100 samples where rpm has 181" in fault["detail"]


@pytest.mark.parametrize("rpm", [-50.0, 0.0])
def test_an_engine_speed_not_above_nought_is_pointed_at_with_its_value(stoats, rpm):
    speeds = [*RPM[:9], rpm, *RPM[10:]]
    fault = only_fault(stoats, with_curve(rpm=speeds))
    assert (fault["pointer"], fault["value"]) == (f"{CURVE}/rpm/9", rpm)
    assert "must be above 0" in fault["detail"]


def test_an_empty_curve_is_refused(stoats):
    faults = refused(stoats, with_pull(curve={"rpm": [], "torque": []}))
    assert {fault["pointer"] for fault in faults} == {f"{CURVE}/rpm", f"{CURVE}/torque"}
    assert "at least two samples" in faults[0]["detail"]


def test_a_curve_of_one_sample_or_of_speeds_alone_is_refused(stoats):
    one = only_fault(stoats, with_pull(curve={"rpm": [2000], "torque": [200]}))
    alone = only_fault(stoats, with_pull(curve={"rpm": RPM}))
    assert (one["pointer"], alone["pointer"]) == (f"{CURVE}/rpm", f"{CURVE}/torque")


def test_a_curve_that_never_pulls_is_refused_with_the_way_out(stoats):
    fault = only_fault(stoats, with_curve(torque=[0.0] * len(RPM)))
    assert fault["code"] == "no-pull"
    assert "sign" in fault["detail"]


@pytest.mark.parametrize("name", ["torque", "time", "lambda"])
def test_a_number_beyond_all_measure_is_refused_in_any_channel(stoats, name):
    fault = only_fault(stoats, with_curve(**{name: [1e300] * len(RPM)}))
    assert (fault["pointer"], fault["value"]) == (f"{CURVE}/{name}/0", 1e300)


@pytest.mark.parametrize(("units", "name"), [("us", "torque"), ("us", "map"), ("us", "axle_torque")])
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("said", [{}, {"status": "rejected", "reason": "slip"}])
@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_number_that_is_none_in_si_is_refused_at_its_place_with_what_was_sent(
    stoats, units, name, sign, said
):
    """1 lbf·ft is 1.356 N·m, 1 inHg 3.386 kPa: the largest number of a float (IEEE 754 binary64) has none above it."""
    largest = sign * sys.float_info.max
    curve = {"rpm": RPM, "torque": [200.0] * len(RPM), name: [20.0] * 7 + [largest] + [20.0] * (len(RPM) - 8)}
    body = session({"parts": [], "pulls": [{"basis": "observed", "curve": curve, **said}]}, units=units)
    fault = only_fault(stoats, body)
    assert (fault["pointer"], fault["value"]) == (f"{CURVE}/{name}/7", largest)
    assert ("inf" in fault["detail"], "check" in fault["detail"]) == (False, True)


def test_a_curve_and_peaks_together_or_neither_are_refused(stoats):
    both = only_fault(stoats, with_pull(peaks={"power": 100}))
    neither = only_fault(stoats, session({"parts": [], "pulls": [{"basis": "observed"}]}))
    assert both["pointer"] == neither["pointer"] == CURVE


def test_peaks_of_nothing_are_refused(stoats):
    fault = only_fault(
        stoats, session({"parts": [], "pulls": [{"basis": "observed", "peaks": {"power_rpm": 5000}}]})
    )
    assert fault["pointer"] == "/setups/0/pulls/0/peaks"


def test_a_rejected_pull_needs_its_reason(stoats):
    assert only_fault(stoats, with_pull(status="rejected"))["pointer"] == "/setups/0/pulls/0/reason"


@pytest.mark.parametrize(("of", "size"), [("setups", 0), ("setups", 51), ("pulls", 0), ("pulls", 51)])
def test_no_setup_or_pull_and_too_many_are_refused(stoats, of, size):
    body = (
        session(*[setup(pulls=1)] * size)
        if of == "setups"
        else session({"parts": [], "pulls": [pull()] * size})
    )
    if of == "setups":
        body["setups"] = [setup(pulls=1)] * size
    fault = only_fault(stoats, body)
    assert fault["pointer"] == ("/setups" if of == "setups" else "/setups/0/pulls")
    assert "between 1 and 50" in fault["detail"]


def test_a_hundred_thousand_samples_are_refused(stoats):
    faults = refused(stoats, with_pull(curve={"rpm": [3000.5] * 100_000, "torque": [200.5] * 100_000}))
    assert {fault["pointer"] for fault in faults} == {f"{CURVE}/rpm", f"{CURVE}/torque"}
    assert "has 100000 samples; at most 20000" in faults[0]["detail"]


def test_twenty_megabytes_are_413_and_told_the_limit(stoats):
    response = raw(stoats, b'{"units": "si", "operator": "' + b"x" * 20_000_000 + b'"}')
    assert response.status_code == 413
    assert response.content_type == "application/problem+json"
    assert "send one session at a time" in response.json["detail"]


def test_two_megabytes_are_read_and_their_faults_named(stoats):
    pulls = [
        pull(curve={"rpm": [2000.125 + i for i in range(4500)], "torque": [200.125] * 4500})
        for _ in range(30)
    ]
    pulls[29]["curve"]["torque"][7] = "x"
    body = orjson.dumps(session({"parts": [], "pulls": pulls}))
    assert len(body) > 2_000_000
    response = raw(stoats, body)
    assert response.status_code == 422
    assert [f["pointer"] for f in response.json["errors"]] == ["/setups/0/pulls/29/curve/torque/7"]


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_what_json_has_no_word_for_is_400(stoats, word):
    text = json.dumps(with_curve()).replace("248.0", "SPOT", 1).replace(str(hump(2000.0)), word, 1)
    assert word in text
    response = raw(stoats, text)
    assert response.status_code == 400
    assert "NaN and Infinity are not JSON" in response.json["detail"]


@pytest.mark.parametrize("text", ["", "{", '{"units": "si",}', "\xff", '{"operator": "\\ud800"}'])
def test_broken_json_is_400(stoats, text):
    response = raw(stoats, text.encode("latin-1"))
    assert response.status_code == 400
    assert response.content_type == "application/problem+json"


def test_another_content_type_is_415(stoats):
    response = stoats.raw("POST", "/v1/sessions", data=json.dumps(session()), content_type="text/plain")
    assert response.status_code == 415
    assert "send application/json" in response.json["detail"]


@pytest.mark.parametrize("text", ["[]", '"x"', "7", "null"])
def test_a_body_that_is_no_object_is_422(stoats, text):
    response = raw(stoats, text)
    assert response.status_code == 422
    assert "object" in response.json["errors"][0]["detail"]


@pytest.mark.parametrize(("field", "pointer"), [("operator", "/operator"), ("tyre_size", "/tyre_size")])
def test_a_null_byte_is_refused(stoats, field, pointer):
    fault = only_fault(stoats, session(**{field: "a\x00b"}))
    assert fault["pointer"] == pointer
    assert "null byte" in fault["detail"]


def test_a_null_byte_inside_a_label_or_reason_is_refused(stoats):
    faults = refused(stoats, session({**setup(pulls=1), "label": "\x00", "pulls": [pull(reason="\x00")]}))
    assert {fault["pointer"] for fault in faults} == {"/setups/0/label", "/setups/0/pulls/0/reason"}


def test_a_pressure_in_hectopascal_is_refused_and_the_unit_asked_for(stoats):
    fault = only_fault(stoats, with_pull(ambient={**AIR, "pressure": 1000.0}))
    assert (fault["pointer"], fault["value"]) == ("/setups/0/pulls/0/ambient/pressure", 1000.0)
    assert "must lie between 40 and 115 kPa: is it in another unit?" in fault["detail"]


def test_a_humidity_in_percent_is_refused(stoats):
    fault = only_fault(stoats, with_pull(ambient={**AIR, "humidity": 46}))
    assert (fault["pointer"], fault["value"]) == ("/setups/0/pulls/0/ambient/humidity", 46)


def test_a_dew_point_above_the_temperature_is_refused(stoats):
    fault = only_fault(stoats, with_pull(ambient={"temperature": 20, "pressure": 100, "dew_point": 21}))
    assert (fault["pointer"], fault["value"]) == ("/setups/0/pulls/0/ambient/dew_point", 21)
    assert "swapped" in fault["detail"]


def test_a_future_date_is_refused(stoats):
    fault = only_fault(stoats, {**session(), "started_at": "2050-01-01T00:00:00+00:00"})
    assert (fault["pointer"], fault["value"]) == ("/started_at", "2050-01-01T00:00:00+00:00")
    assert "set the bay's clock right" in fault["detail"]


@pytest.mark.parametrize("time", ["2026-03-18", "2026-03-18T16:20:00", "18/03/2026 16:20", 1.7e9])
def test_a_time_without_offset_or_in_another_form_is_refused(stoats, time):
    fault = only_fault(stoats, {**session(), "started_at": time})
    assert (fault["pointer"], fault["value"]) == ("/started_at", time)


@pytest.mark.parametrize(
    ("field", "name", "near"), [("vehicle", "stoat-99", "stoat-9"), ("bay", "nort", "north")]
)
def test_an_unknown_car_or_bay_is_named_with_the_nearest(stoats, field, name, near):
    fault = only_fault(stoats, session(**{field: name}))
    assert (fault["pointer"], fault["value"], fault["code"]) == (f"/{field}", name, f"unknown-{field}")
    assert near in fault["detail"]
    assert f"POST /v1/{field}s" in fault["detail"]


def test_an_unknown_part_is_named_with_the_nearest(stoats):
    fault = only_fault(stoats, session(setup(["road-map", "wide-pip"])))
    assert (fault["pointer"], fault["value"]) == ("/setups/0/parts/1", "wide-pip")
    assert "the nearest are wide-pipe" in fault["detail"]


def test_all_unknown_names_are_listed_at_once(stoats):
    faults = refused(
        stoats,
        session(setup(["pipe"]), setup([{"part": "mapp", "slot": "calibration"}]), vehicle="x", bay="y"),
    )
    assert {f["code"] for f in faults} == {"unknown-vehicle", "unknown-bay", "unknown-part"}
    assert [f["pointer"] for f in faults if f["code"] == "unknown-part"] == [
        "/setups/0/parts/0",
        "/setups/1/parts/0",
    ]


def test_no_part_list_at_all_is_refused_and_told_how_to_say_nothing_is_fitted(stoats):
    fault = only_fault(stoats, session({"pulls": [pull()]}))
    assert fault["pointer"] == "/setups/0/parts"
    assert "or [] for nothing" in fault["detail"]


def test_two_parts_in_one_slot_are_refused(stoats):
    fault = only_fault(stoats, session(setup(["wide-pipe", "mesh-pipe"])))
    assert (fault["pointer"], fault["value"], fault["code"]) == (
        "/setups/0/parts/1",
        "mesh-pipe",
        "slot-taken-twice",
    )
    assert "list the one fitted" in fault["detail"]


def test_a_part_not_in_its_slot_is_refused_and_told_which_it_fills(stoats):
    fault = only_fault(stoats, session(setup([{"part": "wide-pipe", "slot": "calibration"}])))
    assert (fault["pointer"], fault["value"]) == ("/setups/0/parts/0/slot", "calibration")
    assert "it fills down-pipe" in fault["detail"]


@pytest.mark.parametrize(
    "resolution", [{"torque": 0}, {"torque": -0.1}, {"torque": "fine"}, {"knock": 1}, [1]], ids=repr
)
def test_a_resolution_that_cannot_be_is_refused(stoats, resolution):
    faults = refused(stoats, with_curve(resolution=resolution))
    assert faults[0]["pointer"].startswith(f"{CURVE}/resolution")


def test_an_unknown_standard_is_refused_with_the_known_ones(stoats):
    fault = only_fault(stoats, with_pull(basis={"standard": "sae"}))
    assert (fault["pointer"], fault["value"]) == ("/setups/0/pulls/0/basis/standard", "sae")
    assert "sae-j1349" in fault["detail"]


def test_axle_torque_without_a_ratio_is_refused(stoats):
    fault = only_fault(stoats, with_pull(curve={"rpm": RPM, "axle_torque": [900.0] * len(RPM)}))
    assert (fault["pointer"], fault["code"]) == ("/ratio", "ratio-missing")


def test_power_in_the_wrong_unit_is_refused(stoats):
    power = [hump(rpm) * rpm * 3.14159265 / 30_000 / 0.7457 for rpm in RPM]
    fault = only_fault(stoats, with_curve(power=power))
    assert (fault["pointer"], fault["code"]) == (f"{CURVE}/power", "power-torque-disagree")


def test_a_token_of_another_scope_is_403_and_none_is_401(reader, nobody):
    assert reader.post("/v1/sessions", session()).status_code == 403
    response = nobody.post("/v1/sessions", session())
    assert response.status_code == 401
    assert "Bearer" in response.headers["WWW-Authenticate"]


def test_a_key_used_for_another_body_is_422(stoats, connection):
    with connection.transaction(force_rollback=True):
        assert stoats.post("/v1/sessions", session(), Idempotency_Key="one").status_code == 201
        fault = only_fault(stoats, session(day=2))
        assert fault["code"] == "idempotency-key-reused"
        assert connection.execute("SELECT count(*) FROM session").fetchone() == (1,)
