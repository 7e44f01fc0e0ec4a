"""Known weaknesses of the packages that a server installs, asked of the OSV database by pip-audit.

The one step of `check` that asks the network. Where the database cannot be asked the step says so and is not done; that
fails nothing, so that `check` works without a network, and is not passed over either.
"""

import json
import subprocess
import sys
from typing import Any

from tests.setup.check import NOT_DONE, ROOT, tool

LOCK = "requirements.lock"
EACH_S = 10
ALL_S = 300
COMMAND = [
    tool("pip-audit"),
    "--disable-pip",
    *("--vulnerability-service", "osv", "--timeout", str(EACH_S)),
    *("--format", "json", "--progress-spinner", "off"),
]


def asked() -> tuple[list[dict[str, Any]] | None, str]:
    """Every package with what is known against it; None where that could not be asked, and why."""
    try:
        ran = subprocess.run(
            [*COMMAND, "--requirement", LOCK], cwd=ROOT, capture_output=True, text=True, timeout=ALL_S
        )
    except subprocess.TimeoutExpired:
        return None, f"no answer within {ALL_S} s"
    try:
        packages: list[dict[str, Any]] = json.loads(ran.stdout)["dependencies"]
    except (ValueError, KeyError):
        return None, (ran.stderr.strip().splitlines() or ["it said nothing"])[-1]
    return packages, ""


def said_of(package: dict[str, Any]) -> list[str]:
    """A line for each weakness of a package, with the way out."""
    lines = []
    for one in package.get("vulns", []):
        fixed = ", ".join(one["fix_versions"]) or "no version yet"
        lines.append(f"{package['name']} {package['version']}: {one['id']}, mended in {fixed}")
    return lines


def main() -> int:
    """Exit code: 0 nothing is known, 1 something is, 75 it could not be asked."""
    packages, why_not = asked()
    if packages is None:
        print(f"not asked whether the packages of {LOCK} have known weaknesses: {why_not}")
        return NOT_DONE
    unread = [one["name"] for one in packages if "skip_reason" in one]
    if unread or not packages:
        print(f"not asked of {', '.join(unread) or 'any package'}")
        return NOT_DONE
    weak = [line for package in packages for line in said_of(package)]
    print("\n".join(weak) or f"nothing known against {len(packages)} packages")
    return 1 if weak else 0


if __name__ == "__main__":
    sys.exit(main())
