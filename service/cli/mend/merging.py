"""`bayledger mend vehicle-merge`, `part-merge` and their undoing: one car or part that was recorded under two names."""

from __future__ import annotations

from typing import Any

import click

from service.cli import options
from service.cli.mend.common import FOLLOW, address, changing, open_mender, reason, way_back
from service.cli.show import count

FLAGS = {"into": "--into", "reason": "--reason"}


def into_flag(what: str) -> Any:
    """The name that stays."""
    return options.flag(
        "--into", required=True, metavar=what, help="the name that everything stands under from then on."
    )


@click.command("vehicle-merge")
@click.argument("tag")
@into_flag("TAG")
@reason
@changing
def vehicle_merge(tag: str, into: str, reason: str, **given: Any) -> None:
    """Merge a car that was recorded twice.

    All that was measured under TAG stands under --into from then on. Comparisons between the two are made, and the
    car counts once. TAG goes on answering for the other: what is posted under it is kept there. Refused where the
    kinds differ, each has a VIN, either was merged or erased, or one is a check car.

    \b
    bayledger mend vehicle-merge stoat-14 --into stoat-014 --reason "typed without the nought"
    """
    merge("vehicles", tag, into, reason, given)


@click.command("vehicle-unmerge")
@click.argument("tag")
@reason
@changing
def vehicle_unmerge(tag: str, reason: str, **given: Any) -> None:
    """Take a merged car apart again.

    What the merge moved goes back to TAG, and nothing else. What was posted since, under either tag, stays with the
    car it was merged into.

    \b
    bayledger mend vehicle-unmerge stoat-14 --reason "two cars after all"
    """
    unmerge("vehicles", tag, reason, given)


@click.command("part-merge")
@click.argument("slug")
@into_flag("SLUG")
@reason
@changing
def part_merge(slug: str, into: str, reason: str, **given: Any) -> None:
    """Merge a part that was recorded twice.

    Setups with SLUG carry --into from then on, and answers count them together. SLUG goes on answering for the other.
    Refused where the slots differ, either was merged, or a setup lists both.

    \b
    bayledger mend part-merge wide-pip --into wide-pipe --reason "typed wrong"
    """
    merge("parts", slug, into, reason, given)


@click.command("part-unmerge")
@click.argument("slug")
@reason
@changing
def part_unmerge(slug: str, reason: str, **given: Any) -> None:
    """Take a merged part apart again.

    The setups that the merge changed carry SLUG again, and no others.

    \b
    bayledger mend part-unmerge wide-pip --reason "another maker's"
    """
    unmerge("parts", slug, reason, given)


def merge(kind: str, name: str, into: str, why: str, given: dict[str, Any]) -> None:
    """Merge one name into another, and say what moved."""
    with open_mender(given) as mender:
        _, etag = mender.version(address(kind, name))
        own = mender.get(address(kind, into))
        stays = own.get("tag") or own.get("slug")
        mender.says(f"All that stands under {name} will stand under {stays}; {name} answers for it.")
        body = {"into": into, "reason": why}
        after = mender.change(address(kind, name, "merge"), body, etag=etag, flags=FLAGS)
        if after is not None:
            back = way_back(f"{word_of(kind)}-unmerge", name)
            mender.says(f"Done: {said(after)} now under {after['merged_into']}.", FOLLOW, back)


def unmerge(kind: str, name: str, why: str, given: dict[str, Any]) -> None:
    """Take a merge back, and say what went back."""
    with open_mender(given) as mender:
        alias, etag = mender.version(address(kind, name))
        into = alias.get("merged_into")
        mender.says(
            f"What the merge moved from {name} to {into} goes back." if into else f"{name} stands for itself."
        )
        after = mender.change(address(kind, name, "unmerge"), {"reason": why}, etag=etag, flags=FLAGS)
        if after is not None:
            what = "session" if kind == "vehicles" else "setup"
            left = (
                [f"{count(after['stayed'], what)} changed since the merge and left so."]
                if after["stayed"]
                else []
            )
            back = way_back(f"{word_of(kind)}-merge", name, "--into", into)
            mender.says(f"Done: {said(after)} back under {name}.", *left, FOLLOW, back)


def word_of(kind: str) -> str:
    """As the commands call it."""
    return kind.removesuffix("s")


def said(after: dict[str, Any]) -> str:
    """What was moved."""
    what, moved = ("session", after["sessions"]) if "sessions" in after else ("setup", after["setups"])
    return f"{count(len(moved), what)} and {count(after['modifications'], 'modification')}"
