"""`bootstrap.py check`: every tool that reads the tree without running the ledger. No network, but for `audit`.

All steps run even when one fails, so that one look shows everything there is to mend. A step that cannot be done where it
runs says why, and is named at the end.
`bootstrap.py check lint types` runs only the named ones.
"""

import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TOOLS = Path(sys.executable).parent
NOT_DONE = 75
"""Exit code of a step that cannot be done now (EX_TEMPFAIL of BSD's sysexits.h)."""
VERDICTS = {0: "ok", NOT_DONE: "not done"}
FAILED = "FAILED"
SHIPPED = ("service", "migrations", "seed", "dashboard", "bootstrap.py")


def steps() -> dict[str, list[str]]:
    """Command of each step by its name, in the order of how soon a person wants to know."""
    return {
        "format": [tool("ruff"), "format", "--check", "--output-format", "concise", "."],
        "lint": [tool("ruff"), "check", "--output-format", "concise", "."],
        "types": [tool("mypy")],
        "imports": [tool("lint-imports"), "--no-cache", "--no-logo"],
        "dashboard": [sys.executable, "-m", "dashboard.build", "--check"],
        "migrations": [tool("squawk"), *migration_files()],
        "locks": [sys.executable, "-m", "tests.setup.locks"],
        "documents": [sys.executable, "-m", "tests.setup.documents"],
        "security": [
            tool("bandit"),
            "-q",
            "--severity-level",
            "medium",
            "-c",
            "pyproject.toml",
            "-r",
            *SHIPPED,
        ],
        "audit": [sys.executable, "-m", "tests.setup.audit"],
    }


def tool(name: str) -> str:
    """Path of a command of this environment, never of another one on PATH."""
    return str(TOOLS / name)


def migration_files() -> list[str]:
    """The SQL that changes a shop's database; a name that does not exist when there is none, to fail on."""
    found = sorted(str(path.relative_to(ROOT)) for path in (ROOT / "migrations" / "sql").glob("*.up.sql"))
    return found or ["migrations/sql/*.up.sql"]


def verdict_of(name: str, command: list[str]) -> str:
    """Run one step and print its line; what it said only where it did not pass."""
    begun = time.monotonic()
    ran = subprocess.run(command, cwd=ROOT, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    verdict = VERDICTS.get(ran.returncode, FAILED)
    print(f"{name:<12}{verdict:<9}{time.monotonic() - begun:6.1f} s", flush=True)
    if ran.returncode:
        print((ran.stdout + ran.stderr).rstrip(), flush=True)
    return verdict


def main(names: list[str]) -> int:
    """Run the named steps (all without names). Exit code: 0 all passed, 1 some failed, 2 no such step."""
    known = steps()
    strange = [name for name in names if name not in known]
    if strange:
        print(f"check has no step {', '.join(strange)}; it has: {', '.join(known)}")
        return 2
    found = {name: verdict_of(name, known[name]) for name in names or known}
    failed, left = (
        [name for name in found if found[name] == verdict] for verdict in (FAILED, VERDICTS[NOT_DONE])
    )
    words = f"{len(failed)} failed: {', '.join(failed)}" if failed else "all passed"
    print(f"check: {words}" + (f"; not done: {', '.join(left)}" if left else ""))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
