"""A session's review at the terminal: its sentences, as the ledger says them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from service.cli.errors import CouldNotError

if TYPE_CHECKING:
    import httpx


def ask_review(client: httpx.Client, session: str, units: str | None) -> list[str]:
    """The review's sentences in these units. The session is kept whatever becomes of this question, so a review that
    does not come is one sentence too."""
    import httpx

    from service.cli.client import read

    asked = {"units": units} if units else {}
    try:
        review = read(client.get(f"/v1/sessions/{session}/review", params=asked))
    except CouldNotError as error:
        return [f"There is no review of it: {error.message}"]
    except httpx.TransportError as error:
        return [
            f"There is no review of it: the line broke ({type(error).__name__}). Posting again is harmless."
        ]
    return [str(one) for one in review.get("sentences") or []]


def show_review(out: Any, sentences: list[str]) -> None:
    """One sentence a line."""
    for sentence in sentences:
        out.print(f"  {sentence}", soft_wrap=True)
