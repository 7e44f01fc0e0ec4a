"""Real processes that start with the service imported already: importing it takes seconds, a start then a moment."""

import multiprocessing
import os
import sys
from collections.abc import Mapping, Sequence
from multiprocessing.context import ForkServerContext
from pathlib import Path

from service.cli import main

ROOT = Path(__file__).resolve().parent.parent
IMPORTED = [
    "service.app",
    "service.bay.reading",
    "service.cli.bay.watch",
    "service.cli.demo",
    "service.cli.web",
    "service.worker.loop",
    "tests.faults.conftest",
]


def at_once() -> ForkServerContext:
    """Where such processes come from: a process that has imported the service and does nothing but fork."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(IMPORTED)
    return context


def run_command(words: Sequence[str], log: Path, environment: Mapping[str, str]) -> None:
    """Run `bayledger` with its two streams in a file, in a session of its own, as if typed in the repository."""
    os.chdir(ROOT)
    os.setsid()
    os.environ.clear()
    os.environ.update(environment)
    said = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(said, sys.stdout.fileno())
    os.dup2(said, sys.stderr.fileno())
    sys.exit(main(words))
