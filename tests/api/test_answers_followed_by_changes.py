"""What must be told on when a record changes: to the lists, to other questions' answers, to whoever follows the cars."""

import pytest

from service.store.car_changes import changes_since, mark_now
from tests.api.bodies import PLATFORM, added
from tests.api.gains import answer, post
from tests.api.mending import done
from tests.conftest import version_of
from tests.factories import pull, setup

WHY = {"reason": "typed twice"}
ELSEWHERE = "/v1/typical-gain?part=wide-pipe&platform=marten&model=false"
DISAGREEING = setup(["wide-pipe"]) | {"pulls": [pull(1.05), pull(1.05), pull(1.1)]}


def test_half_of_the_comparisons_are_not_most_of_them(stoats):
    """One car in one strap-down, one on two days: nothing is said of unlike comparisons."""
    post(stoats, setup(), setup(["wide-pipe"], 1.05), vehicle="stoat-1", day=1)
    post(stoats, setup(), vehicle="stoat-2", day=2)
    post(stoats, setup(["wide-pipe"], 1.05), vehicle="stoat-2", day=12)
    body = answer(stoats, "&model=false")
    assert (body["evidence"]["cars"], body["evidence"]["like_for_like"]) == (2, 1)
    assert [caution for caution in body["cautions"] if "like for like" in caution] == []
    post(stoats, setup(), vehicle="stoat-3", day=3)
    post(stoats, setup(["wide-pipe"], 1.05), vehicle="stoat-3", day=13)
    assert (
        "Most of these comparisons are not like for like: other days."
        in answer(stoats, "&model=false")["cautions"]
    )


def test_of_a_cars_comparisons_the_nearest_in_time_counts_whichever_state_came_first(stoats):
    """Without it on the 10th; with it on the 1st, 8 % up, and on the 12th, 5 % up: two days are nearer than nine."""
    post(stoats, setup(["wide-pipe"], 1.08), day=1)
    post(stoats, setup(), day=10)
    post(stoats, setup(["wide-pipe"], 1.05), day=12)
    (used,) = [pair for pair in answer(stoats, "&model=false")["pairs"] if pair["used"]]
    assert used["percent"] == pytest.approx(5.0, abs=0.01)


def places_measured(client) -> list[str]:
    found = client.get(ELSEWHERE)
    assert found.status_code == 200, found.text
    return [caution for caution in found.json["cautions"] if "it was measured on" in caution]


def test_where_else_a_part_was_measured_counts_cars_with_a_comparison_that_counts_and_moves_with_each(stoats):
    added(stoats, "/v1/platforms", PLATFORM, slug="marten", name="Marten 1.4")
    assert places_measured(stoats) == []
    post(stoats, setup(), setup(["wide-pipe"], 1.05), vehicle="stoat-1", day=1)
    (one,) = places_measured(stoats)
    assert one.endswith("(1 car).")
    post(stoats, setup(), DISAGREEING, vehicle="stoat-4", day=4)
    assert places_measured(stoats) == [one]
    post(stoats, setup(), setup(["wide-pipe"], 1.04), vehicle="stoat-2", day=2)
    (two,) = places_measured(stoats)
    assert two == one.replace("(1 car)", "(2 cars)")


def test_the_evidence_is_paged_through_to_its_end_also_where_as_many_cars_were_measured(stoats):
    """Three parts on a car each, of three comparisons, two and one."""
    for part, comparisons, car in (("wide-pipe", 3, 1), ("mesh-pipe", 2, 2), ("road-map", 1, 3)):
        for n in range(comparisons):
            states = setup(), setup([part], 1.03)
            post(stoats, *states, vehicle=f"stoat-{car}", day=1 + n + 5 * car)
    whole = stoats.get("/v1/evidence").json["items"]
    seen, at = [], "/v1/evidence?limit=1"
    for _ in range(len(whole) + 1):  # never more, whatever the links say
        page = stoats.get(at)
        seen += page.json["items"]
        at = page.headers.get("Link", "").split(">")[0].lstrip("<")
        if not at:
            break
    assert (seen, at) == (whole, "")
    assert [(row["part"], row["cars"], row["pairs"] > 0) for row in whole][-1] == ("road-map", 1, True)


def test_a_session_moved_to_another_car_is_told_of_both(stoats, connection):
    kept = post(stoats, setup(), setup(["wide-pipe"], 1.05), vehicle="stoat-1")
    ids = dict(connection.execute("SELECT tag::text, vehicle_id FROM vehicle").fetchall())
    before, address = mark_now(connection), f"/v1/sessions/{kept['id']}"
    done(stoats.patch(address, {"vehicle": "stoat-2", **WHY}, If_Match=version_of(stoats.get(address))))
    assert changes_since(connection, before).vehicle_ids == {ids["stoat-1"], ids["stoat-2"]}


@pytest.mark.parametrize("kind", ["vehicles", "parts"])
def test_after_a_merge_its_sessions_are_new_so_that_nobody_changes_what_he_has_not_seen(stoats, kind):
    """RFC 9110, 13.1.1: a precondition that does not hold is answered by 412."""
    kept = post(stoats, setup(), setup(["mesh-pipe"], 1.05), vehicle="stoat-11")
    address = f"/v1/sessions/{kept['id']}"
    seen = version_of(stoats.get(address))
    alias, own = {"vehicles": ("stoat-11", "stoat-10"), "parts": ("mesh-pipe", "wide-pipe")}[kind]
    done(stoats.post(f"/v1/{kind}/{alias}/merge", {"into": own, **WHY}))
    assert stoats.patch(address, {"gear": 3, **WHY}, If_Match=seen).status_code == 412
