"""bootstrap.py for real: environments made from nothing, over the network, also by a user who is not root."""

import os
import shutil
import signal
import subprocess
import sys
import sysconfig
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import bootstrap
from tests.setup.check import ROOT

pytestmark = pytest.mark.machine

# Debian's own Python: one under root's home folder cannot be read by anybody else.
SYSTEM_PYTHON = "/usr/bin/python3"
ENSURE = "import bootstrap; bootstrap.ensure('run')"
TRY_IT = "import flask, numpy, psychrolib, psycopg, scipy, zstandard; print('all here')"


@pytest.fixture
def checkout() -> Iterator[Path]:
    """What bootstrap.py needs of a fresh checkout, in a folder that anybody may use."""
    folder = Path(tempfile.mkdtemp(prefix="bayledger set-up "))
    folder.chmod(0o777)
    for name in ["bootstrap.py", *bootstrap.LOCKS["dev"]]:
        shutil.copy(ROOT / name, folder)
    yield folder
    shutil.rmtree(folder)


def as_nobody(folder: Path) -> dict[str, Any]:
    """Arguments for subprocess: an ordinary user whose home is the checkout's folder."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    environment = dict(kept, HOME=str(folder), TMPDIR=str(folder), PATH="/usr/local/bin:/usr/bin:/bin")
    return {"cwd": folder, "user": "nobody", "group": "nogroup", "env": environment, "text": True}


def output(*command: str, **options: Any) -> str:
    ran = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, **options)
    assert ran.returncode == 0, ran.stdout
    return ran.stdout


def test_an_ordinary_user_gets_a_whole_environment_also_after_a_kill_in_the_middle(checkout: Path) -> None:
    user = as_nobody(checkout)
    with subprocess.Popen([SYSTEM_PYTHON, "-c", ENSURE], start_new_session=True, **user) as first:
        wait_for(lambda: any(checkout.glob(".venv/lib/python3*/site-packages/setuptools")))
        os.killpg(first.pid, signal.SIGKILL)
    assert not (checkout / ".venv/bayledger.stamp").exists()

    assert "Environment ready" in output(SYSTEM_PYTHON, "-c", ENSURE, **user)
    assert "all here" in output(str(checkout / ".venv/bin/python"), "-c", TRY_IT, **user)

    assert output(SYSTEM_PYTHON, "-c", ENSURE, **user) == "", "it set up again"


def wait_for(condition: Callable[[], bool], patience_s: float = 120.0) -> None:
    until = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < until, "it never came"
        time.sleep(0.05)


def test_without_ensurepip_the_pip_beside_python_fills_the_environment(checkout: Path) -> None:
    base = getattr(sys, "_base_executable", sys.executable)
    hide = f"mount -t tmpfs none '{sysconfig.get_path('stdlib')}/ensurepip' && exec '{base}' -c \"{ENSURE}\""
    said = output("unshare", "--mount", "sh", "-c", hide, cwd=checkout, text=True)
    assert "Made .venv (venv, outside pip)." in said
    assert not list((checkout / ".venv/bin").glob("pip*"))
    assert "all here" in output(str(checkout / ".venv/bin/python"), "-c", TRY_IT, text=True)


def test_a_lock_with_a_wrong_hash_installs_nothing_that_counts(checkout: Path) -> None:
    lock = checkout / "requirements-build.lock"
    head, *_ = lock.read_text().partition("    --hash")
    lock.write_text(f"{head}    --hash=sha256:{'0' * 64}\n")
    ran = subprocess.run(
        [sys.executable, "bootstrap.py", "run"], cwd=checkout, capture_output=True, text=True
    )
    assert ran.returncode == 1
    assert "hash" in ran.stderr.lower()
    assert not (checkout / ".venv/bayledger.stamp").exists()
