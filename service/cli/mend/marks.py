"""`bayledger mend strike`, `unstrike`, `confirm`, `unconfirm`: what counts, and what is doubted."""

from __future__ import annotations

from typing import Any

import click

from service.cli import options
from service.cli.errors import CouldNotError
from service.cli.mend.common import FOLLOW, changing, open_mender, reason, way_back
from service.cli.mend.moved import moved
from service.cli.mend.targets import MEASURED, PULL_KIND, Seen, Target, TargetType, look

ONE_PULL = TargetType(PULL_KIND)
WHAT = {
    "strike": "Struck, it counts nowhere: in no mean, comparison, answer or sheet. It can still be read.",
    "unstrike": "Its strike taken back, it counts again.",
    "confirm": "Confirmed, the doubts that stand against it are cleared, and it counts in full.",
    "unconfirm": "The confirmation taken back, the doubts stand against it again, and it weighs less.",
}
BACK = {"strike": "unstrike", "unstrike": "strike", "confirm": "unconfirm", "unconfirm": "confirm"}


@click.command("strike")
@click.argument("target", type=MEASURED)
@reason
@changing
def strike(target: Target, reason: str, **given: Any) -> None:
    """Let a pull, a setup or a session count nowhere.

    In no mean, comparison, answer or sheet. TARGET is a pull's number, SESSION/2 for a setup, or a session's id, as
    `bayledger mend find CAR` lists them. It is not deleted: it can be read, and `unstrike` lets it count again.

    \b
    bayledger mend strike 381 --reason "the hood was shut"
    bayledger mend strike 5b0e63f2-0270-5161-84a0-fcc745f0503a/2 --reason "a hose had come off"
    """
    mark(target, "strike", {"reason": reason}, given)


@click.command("unstrike")
@click.argument("target", type=MEASURED)
@options.flag("--reason", metavar="WHY", help="why, if there is something to say; it stays on the record.")
@changing
def unstrike(target: Target, reason: str | None, **given: Any) -> None:
    """Take a strike back: it counts again as before.

    Refused where it is a copy of another pull that counts meanwhile.

    \b
    bayledger mend unstrike 381
    """
    mark(target, "unstrike", {} if reason is None else {"reason": reason}, given)


@click.command("confirm")
@click.argument("pull", type=ONE_PULL)
@reason
@changing
def confirm(pull: Target, reason: str, **given: Any) -> None:
    """Say that a doubtful pull is right after all.

    Its doubts are cleared, and answers count it in full. PULL is its number. What no check doubts cannot be
    confirmed.

    \b
    bayledger mend confirm 381 --reason "cut short on purpose, the tyres are not rated for more"
    """
    mark(pull, "confirm", {"reason": reason}, given)


@click.command("unconfirm")
@click.argument("pull", type=ONE_PULL)
@reason
@changing
def unconfirm(pull: Target, reason: str, **given: Any) -> None:
    """Take a confirmation back: the doubts stand again.

    \b
    bayledger mend unconfirm 381 --reason "it was another pull"
    """
    mark(pull, "unconfirm", {"reason": reason}, given)


def mark(target: Target, word: str, body: dict[str, Any], given: dict[str, Any]) -> None:
    """Set or take back a mark, and say what moved."""
    with open_mender(given) as mender:
        seen = look(mender, target)
        if word == "unstrike":
            must_be_struck(seen)
        mender.says(f"{seen.name}.", WHAT[word])
        after = mender.change(f"{target.path}/{word}", body, etag=seen.etag, flags={"reason": "--reason"})
        if after is not None:
            above = [
                f"  Its {one} is struck too: it counts only when that is taken back." for one in seen.above
            ]
            back = way_back(BACK[word], target.typed, needs_reason=BACK[word] != "unstrike")
            mender.says("Done. What moved in its session:", *moved(seen.session, after), *above, FOLLOW, back)


def must_be_struck(seen: Seen) -> None:
    """The ledger would take it without a word."""
    if seen.itself["struck"] is None:
        above = [f"its {one} is: take that strike back" for one in seen.above]
        raise CouldNotError(
            f"{seen.target.kind} {seen.target.typed} is not struck{''.join(f'; {one}' for one in above)}."
        )
