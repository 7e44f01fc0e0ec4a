"""The thread that looks whether the history model wants estimating, and has it done in a process of its own: what that
loads is gone from memory when it ends, and requests do not wait for it."""

import logging
import os
import subprocess
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

import psycopg

from service.store.db import Lender
from service.store.fits import free_to_estimate
from service.worker.need import why_refit
from service.worker.refit import standing_now

log = logging.getLogger("bayledger.worker")

LOOK_S = 2.0
"""How often it looks; a look is three small questions (our choice)."""
LONGEST_REST_S = 3600.0
"""How long it rests at most after estimating failed again and again; each time twice as long (our choice)."""
STOPPED_S = 0.5
"""How often it looks, while it estimates, whether it is told to stop (our choice)."""
ENDING_S = 20.0
"""How long the end of the service waits for it (our choice)."""


class Worker:
    """Runs `command` whenever there is need, until stopped. Several ledgers over one database may have one each: the
    command itself sees to it that only one estimates."""

    def __init__(
        self, lender: Lender, command: Sequence[str], *, folder: Path, environment: Mapping[str, str]
    ) -> None:
        self._lender = lender
        self._command = list(command)
        self._folder = folder
        self._environment = {**os.environ, **environment}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="worker", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self) -> None:
        """End, with what it started; answers when both are over."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(ENDING_S)
        self._lender.close()

    def _run(self) -> None:
        rest = LOOK_S
        while not self._stopping.wait(rest):
            rest = LOOK_S if self.look() else min(2 * rest, LONGEST_REST_S)

    def look(self) -> bool:
        """Look once, and estimate where there is need; False where that failed."""
        try:
            with self._lender() as conn:
                why = why_refit(standing_now(conn))
                if why and not free_to_estimate(conn):
                    return True  # a process that would find that out costs seconds before it can ask
        except psycopg.Error as error:
            log.debug("cannot look whether the model wants estimating: %s", error)
            return True
        if why is None:
            return True
        log.info("estimating the model: %s", why)
        return self._estimate()

    def _estimate(self) -> bool:
        """Run the command to its end, or end it when told to stop."""
        process = subprocess.Popen(
            self._command,
            cwd=self._folder,
            env=self._environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        while (said := self._said_at_end(process)) is None:
            if self._stopping.is_set():
                process.terminate()
        if process.returncode and not self._stopping.is_set():
            log.warning("the model could not be estimated: %s", said.strip() or f"exit {process.returncode}")
        return process.returncode == 0

    @staticmethod
    def _said_at_end(process: subprocess.Popen[str]) -> str | None:
        """What a process said, once it has ended; None where it is at it still."""
        try:
            return process.communicate(timeout=STOPPED_S)[1]
        except subprocess.TimeoutExpired:
            return None
