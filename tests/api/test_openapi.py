"""The served OpenAPI document: valid, and complete."""

import re

import pytest
from flask import Flask
from openapi_spec_validator import OpenAPIV31SpecValidator

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
