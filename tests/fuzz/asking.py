"""Requests made from the OpenAPI document, sent, and their answers held against the document."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any
from unittest import SkipTest

import schemathesis
from flask import Flask
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, run_state_machine_as_test
from schemathesis import APIOperation, Case, GenerationMode, Response
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
)

from tests.fuzz.filled import Filled

CHECKS = [
    not_a_server_error,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
AS_DRAWN = object()
"""A parameter keeps what was drawn for it."""
PLACES = ("path_parameters", "query", "headers", "body")


@dataclass
class Tally:
    """What was sent, how it was answered, and each kind of fault with the first request that showed it."""

    cases: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    faults: dict[str, str] = field(default_factory=dict)

    @property
    def broken(self) -> int:
        """Answers that were faults of ours."""
        return sum(count for status, count in self.statuses.items() if status >= 500)

    def send(self, case: Case, token: str) -> Response:
        """Send a request and judge its answer."""
        response = case.call(headers=headers_of(token))
        self.judge(case, response)
        return response

    def judge(self, case: Case, response: Response) -> None:
        """Hold an answer against the document."""
        self.cases += 1
        self.statuses[response.status_code] += 1
        operation = case.operation
        if response.status_code < 400 and str(response.status_code) not in operation.responses.status_codes:
            self.note(case, f"{operation.label}: {response.status_code} is not documented", response)
        try:
            case.validate_response(response, checks=list(CHECKS))
        except FailureGroup as group:
            for failure in group.exceptions:
                kind = failure.message.strip().splitlines()[0] if failure.message.strip() else failure.title
                self.note(
                    case, f"{operation.label}: {response.status_code} {failure.title}: {kind}", response
                )

    def add(self, other: "Tally") -> None:
        """Count another one's too."""
        self.cases += other.cases
        self.statuses.update(other.statuses)
        self.faults = {**other.faults, **self.faults}

    def note(self, case: Case, fault: str, response: Response) -> None:
        """Keep the first request that showed a fault."""
        if fault not in self.faults:
            self.faults[fault] = f"{case.as_curl_command()[:1500]}\n  -> {response.content[:400]!r}"

    def said(self, what: str) -> str:
        """The line that is printed."""
        groups = Counter(f"{status // 100}xx" for status in self.statuses.elements())
        told = ", ".join(f"{count} {group}" for group, count in sorted(groups.items()))
        return f"{what}: {self.cases} cases ({told}), {self.broken} 5xx, {len(self.faults)} kinds of fault"

    def shown(self) -> str:
        """Every fault with its request."""
        return "\n".join(f"* {fault}\n  {request}" for fault, request in self.faults.items())


def headers_of(token: str) -> dict[str, str]:
    """What every request carries; answers are asked for as they are, for the client here unpacks none."""
    return {"Authorization": f"Bearer {token}", "Accept-Encoding": "identity"}


def document_of(app: Flask) -> Any:
    """The served document, as schemathesis reads it. The token is not drawn: whoever has none learns nothing here."""
    document = schemathesis.openapi.from_wsgi("/v1/openapi.json", app)
    document.config.generation.with_security_parameters = False
    return document


def operations_of(document: Any) -> list[APIOperation]:
    """Every operation, those that take a car or a part away last."""
    found = [result.ok() for result in document.get_all_operations()]
    return sorted(found, key=lambda one: (one.method != "get", one.path.endswith(("/merge", "/erase"))))


def asked(operation: APIOperation, shop: Filled) -> st.SearchStrategy[Case]:
    """Requests that fit the document and requests that do not, most of them about something that is there."""
    drawn = st.one_of([*drawn_in(operation, *GenerationMode)])
    names = {
        (place, name): st.sampled_from((AS_DRAWN, *known, *known) if name != "wait" else known)
        for place, name in parameters_of(operation)
        if (known := shop.known(operation.path, place, name))
    }
    return st.builds(with_names, drawn, st.fixed_dictionaries(names))


def drawn_in(operation: APIOperation, *modes: GenerationMode) -> list[st.SearchStrategy[Case]]:
    """What schemathesis draws; where nothing can be wrong there is nothing that does not fit."""
    found = []
    for mode in modes:
        try:
            found.append(operation.as_strategy(generation_mode=mode))
        except SkipTest:
            continue
    return found


def parameters_of(operation: APIOperation) -> list[tuple[str, str]]:
    """Where a name can stand: parameters of the address and the header, and members of the body."""
    found = [("path_parameters", one.name) for one in operation.path_parameters]
    found += [("query", one.name) for one in operation.query]
    found += [("headers", one.name) for one in operation.headers]
    found += [("body", "wait")]
    return found + [("body", name) for name in ("vehicle", "bay", "platform", "part", "slot", "parts")]


def with_names(case: Case, names: dict[tuple[str, str], Any]) -> Case:
    """The request about something that is there; a body only where it has such a member."""
    for (place, name), value in names.items():
        where = getattr(case, place)
        if value is AS_DRAWN or not hasattr(where, "keys"):
            continue
        if place != "body" or name in where:
            where[name] = value
    return case


def drawing(examples: int, seeded: int | None, **more: Any) -> settings:
    """How hypothesis draws here: nothing is kept from run to run, and no fault is looked at again to make it smaller."""
    return settings(
        max_examples=examples,
        derandomize=seeded is None,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
        **more,
    )


def tried(
    strategy: st.SearchStrategy[Any], use: Callable[[Any], object], examples: int, seeded: int | None = None
) -> None:
    """Draw so many times and use what was drawn: the same each time, unless a seed is given."""

    @drawing(examples, seeded)
    @given(strategy)
    def use_it(drawn: Any) -> None:
        use(drawn)

    (use_it if seeded is None else seed(seeded)(use_it))()


def played(machine: type[RuleBasedStateMachine], times: int, steps: int, seeded: int | None = None) -> None:
    """Run a state machine so many times, for up to so many steps each: the same each time, unless a seed is given."""
    run_state_machine_as_test(
        machine if seeded is None else seed(seeded)(machine),
        settings=drawing(times, seeded, stateful_step_count=steps),
    )
