"""The browser that the dashboard's tests drive: found, or on Debian as root installed, or asked for.

    python -m tests.setup.browser        prints its path

Without one the run would be smaller than it says, so `bootstrap.py test` ends here with exit code 1.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable

import bootstrap

PACKAGES = ("chromium-headless-shell", "chromium")
"""Debian's, best first: the one that can open no window draws the same with a fifth less work."""
NAMES = (*PACKAGES, "chromium-browser", "google-chrome", "google-chrome-stable")
MAC_PATHS = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
)


def find_browser(which: Callable[[str], str | None] = shutil.which) -> str | None:
    """Path of a browser of the Chromium family: the one BAYLEDGER_BROWSER names, else the first one here."""
    given = os.environ.get("BAYLEDGER_BROWSER")
    if given:
        return given if os.path.exists(given) else None
    found = [*(which(name) for name in NAMES), *(path for path in MAC_PATHS if os.path.exists(path))]
    return next((path for path in found if path), None)


def install_browser() -> None:
    """Debian's own package; only root can, and only here is it done without being asked."""
    print(
        "No browser for the dashboard's tests: installing Chromium with apt-get (we are root) ...", flush=True
    )
    apt_get("update")
    for package in PACKAGES:
        if apt_get("install", "-y", package) == 0:
            return


def apt_get(*words: str) -> int:
    """Run apt-get without questions; its exit code."""
    environment = dict(os.environ, DEBIAN_FRONTEND="noninteractive")
    return subprocess.call(["apt-get", "-qq", *words], env=environment, stdout=subprocess.DEVNULL)


def advice() -> str:
    """How to get one on this system."""
    missing = "The dashboard's tests need a browser of the Chromium family and none was found. Install one:"
    return f"{missing}\n  {bootstrap.package_hint('browser')}"


def main() -> int:
    """Print the browser's path, or how to get one."""
    if not find_browser() and bootstrap.is_root() and shutil.which("apt-get"):
        install_browser()
    found = find_browser()
    print(f"Browser for the dashboard's tests: {found}" if found else advice(), flush=True)
    return 0 if found else 1


if __name__ == "__main__":
    sys.exit(main())
