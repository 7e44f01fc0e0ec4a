"""A Debian in a folder made ready for service/units/install.sh: by the README's own words, and by what needs a network."""

import re
import shutil
import subprocess
from pathlib import Path

from tests.live import clean_environment
from tests.setup.check import ROOT

(TOLD,) = re.findall(r"^apt-get install --yes git (.*)", (ROOT / "README.md").read_text(), re.MULTILINE)
ROOTS = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root"}
# systemd every installed Debian has, only none in a folder; then what install.sh would fetch itself, had it a network.
PREPARE = f"""
export DEBIAN_FRONTEND=noninteractive
apt-get update -qq
apt-get install --yes -qq --no-install-recommends systemd-sysv {TOLD}
cd /srv/bayledger
python3 -c 'import bootstrap; bootstrap.ensure("run")'
"""


def prepare(folder: Path) -> None:
    """Put the packages, the project and its locked packages in; with the shared memory by which initdb decides what it uses."""
    copy_of_the_project(folder / "srv/bayledger")
    apart = 'mount -t tmpfs none "$0/dev/shm"; exec chroot "$0" sh -euc "$1"'
    made = subprocess.run(
        ["unshare", "--mount", "sh", "-euc", apart, folder, PREPARE],
        env={**clean_environment(), **ROOTS}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stdout + made.stderr


def copy_of_the_project(folder: Path) -> None:
    """What a clone of this tree has, but for the tests."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    for name in listed.split("\0"):
        if (ROOT / name).is_file() and not name.startswith("tests/"):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, folder / name)
