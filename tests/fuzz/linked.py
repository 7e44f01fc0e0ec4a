"""Chains of requests: what one answer names is asked for in the next, as schemathesis reads it from the document."""

from contextlib import redirect_stdout, suppress
from io import StringIO
from typing import Any

from hypothesis.errors import Flaky
from schemathesis import Case, Response
from schemathesis.generation.stateful.state_machine import StepInput, StepOutput

from tests.fuzz.asking import Tally, headers_of, played
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

    # What comes next hangs on answers, and those on all that was sent before: no chain comes twice. Hypothesis tells of
    # that as of an error; what is one stands in the tally.
    with suppress(Flaky), redirect_stdout(StringIO()):
        played(Chain, scenarios, steps, seeded)
    return followed
