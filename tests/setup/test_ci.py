""".ci/run, with a stand-in for bootstrap.py: what it takes for success, and what for failure."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.setup.check import ROOT

# Says what the variable of its word holds, and fails when that begins with FAIL.
STAND_IN = """
import os, sys
said = os.environ["SAYS_" + "_".join(sys.argv[1:]).replace("--", "").upper()]
print(said)
sys.exit(said.startswith("FAIL"))
"""
GOOD = {
    "SAYS_CHECK": "all passed",
    "SAYS_TEST": "12 passed in 3.4s",
    "SAYS_TEST_SLOW": "7 passed, 5 deselected in 2s",
    "SAYS_TEST_MACHINE": "3 passed, 9 deselected in 1s",
}


def ci(folder: Path, **says: str) -> subprocess.CompletedProcess[str]:
    (folder / ".ci").mkdir()
    shutil.copy(ROOT / ".ci" / "run", folder / ".ci" / "run")
    (folder / "bootstrap.py").write_text(STAND_IN)
    (folder / "bin").mkdir()
    for name in ("chromium-headless-shell", "apt-get"):
        there = folder / "bin" / name
        there.write_text("#!/bin/sh\n")
        there.chmod(0o755)
    path = f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}"
    environment = {**os.environ, "PATH": path, **GOOD, **says}
    return subprocess.run(["bash", ".ci/run"], cwd=folder, env=environment, capture_output=True, text=True)


def test_it_passes_when_all_pass_and_shows_the_closing_lines(tmp_path: Path) -> None:
    ran = ci(tmp_path)
    assert ran.returncode == 0, ran.stderr
    assert "12 passed in 3.4s" in ran.stdout
    assert "7 passed, 5 deselected in 2s" in ran.stdout
    assert "3 passed, 9 deselected in 1s" in ran.stdout


@pytest.mark.parametrize(
    "says",
    [
        {"SAYS_CHECK": "FAILED lint"},
        {"SAYS_TEST": "FAILED: 1 failed, 11 passed in 3.4s"},
        {"SAYS_TEST_SLOW": "FAILED: 1 failed, 6 passed in 3.4s"},
        {"SAYS_TEST_MACHINE": "FAILED: 1 failed, 2 passed in 3.4s"},
        {"SAYS_TEST": "no tests ran in 0.1s"},
        {"SAYS_TEST_MACHINE": "0 passed in 0.1s"},
        {"SAYS_TEST": "11 passed, 1 skipped in 3.4s"},
    ],
)
def test_it_fails_when_a_step_fails_or_no_test_ran_or_one_was_skipped(
    says: dict[str, str], tmp_path: Path
) -> None:
    assert ci(tmp_path, **says).returncode != 0


def test_nothing_runs_after_a_failed_check(tmp_path: Path) -> None:
    assert "passed" not in ci(tmp_path, SAYS_CHECK="FAILED lint").stdout


def test_what_the_machine_lacks_is_asked_of_apt(tmp_path: Path) -> None:
    """A PATH with hardly more on it than what the script itself calls."""
    bare = tmp_path / "bare"
    bare.mkdir()
    for name in ("bash", "dirname", "mktemp", "rm", "grep", "tee"):
        (bare / name).symlink_to(str(shutil.which(name)))
    for name, does in (
        ("apt-get", f'echo "$@" >> {tmp_path / "asked"}'),
        ("python3", f'exec {sys.executable} "$@"'),
    ):
        (bare / name).write_text(f"#!/bin/sh\n{does}\n")
        (bare / name).chmod(0o755)
    assert ci(tmp_path, PATH=str(bare)).returncode == 0
    asked = (tmp_path / "asked").read_text().split()
    assert {"chromium-headless-shell", "prometheus", "mmdebstrap", "systemd-container", "buildah"} <= set(
        asked
    )
