"""A bar on standard error for what takes long; nothing where that is no terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

Tell = Callable[[str, int, int | None], None]
"""Takes what is being done, how much of it is done, and of how much, where that is known."""


@contextmanager
def shown_progress() -> Iterator[Tell]:
    """Shows what it is told, for as long as the block runs."""
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as bar:
        tasks: dict[str, TaskID] = {}

        def tell(doing: str, done: int, of: int | None) -> None:
            if doing not in tasks:
                tasks[doing] = bar.add_task(doing, total=of)
            bar.update(tasks[doing], completed=done, total=of)

        yield tell
