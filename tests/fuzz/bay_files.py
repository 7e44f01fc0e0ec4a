"""Runs the fuzzer of the bay's file reader (`tests/fuzz/led.py`) and counts: libFuzzer ends the process it runs in."""

import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Found:
    """What a run of the fuzzer found: files tried, whether one was a fault, and all it printed."""

    files: int
    crashes: int
    said: str


def run(seconds: float | None = None, runs: int | None = None, seed: int | None = None) -> Found:
    """Fuzz for so long [s] or with so many files; the same ones each time where a seed is given with `runs`."""
    limits = {"seconds": seconds, "runs": runs, "seed": seed}
    told = [f"--{name}={limit}" for name, limit in limits.items() if limit is not None]
    command = [sys.executable, "-m", "tests.fuzz.led", *told]
    done = subprocess.run(command, capture_output=True, text=True, errors="replace", cwd=ROOT)
    said = done.stdout + done.stderr
    counted = re.findall(r"^(?:Done (\d+) runs|#(\d+)\s)", said, re.MULTILINE)
    files = max((int(whole or part) for whole, part in counted), default=0)
    return Found(files, int(done.returncode != 0), said)
