"""Chains of requests: what one answer names is asked for in the next, as schemathesis reads it from the document."""

from contextlib import suppress
from typing import Any

from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis.errors import Flaky
from hypothesis.stateful import run_state_machine_as_test
from schemathesis import Case, Response
from schemathesis.generation.stateful.state_machine import StepInput, StepOutput

from tests.fuzz.asking import Tally, headers_of
from tests.fuzz.filled import Filled


def linked(
    document: Any, shop: Filled, tally: Tally, scenarios: int, steps: int, seeded: int | None = None
) -> int:
    """Run so many chains of so many requests; how often one used what another answered, and was answered with success."""
    followed = 0

    class Chain(document.as_state_machine()):  # type: ignore[misc]
        """One chain of requests."""

        def get_call_kwargs(self, case: Case) -> dict[str, Any]:
            return {"headers": headers_of(shop.token)}

        def before_call(self, case: Case) -> None:
            if isinstance(case.body, dict) and "wait" in case.body:
                case.body["wait"] = False  # for a worker, of which there is none

        def step(self, input: StepInput) -> StepOutput:
            nonlocal followed
            output = super().step(input)
            followed += (
                input.transition is not None and input.is_applied and output.response.status_code < 300
            )
            return output

        def validate_response(self, response: Response, case: Case, *_: Any, **__: Any) -> None:
            tally.judge(case, response)

    machine = Chain if seeded is None else seed(seeded)(Chain)
    with suppress(
        Flaky
    ):  # what comes next hangs on answers, and those on all that was sent before: no chain comes twice
        run_state_machine_as_test(
            machine,
            settings=settings(
                max_examples=scenarios,
                stateful_step_count=steps,
                derandomize=seeded is None,
                database=None,
                deadline=None,
                phases=[Phase.generate],
                suppress_health_check=list(HealthCheck),
            ),
        )
    return followed
