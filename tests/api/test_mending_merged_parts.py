"""One part under two slugs: merged, what was measured with either is of one part, and comes apart exactly as it was."""

import pytest

from tests.api.mending import apart, asked, done, posted
from tests.conftest import Client, version_of
from tests.factories import session, setup

WHY = {"reason": "the same pipe, typed twice"}
MERGE = "/v1/parts/wide-pip/merge"
UNMERGE = "/v1/parts/wide-pip/unmerge"
INTO = {"into": "wide-pipe", **WHY}
GAIN = "/v1/typical-gain?part=wide-pipe&platform=stoat"


@pytest.fixture
def doubled(stoats: Client) -> list[dict]:
    """Three cars with one slug, two with the other."""
    done(
        stoats.post("/v1/parts", {"slug": "wide-pip", "name": "Wide down-pipe", "slots": ["down-pipe"]}), 201
    )
    return [
        posted(stoats, session(setup(), setup([slug], gain), vehicle=f"stoat-{day}", day=day))
        for day, (slug, gain) in enumerate(
            [("wide-pipe", 1.04), ("wide-pipe", 1.05), ("wide-pipe", 1.06), ("wide-pip", 1.05), ("wide-pip", 1.07)],
            1,
        )
    ]  # fmt: skip


def place(body: dict) -> str:
    """A session's address."""
    return f"/v1/sessions/{body['id']}"


@pytest.mark.slow
def test_merging_pools_what_was_measured_with_either_and_taking_apart_brings_every_answer_back(
    stoats, doubled
):
    before = asked(stoats)
    merged = done(stoats.post(MERGE, INTO))
    assert merged == {
        "slug": "wide-pip", "merged_into": "wide-pipe", "modifications": 0, "stayed": 0,
        "setups": [f"{place(body)}/setups/2" for body in doubled[3:]],
    }  # fmt: skip
    assert asked(stoats)[GAIN]["evidence"]["cars"] == 5
    assert stoats.get(place(doubled[4])).json["setups"][1]["parts"] == ["wide-pipe"]
    done(stoats.post(UNMERGE, {"reason": "the other has a resonator"}))
    assert list(apart(asked(stoats), before, 0.0)) == []
    assert stoats.get(place(doubled[4])).json["setups"][1]["parts"] == ["wide-pip"]


@pytest.mark.slow
def test_a_merged_part_answers_as_posting_under_one_slug_would_have(stoats, doubled):
    done(stoats.post(MERGE, INTO))
    merged = stoats.get(f"{GAIN}&pairs=false").json
    for body in doubled[3:]:
        done(stoats.post(f"{place(body)}/strike", WHY))
    for day, gain in ((8, 1.05), (9, 1.07)):
        posted(stoats, session(setup(), setup(["wide-pipe"], gain), vehicle=f"stoat-{day}", day=day))
    straight = stoats.get(f"{GAIN}&pairs=false").json
    assert straight["evidence"]["cars"] == merged["evidence"]["cars"] == 5
    assert straight["typical_percent"] == pytest.approx(merged["typical_percent"], abs=0.01)


def test_the_old_slug_says_where_it_leads_and_every_question_about_it_is_answered_there(stoats, doubled):
    done(stoats.post(MERGE, INTO))
    assert stoats.get("/v1/parts/wide-pip").json["merged_into"] == "wide-pipe"
    assert stoats.get("/v1/parts/wide-pipe").json["merged_from"] == ["wide-pip"]
    assert "wide-pip" not in [one["slug"] for one in stoats.get("/v1/parts").json["items"]]
    old, new = (
        stoats.get(f"/v1/typical-gain?platform=stoat&part={slug}").json for slug in ("wide-pip", "wide-pipe")
    )
    assert old["question"]["part"] == "wide-pipe"
    assert old["typical_percent"] == new["typical_percent"]
    estimate = done(stoats.get("/v1/build-estimate?platform=stoat&parts=wide-pip"))
    assert [part["part"] for part in estimate["parts"]] == ["wide-pipe"]
    choice = done(stoats.get("/v1/platforms/stoat/part-choice"))
    assert "wide-pip" not in [part["part"] for part in choice["parts"]]


def test_what_is_posted_with_the_old_slug_carries_the_part_and_the_answer_says_so(stoats, doubled):
    done(stoats.post(MERGE, INTO))
    late = posted(
        stoats,
        session(setup(), setup([{"part": "wide-pip", "slot": "down-pipe"}], 1.05), vehicle="stoat-9", day=9),
    )
    assert late["setups"][1]["parts"] == [{"part": "wide-pipe", "slot": "down-pipe"}]
    assert [(one["code"], one["pointer"]) for one in late["checks"]] == [("part-merged", "/setups/1/parts/0")]
    assert late == stoats.get(place(late)).json
    both = stoats.post("/v1/sessions", session(setup(["wide-pip", "wide-pipe"]), vehicle="stoat-9", day=10))
    assert (both.status_code, both.json["errors"][0]["code"]) == (422, "part-twice")
    fitted = done(
        stoats.post("/v1/vehicles/stoat-9/modifications", {"part": "wide-pip", "fitted_on": "2026-03-09"}),
        201,
    )
    assert fitted["part"] == "wide-pipe"
    etag = version_of(stoats.get(place(late)))
    amended = done(stoats.patch(f"{place(late)}/setups/2", {"parts": ["wide-pip"], **WHY}, If_Match=etag))
    assert amended["setups"][1]["parts"] == ["wide-pipe"]


def test_taking_apart_changes_back_exactly_what_was_changed(stoats, doubled):
    done(
        stoats.post(
            "/v1/parts", {"slug": "cut-pipe", "name": "Cut", "slots": ["down-pipe"], "variant_of": "wide-pip"}
        ),
        201,
    )
    fitted = done(
        stoats.post("/v1/vehicles/stoat-5/modifications", {"part": "wide-pip", "fitted_on": "2026-03-01"}),
        201,
    )
    assert done(stoats.post(MERGE, INTO))["modifications"] == 1
    assert stoats.get("/v1/parts/cut-pipe").json["variant_of"] == "wide-pipe"
    late = posted(stoats, session(setup(), setup(["wide-pip"], 1.05), vehicle="stoat-9", day=9))
    etag = version_of(stoats.get(place(doubled[3])))
    done(stoats.patch(f"{place(doubled[3])}/setups/2", {"parts": ["mesh-pipe"], **WHY}, If_Match=etag))
    back = done(stoats.post(UNMERGE, WHY))
    assert (back["setups"], back["stayed"]) == ([f"{place(doubled[4])}/setups/2"], 1)
    assert stoats.get(place(late)).json["setups"][1]["parts"] == ["wide-pipe"]
    assert stoats.get("/v1/parts/cut-pipe").json["variant_of"] == "wide-pip"
    assert stoats.get(f"/v1/vehicles/stoat-5/modifications/{fitted['id']}").json["part"] == "wide-pip"


def test_the_history_of_setup_and_parts_says_what_was_changed(stoats, doubled):
    done(stoats.post(MERGE, INTO))
    row = stoats.get(f"/v1/history?about=sessions/{doubled[4]['id']}/setups/2").json["items"][0]
    assert (row["action"], row["before"], row["after"]) == (
        "amended",
        {"part": "wide-pip"},
        {"part": "wide-pipe"},
    )
    for slug in ("wide-pip", "wide-pipe"):
        assert stoats.get(f"/v1/history?about=parts/{slug}").json["items"][0]["action"] == "merged"


def test_a_setup_that_carries_other_parts_too_carries_the_merged_one_beside_them(stoats):
    done(
        stoats.post("/v1/parts", {"slug": "wide-pip", "name": "Wide down-pipe", "slots": ["down-pipe"]}), 201
    )
    kept = posted(stoats, session(setup(["road-map", "wide-pip"], 1.2)))
    done(stoats.post(MERGE, INTO))
    assert stoats.get(place(kept)).json["setups"][0]["parts"] == ["road-map", "wide-pipe"]


def test_setups_that_would_carry_the_part_twice_are_listed(stoats):
    done(
        stoats.post("/v1/parts", {"slug": "long-map", "name": "Long", "slots": ["calibration", "down-pipe"]}),
        201,
    )
    done(
        stoats.post(
            "/v1/parts", {"slug": "short-map", "name": "Short", "slots": ["calibration", "down-pipe"]}
        ),
        201,
    )
    both = [{"part": "long-map", "slot": "calibration"}, {"part": "short-map", "slot": "down-pipe"}]
    kept = posted(stoats, session(setup(), setup(both, 1.2)))
    response = stoats.post("/v1/parts/long-map/merge", {"into": "short-map", **WHY})
    assert response.status_code == 409
    assert f"{place(kept)}/setups/2" in response.json["detail"]
    assert response.json["errors"][0]["code"] == "part-twice"


@pytest.mark.parametrize(
    ("before", "slug", "into", "words"),
    [
        ([], "wide-pipe", "wide-pipe", "is itself"),
        ([], "wide-pipe", "road-map", "wide-pipe fills down-pipe, road-map fills calibration"),
        ([("wide-pipe", "mesh-pipe")], "wide-pipe", "third-pipe", "was merged into mesh-pipe already"),
        ([("wide-pipe", "mesh-pipe")], "third-pipe", "wide-pipe", "name mesh-pipe"),
        ([("wide-pipe", "mesh-pipe")], "mesh-pipe", "third-pipe", "then merge it into third-pipe"),
        ([], "third-pipe", "wide-pipe", "variant of the other"),
    ],
    ids=["itself", "slots", "merged", "into an alias", "chain", "variant"],
)  # fmt: skip
def test_two_records_that_cannot_be_one_part_are_refused_with_the_way_out(stoats, before, slug, into, words):
    origin = {"variant_of": "wide-pipe"} if "variant" in words else {}
    done(
        stoats.post("/v1/parts", {"slug": "third-pipe", "name": "Third", "slots": ["down-pipe"], **origin}),
        201,
    )
    for one, other in before:
        done(stoats.post(f"/v1/parts/{one}/merge", {"into": other, **WHY}))
    response = stoats.post(f"/v1/parts/{slug}/merge", {"into": into, **WHY})
    assert response.status_code == 409
    assert words in response.json["detail"]
    assert response.json["errors"][0]["pointer"] == "/into"


def test_an_alias_is_not_changed_and_what_is_none_has_nothing_to_take_apart(stoats, reader):
    assert stoats.post("/v1/parts/wide-pipe/unmerge", WHY).status_code == 409
    assert stoats.post("/v1/parts/wide-pipe/merge", {"into": "nothing", **WHY}).status_code == 422
    assert reader.post("/v1/parts/wide-pipe/merge", {"into": "mesh-pipe", **WHY}).status_code == 403
    done(stoats.post("/v1/parts/wide-pipe/merge", {"into": "mesh-pipe", **WHY}))
    etag = stoats.get("/v1/parts/wide-pipe").headers["ETag"]
    assert stoats.patch("/v1/parts/wide-pipe", {"name": "Other"}, If_Match=etag).status_code == 409


def test_what_is_called_by_the_old_name_is_found_and_listed_under_the_part(stoats, doubled):
    posted(stoats, session(setup(), setup(["mesh-pipe"], 1.03), vehicle="stoat-9", day=9))
    done(stoats.post("/v1/parts/mesh-pipe/merge", INTO))
    found = done(stoats.get("/v1/search?q=200-cell"))
    assert [(one["part"], one["cars"]) for one in found["questions"]] == [("wide-pipe", 4)]
    assert found["parts"] == []
    listed = [stoats.get(f"/v1/evidence?part={slug}").json["items"] for slug in ("mesh-pipe", "wide-pipe")]
    assert listed[0] == listed[1] != []
