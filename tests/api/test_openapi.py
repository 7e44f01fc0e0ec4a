"""The served OpenAPI document: valid, and complete."""

import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

import pytest
from flask import Flask
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.domain.units import QUANTITIES, SYSTEMS, symbol
from service.schemas import examples
from service.schemas.queries import GainQuery
from service.schemas.sessions import SessionPost
from tests.api.bodies import BAY, PART, PLATFORM, VEHICLE, added
from tests.conftest import Client

DOCUMENTS_OF_THEMSELVES = {"/v1/openapi.json", "/v1/docs"}


@pytest.fixture
def document(nobody: Client) -> dict:
    return nobody.get("/v1/openapi.json").get_json()


def routes(app: Flask) -> set[tuple[str, str]]:
    """(path as OpenAPI writes it, verb) of every registered route of the API."""
    return {
        (re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        if rule.rule.startswith("/v1/") and rule.rule not in DOCUMENTS_OF_THEMSELVES
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }


def test_the_document_is_valid_openapi_3_1(document):
    assert document["openapi"].startswith("3.1")
    assert [error.message for error in OpenAPIV31SpecValidator(document).iter_errors()] == []


def test_every_registered_route_stands_in_the_document_and_no_other(app, document):
    documented = {
        (path, verb) for path, verbs in document["paths"].items() for verb in verbs if verb != "parameters"
    }
    assert documented == routes(app)
    assert len(documented) > 25


def test_every_operation_has_a_summary(document):
    without = [
        f"{verb} {path}"
        for path, verbs in document["paths"].items()
        for verb, operation in verbs.items()
        if verb != "parameters" and not operation.get("summary")
    ]
    assert without == []


def test_every_component_has_a_name_of_its_own(document):
    assert [name for name in document["components"]["schemas"] if re.search(r"\d$", name)] == []


def test_errors_are_described_as_problem_documents(document):
    response = document["components"]["responses"]["DEFAULT_ERROR"]
    assert list(response["content"]) == ["application/problem+json"]
    for path, verbs in document["paths"].items():
        for verb in set(verbs) - {"parameters"}:
            assert verbs[verb]["responses"]["default"]["$ref"].endswith("/DEFAULT_ERROR"), (path, verb)


def test_lists_are_described_as_pages_in_json_and_csv(document):
    content = document["paths"]["/v1/parts"]["get"]["responses"]["200"]["content"]
    assert set(content) == {"application/json", "text/csv"}
    assert content["application/json"]["schema"]["$ref"].endswith("/PartPage")


def test_a_vin_is_described_as_written_only(document):
    assert document["components"]["schemas"]["Vehicle"]["properties"]["vin"]["writeOnly"] is True


def test_what_is_open_to_all_says_so(document):
    assert document["paths"]["/v1/health"]["get"]["security"] == []


def test_the_document_is_answered_again_only_when_it_changed(nobody):
    etag = nobody.get("/v1/openapi.json").headers["ETag"]
    assert nobody.get("/v1/openapi.json", If_None_Match=etag).status_code == 304


def properties(document: dict, schema: Any, path: str) -> Iterator[tuple[str, dict]]:
    """Every property of a schema with its place, below references, lists and alternatives; what is only read, alone."""
    if not isinstance(schema, dict):
        return
    if "$ref" in schema:
        yield from properties(
            document, document["components"]["schemas"][schema["$ref"].split("/")[-1]], path
        )
    for name, inner in schema.get("properties", {}).items():
        yield f"{path}/{name}", inner
        if not inner.get("readOnly"):
            yield from properties(document, inner, f"{path}/{name}")
    for inner in (
        schema.get("items"),
        *(one for word in ("oneOf", "anyOf", "allOf") for one in schema.get(word, ())),
    ):
        yield from properties(document, inner, path)


def posted(document: dict) -> Iterator[tuple[str, dict]]:
    """Every property of every body that is sent."""
    for path, verbs in document["paths"].items():
        for verb in set(verbs) - {"parameters"}:
            body = verbs[verb].get("requestBody", {"content": {}})
            for content in body["content"].values():
                yield from properties(document, content["schema"], f"{verb} {path}")


def test_every_property_of_every_posted_document_has_a_description(document):
    found = list(posted(document))
    assert [place for place, inner in found if not inner.get("description")] == []
    places = {place for place, _ in found}
    for deep in (
        "setups/pulls/curve/lambda",
        "setups/pulls/ambient/pressure",
        "setups/parts/slot",
        "setups/pulls/basis/factor",
    ):
        assert f"post /v1/sessions/{deep}" in places


def test_an_example_stays_with_the_question_it_was_made_for(document):
    every = document["paths"]["/v1/platforms/{slug}/stock-spread"]["get"]["parameters"]
    assert [one["name"] for one in every if "example" in one["schema"]] == []


def test_every_property_of_an_answer_has_a_description(document):
    answers = (
        "GainAnswer", "StockAnswer", "KeptSession", "Session", "Setting", "SettingChange", "History",
        "CorrectionFactor", "Standard", "MadeOf", "Limit", "Station", "PairsOnly", "BuildAnswer", "BuildPart",
        "ChoiceAnswer", "ChoicePart", "OutlierAnswer", "Outlier", "AgreementAnswer", "BayAgreement", "ModelAnswer",
        "RefitAnswer", "Caller", "CarState", "OwnReadingsAnswer", "OwnChange",
    )  # fmt: skip
    for name in answers:
        shown = properties(document, document["components"]["schemas"][name], name)
        assert [place for place, inner in shown if not inner.get("description")] == []


ANY_OBJECT = {
    # The question as it was understood: each has members of its own, those that were asked.
    *(f"{name}/question" for name in ("GainAnswer", "StockAnswer", "BuildAnswer", "ChoiceAnswer", "OutlierAnswer", "OwnReadingsAnswer")),
    # Settings that hold a value by the name of each check, or of each condition.
    "SettingsChange/checks",
    "SettingsChange/windows",
}  # fmt: skip
"""What of the answers is said to be an object, and no more."""


def is_any_object(schema: dict) -> bool:
    """Whether a schema takes an object of any members, at once, in a list or as an alternative."""
    inner = [
        schema.get("items"),
        *(one for word in ("oneOf", "anyOf", "allOf") for one in schema.get(word, ())),
    ]
    named = "properties" in schema or schema.get("additionalProperties")
    return ("object" in schema.get("type", ()) and not named) or any(map(is_any_object, filter(None, inner)))


def test_what_an_answer_is_made_of_is_described_member_by_member(document):
    schemas = document["components"]["schemas"]
    assert schemas["KeptSession"]["properties"]["setups"]["items"]["$ref"].endswith("/SessionSetup")
    found = {
        f"{name}/{field}"
        for name, schema in schemas.items()
        for field, inner in schema.get("properties", {}).items()
        if is_any_object(inner)
    }
    assert found == ANY_OBJECT


def test_every_property_of_a_posted_document_has_a_shape(document):
    shapes = {"type", "$ref", "oneOf", "anyOf", "allOf", "enum", "const"}
    assert [place for place, inner in posted(document) if not shapes & set(inner)] == []


@pytest.mark.parametrize(
    "caution",
    ["can maim and kill", "Only trained people", "unlawful on public roads", "local law and inspection rules decide",
     "wheel figures from this shop's machines", "no promise for another car", "a qualified person's look"],
)  # fmt: skip
def test_the_cautions_stand_in_the_document_for_programs(document, caution):
    assert caution in " ".join(document["info"]["description"].split())


def test_every_query_parameter_has_a_description(document):
    asked = [
        (f"{verb} {path}?{parameter['name']}", parameter)
        for path, verbs in document["paths"].items()
        for verb in set(verbs) - {"parameters"}
        for parameter in verbs[verb].get("parameters", [])
        if parameter.get("in") == "query"
    ]
    assert len(asked) > 30
    assert [place for place, parameter in asked if not parameter.get("description")] == []


def test_the_document_names_the_unit_of_every_quantity_in_every_system(document):
    rows = {
        match[1]: match[0]
        for match in re.finditer(r"^\| `(\w\w)` \|.*$", document["info"]["description"], re.M)
    }
    assert set(rows) == set(SYSTEMS)
    for system, row in rows.items():
        cells = row.split("|")[2:-1]
        for quantity, cell in zip(QUANTITIES, cells, strict=True):
            assert symbol(quantity, system) in cell, (system, quantity)


def example_of(document: dict, name: str) -> dict[str, Any]:
    """The example that a schema's properties make together."""
    return {
        field: inner["example"]
        for field, inner in document["components"]["schemas"][name]["properties"].items()
    }


def test_the_session_of_the_document_is_whole_and_can_be_posted(document, admin):
    session = example_of(document, "SessionPost")
    assert session == examples.SESSION
    assert SessionPost().load(session).setups[1].parts[0].slug == "hard-charge-pipes"
    shown = {place.removeprefix("post /v1/sessions/") for place, _ in posted(document)}
    assert {"setups/fuel/octane_method", "setups/pulls/smoothing/width_rpm"} <= shown
    added(admin, "/v1/platforms", PLATFORM)
    added(admin, "/v1/vehicles", VEHICLE, tag=session["vehicle"])
    added(admin, "/v1/parts", PART, slug="hard-charge-pipes", slots=["charge-pipes"])
    added(admin, "/v1/bays", BAY, slug=session["bay"])
    kept = added(admin, "/v1/sessions", session).get_json()
    assert kept["id"] == session["id"]
    assert [pair["part"] for pair in kept["pairs"]] == ["hard-charge-pipes"]


def test_the_question_of_the_document_can_be_asked(document, admin):
    every = document["paths"]["/v1/typical-gain"]["get"]["parameters"]
    parameters = [one for one in every if one["in"] == "query"]
    asked = {one["name"]: one["schema"]["example"] for one in parameters if "example" in one["schema"]}
    assert asked == examples.GAIN_QUERY
    assert set(asked) == {one["name"] for one in parameters} - {"from", "to"}
    text = {
        name: str(value).lower() if isinstance(value, bool) else str(value) for name, value in asked.items()
    }
    assert GainQuery().load(text)["measure"] == "torque_at"
    added(admin, "/v1/platforms", PLATFORM, slug=asked["platform"])
    added(admin, "/v1/parts", PART, slug=asked["part"])
    answer = admin.get(f"/v1/typical-gain?{urlencode(text)}")
    assert answer.status_code == 200, answer.text
    assert answer.get_json()["question"]["rpm"] == 3500
