"""Every page of the dashboard, with a question it can answer."""

from tests.dashboard.conftest import Ledger

ASKING = (
    "index.html",
    "gain.html",
    "spread.html",
    "worth.html",
    "odd.html",
    "car.html",
    "bays.html",
    "sheet.html",
)
PAGES = (*ASKING, "questions.html")


def asked(name: str, ledger: Ledger) -> dict[str, str]:
    """A question the page can answer; none where it answers unasked."""
    match name:
        case "gain.html":
            return ledger.best_question()
        case "spread.html" | "worth.html":
            return {"platform": ledger.best_question()["platform"]}
        case "car.html":
            return {"tag": best_pair(ledger)["vehicle"]}
        case "sheet.html":
            return sheet_question(best_pair(ledger))
        case _:
            return {}


def best_pair(ledger: Ledger) -> dict[str, str]:
    """A pair of one session, of the question with the most cars."""
    pairs: list[dict[str, str]] = ledger.ask("/v1/typical-gain", **ledger.best_question())["pairs"]
    return next(pair for pair in pairs if pair["match"].startswith("same-session"))


def sheet_question(pair: dict[str, str]) -> dict[str, str]:
    """The sheet of a pair: its session, and the numbers of both setups."""
    (session, before), (again, after) = (
        pair[side].removeprefix("/v1/sessions/").split("/setups/") for side in ("before", "after")
    )
    assert session == again
    return {"session": session, "before": before, "after": after}
