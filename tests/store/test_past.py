"""The history as the model reads it: what counts, where it stands, and what is not known."""

import math

import numpy as np
import pytest

from service.domain.correction import STANDARDS, Air, correction_factor
from service.domain.derive import best_of_shrink
from service.domain.history import BEST_OF_UNKNOWN
from service.domain.measures import Measure
from service.ledger.marking import derive_outdated
from service.store import past as reading
from service.store.car_changes import changes_since, mark_now
from service.store.curves import curves_of_setups
from service.store.model_questions import usual_conditions
from service.store.past import cars_of, catalogue, past, past_of
from tests.conftest import version_of
from tests.factories import AIR, WARM, peak_of_hump, pull, session, setup

POWER, TORQUE = Measure("peak_power"), Measure("peak_torque")
WHY = {"reason": "wrong tyre pressure"}
THIN = {"temperature": 25.0, "pressure": 94.0, "humidity": 0.3155}
BARE = {"temperature": 25.0, "pressure": 94.0}
"""Without its moisture, air is not known."""
J1349 = {"standard": "sae-j1349", "factor": 1.03}


def kept(client, *setups, **fields):
    """Post a session, which must be taken."""
    answer = client.post("/v1/sessions", session(*setups, **fields))
    assert answer.status_code == 201, answer.json
    return answer.json


def of(connection, standard="sae-j1349", measure=POWER):
    """The whole history."""
    return past(connection, measure, standard).history


def parts(connection, *slugs):
    """The keys of parts, ascending."""
    rows = connection.execute("SELECT part_id FROM part WHERE slug = ANY(%s)", (list(slugs),)).fetchall()
    return tuple(sorted(part for (part,) in rows))


# Rows


def test_an_empty_ledger_has_an_empty_history(stoats, connection):
    history = of(connection)
    assert (len(history), history.part_start.tolist()) == (0, [0])


def test_rows_are_sorted_by_car_then_strap_down_then_place_in_it(stoats, connection):
    kept(stoats, setup(), setup(["wide-pipe"], 1.05), vehicle="stoat-2", day=3)
    kept(stoats, setup(["road-map"], 1.1), vehicle="stoat-1", day=9)
    kept(stoats, setup(), vehicle="stoat-1", day=2)
    history = of(connection)
    days = history.at - history.at.min()
    assert days == pytest.approx([0, 7, 1, 1])
    assert np.diff(history.vehicle_id).tolist() == [0, 1, 0]
    assert [history.parts_of(row) for row in range(4)] == [
        (), parts(connection, "road-map"), (), parts(connection, "wide-pipe"),
    ]  # fmt: skip
    assert history.session_id[2] == history.session_id[3]


def test_a_day_is_counted_from_1970_in_utc(stoats, connection):
    kept(
        stoats, setup(), day=1
    )  # 2026-03-01 10:00 UTC is 20513 days after 1970-01-01: 56 * 365 + 14 + 59, and 10 hours
    assert of(connection).at == pytest.approx([20513 + 10 / 24])


def test_several_parts_of_a_setup_stand_in_the_order_of_their_keys(stoats, connection):
    kept(stoats, setup(["wide-pipe", "road-map"], 1.2), setup(), setup(["road-map", "mesh-pipe"], 1.2))
    history = of(connection)
    assert [history.parts_of(row) for row in range(3)] == [
        parts(connection, "wide-pipe", "road-map"), (), parts(connection, "road-map", "mesh-pipe"),
    ]  # fmt: skip


def test_power_and_torque_stand_there_as_logs_of_the_corrected_peaks(stoats, connection):
    kept(stoats, setup())
    power, _ = peak_of_hump()
    assert of(connection).value == pytest.approx([math.log(power)], abs=2e-4)
    assert of(connection, measure=TORQUE).value == pytest.approx([math.log(260.0)], abs=2e-4)


def test_a_peak_that_was_not_kept_is_not_a_number_in_a_row_that_stays(stoats, connection):
    kept(stoats, {"parts": [], "pulls": [{"basis": J1349, "best_of": 1, "peaks": {"power": 150.0}}]})
    assert of(connection).value == pytest.approx([math.log(150.0)])
    assert np.isnan(of(connection, measure=TORQUE).value).tolist() == [True]


@pytest.mark.parametrize("what", ["", "/setups/1"])
def test_what_is_struck_is_not_there_until_the_strike_ends(stoats, connection, what):
    body = kept(stoats, setup(), setup(["wide-pipe"], 1.05))
    before = of(connection)
    address = f"/v1/sessions/{body['id']}{what}"
    stoats.post(f"{address}/strike", WHY)
    assert len(of(connection)) == (1 if what else 0)
    stoats.post(f"{address}/unstrike", None)
    for name in before.__slots__:
        np.testing.assert_array_equal(getattr(of(connection), name), getattr(before, name))


def test_a_doubted_setup_is_not_there(stoats, connection):
    doubted = {"parts": [], "pulls": [pull(1.0), pull(1.0), pull(1.2)]}
    assert "pulls-disagree" in kept(stoats, doubted, setup(["wide-pipe"], 1.05))["setups"][0]["doubts"]
    assert of(connection).part_id.tolist() == list(parts(connection, "wide-pipe"))


@pytest.mark.parametrize(
    ("fields", "complete", "stock"),
    [
        ({"stock_checked": "verified"}, True, True),
        ({"stock_checked": "declared"}, True, True),
        ({"stock_checked": "unknown"}, True, False),
        ({"parts_known": "partial", "stock_checked": "unknown"}, False, False),
    ],
)
def test_a_car_is_stock_only_where_that_is_known(stoats, connection, fields, complete, stock):
    kept(stoats, setup(**fields))
    history = of(connection)
    assert (history.complete.tolist(), history.stock.tolist()) == ([complete], [stock])


# Pulls


def test_the_pulls_of_a_setup_say_their_spread_and_how_they_fade(stoats, connection):
    kept(stoats, {"parts": [], "pulls": [pull(scale) for scale in (1.0, 0.998, 0.998**2, 0.998**3)]})
    history = of(connection)
    assert (history.pulls.tolist(), history.best_of.tolist(), history.spread_df.tolist()) == ([4], [0], [3])
    assert history.slope == pytest.approx([math.log(0.998)], abs=1e-5)
    # Equal steps d: squares about the mean are d^2 (1.5^2 + 0.5^2 + 0.5^2 + 1.5^2) = 5 d^2.
    assert history.spread_ss == pytest.approx([5 * math.log(0.998) ** 2], rel=1e-2)


def test_what_an_earlier_version_kept_says_it_once_it_is_derived_anew(stoats, connection):
    kept(stoats, {"parts": [], "pulls": [pull(scale) for scale in (1.0, 0.998, 0.996)]})
    today, mark = of(connection).slope, mark_now(connection)
    connection.execute("UPDATE setup_summary SET method = 2, power_slope = NULL")
    assert np.isnan(of(connection).slope).tolist() == [True]
    assert derive_outdated(connection) == 1
    assert of(connection).slope.tolist() == today.tolist()
    assert len(changes_since(connection, mark).vehicle_ids) == 1


def test_two_pulls_do_not_say_how_an_engine_fades(stoats, connection):
    kept(stoats, setup(pulls=2))
    assert np.isnan(of(connection).slope).tolist() == [True]


def test_a_struck_pull_says_nothing_of_the_fading(stoats, connection):
    body = kept(stoats, {"parts": [], "pulls": [pull(scale) for scale in (1.0, 1.0, 0.98, 0.99)]})
    stoats.post(f"/v1/pulls/{body['setups'][0]['pulls'][2]['id']}/strike", WHY)
    history = of(connection)
    # Left are 1, 1, 0.99 at places 0, 1, 2: a third of the way is half the step from first to last.
    assert history.slope == pytest.approx([math.log(0.99) / 2], abs=1e-5)
    assert history.pulls.tolist() == [3]


@pytest.mark.parametrize(("best_of", "said"), [(5, 5), (1, 1), (None, BEST_OF_UNKNOWN)])
def test_a_record_of_peaks_alone_stands_as_it_was_posted_with_of_how_many_it_is_the_best(
    stoats, connection, best_of, said
):
    record = {"basis": J1349, "peaks": {"power": 150.0}} | ({} if best_of is None else {"best_of": best_of})
    kept(stoats, {"parts": [], "pulls": [record]})
    history = of(connection)
    assert history.value == pytest.approx([math.log(150.0)], abs=1e-12)
    assert (history.best_of.tolist(), history.spread_df.tolist()) == ([said], [0])
    # The summary has the usual excess of the best taken off; here the model does that.
    shown = connection.execute("SELECT power_kw FROM setup_summary").fetchone()[0]
    assert shown == pytest.approx(150.0 * best_of_shrink(best_of))


def test_several_bests_are_no_measure_of_the_spread_of_pulls(stoats, connection):
    records = [{"basis": J1349, "best_of": 3, "peaks": {"power": power}} for power in (150.0, 151.0)]
    kept(stoats, {"parts": [], "pulls": records})
    history = of(connection)
    assert (history.pulls.tolist(), history.spread_ss.tolist(), history.spread_df.tolist()) == (
        [2],
        [0.0],
        [0],
    )
    assert history.value == pytest.approx([math.log(150.5)], abs=1e-9)


def test_inlet_air_and_fuel_are_there_where_they_were_recorded(stoats, connection):
    kept(stoats, setup(fuel={"ethanol": 0.1}), setup(["wide-pipe"], 1.05))
    history = of(connection)
    assert history.inlet_c.tolist() == [WARM["inlet"], WARM["inlet"]]
    assert history.ethanol[0] == 0.1
    assert np.isnan(history.ethanol[1])


# Level


def test_another_standard_is_reached_by_the_ratio_of_the_two_factors(stoats, connection):
    kept(stoats, setup())
    air = Air(AIR["temperature"], AIR["pressure"], 1.0)
    ratio = correction_factor("sae-j607", air) / correction_factor("sae-j1349", air)
    here, there = past(connection, POWER, "sae-j1349"), past(connection, POWER, "sae-j607")
    assert there.history.value - here.history.value == pytest.approx([math.log(ratio)], abs=1e-4)
    assert (here.ratio.tolist(), there.ratio) == ([1.0], pytest.approx([ratio], rel=1e-4))
    assert there.history.levelled.tolist() == [True]


def test_a_curve_is_brought_to_the_standard_by_the_same_ratio(stoats, connection):
    kept(stoats, setup())
    found = past(connection, TORQUE, "din-70020")
    (curve,) = curves_of_setups(connection, found.history.setup_id.tolist()).values()
    peak = np.nanmax(curve) * found.ratio[0]
    assert math.log(peak) == pytest.approx(found.history.value[0], abs=1e-3)


def test_observed_figures_without_air_keep_their_ratio_but_not_their_level(stoats, connection):
    bare = [{**setup(p), "pulls": [pull(s, ambient=BARE)] * 1} for p, s in (([], 1.0), (["wide-pipe"], 1.05))]
    kept(stoats, *bare)
    history = of(connection)
    assert history.levelled.tolist() == [False, False]
    assert np.diff(history.value) == pytest.approx([math.log(1.05)], abs=1e-4)
    assert of(connection, "none").levelled.tolist() == [True, True]


def test_a_strap_down_of_two_levels_is_brought_to_what_it_shares(stoats, connection):
    """One has its whole air, the other none: both observed figures are known, so their ratio is."""
    kept(
        stoats,
        {"parts": [], "stock_checked": "verified", "pulls": [pull(ambient=THIN)]},
        {"parts": ["wide-pipe"], "pulls": [pull(1.05, ambient=BARE)]},
    )
    history = of(connection)
    assert history.levelled.tolist() == [False, False]
    assert np.diff(history.value) == pytest.approx([math.log(1.05)], abs=1e-3)


def test_a_doubt_of_the_level_leaves_the_ratio_inside_the_strap_down(stoats, connection):
    very_thin = THIN | {"pressure": 88.0}
    states = [
        {"parts": p, "stock_checked": "verified", "pulls": [pull(s, ambient=very_thin) for _ in range(2)]}
        for p, s in (([], 1.0), (["wide-pipe"], 1.05))
    ]
    body = kept(stoats, *states)
    assert [one["doubts"] for one in body["setups"]] == [["factor-outside-limits"]] * 2
    history = of(connection)
    assert history.levelled.tolist() == [False, False]
    assert np.diff(history.value) == pytest.approx([math.log(1.05)], abs=1e-4)


def test_a_setup_without_a_level_alone_in_its_strap_down_says_nothing(stoats, connection):
    kept(stoats, {"parts": [], "pulls": [pull(ambient=BARE)]})
    assert len(of(connection)) == 0


def test_a_standard_that_needs_an_unknown_engine_takes_the_level_of_its_figures(stoats, connection):
    stoats.post(
        "/v1/platforms",
        {"slug": "vole", "name": "Vole 2.0 D", "aspiration": "turbo", "ignition": "compression"},
    )
    stoats.post("/v1/vehicles", {"tag": "vole-1", "platform": "vole"})
    kept(stoats, setup(), setup(["road-map"], 1.1), vehicle="vole-1")
    assert STANDARDS["iso-1585"].engine_rule is not None
    history = of(connection, "iso-1585")
    assert history.levelled.tolist() == [False, False]
    assert np.diff(history.value) == pytest.approx([math.log(1.1)], abs=1e-4)
    assert of(connection).levelled.tolist() == [True, True]


def test_what_is_plain_at_a_glance_is_what_one_finds_setup_by_setup(stoats, connection, monkeypatch):
    kept(stoats, setup(), setup(["wide-pipe"], 1.05), vehicle="stoat-1")
    kept(stoats, {"parts": [], "pulls": [pull(basis=J1349, ambient={})]}, vehicle="stoat-2")
    at_a_glance = past(connection, POWER, "sae-j1349")
    monkeypatch.setattr(reading, "BASE_STANDARD", "none such")
    one_by_one = past(connection, POWER, "sae-j1349")
    np.testing.assert_array_equal(one_by_one.history.value, at_a_glance.history.value)
    np.testing.assert_array_equal(one_by_one.history.levelled, at_a_glance.history.levelled)


# Some cars, and what the ids mean


def test_some_cars_have_the_rows_they_have_in_the_whole(stoats, connection):
    for day, car in enumerate(("stoat-1", "stoat-2", "stoat-3"), 1):
        kept(stoats, setup(), setup(["wide-pipe"], 1.05), vehicle=car, day=day)
    whole = past(connection, POWER, "sae-j1349")
    two = sorted(set(whole.history.vehicle_id.tolist()))[::2]
    some = past_of(connection, POWER, "sae-j1349", two)
    rows = np.flatnonzero(np.isin(whole.history.vehicle_id, two))
    for name in some.history.__slots__:
        np.testing.assert_array_equal(getattr(some.history, name), getattr(whole.history.take(rows), name))
    assert len(past_of(connection, POWER, "sae-j1349", []).history) == 0


def test_the_catalogue_says_what_the_ids_mean(stoats, connection):
    for at, kind in (
        ("2026-03-05T12:00:00+00:00", "repaired"),
        ("2026-03-02T00:00:00+00:00", "recalibrated"),
    ):
        stoats.post("/v1/bays/north/events", {"at": at, "kind": kind})
    both = {"slug": "kit", "name": "Kit", "slots": ["rear-exhaust", "down-pipe"], "variant_of": "wide-pipe"}
    stoats.post("/v1/parts", both)
    stoats.patch(
        "/v1/vehicles/stoat-4", {"check_car": True}, If_Match=version_of(stoats.get("/v1/vehicles/stoat-4"))
    )
    found = catalogue(connection)
    by_slug = {part.slug: part for part in found.parts.values()}
    origin = next(key for key, part in found.parts.items() if part.slug == "wide-pipe")
    assert (by_slug["kit"].slot, by_slug["kit"].variant_of) == ("down-pipe+rear-exhaust", origin)
    assert by_slug["road-map"].is_tune
    assert [(one.slug, one.aspiration) for one in found.platforms.values()] == [("stoat", "turbo")]
    north = next(bay for bay in found.bays.values() if bay.slug == "north")
    # 2026-03-01 is day 20513.
    assert (north.kind, north.events) == ("roller-inertia", (20514.0, 20517.5))
    assert {car.tag for car in found.cars.values() if car.check_car} == {"stoat-4"}
    some = list(found.cars)[:2]
    assert cars_of(connection, some) == {key: found.cars[key] for key in some}


def test_usual_conditions_are_those_of_stock_cars(stoats, connection):
    for n, inlet in ((1, 26.0), (2, 27.0), (3, 28.0)):
        pulls = [pull(engine={**WARM, "inlet": inlet}) for _ in range(2)]
        kept(stoats, setup() | {"pulls": pulls}, vehicle=f"stoat-{n}", day=n)
    for n in (4, 5, 6, 7):
        pulls = [pull(1.05, engine={**WARM, "inlet": 45.0}) for _ in range(2)]
        kept(stoats, setup(["wide-pipe"]) | {"pulls": pulls}, vehicle=f"stoat-{n}", day=n)
    assert usual_conditions(connection, ["stoat"])["stoat"].inlet_c == 27.0
