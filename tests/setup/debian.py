"""A Debian in a folder, bare, and made ready for service/units/install.sh: by the README's own words, and by what needs a network."""

import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.live import clean_environment
from tests.setup.apart import memory
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


@contextmanager
def bare(release: str) -> Iterator[Path]:
    """A Debian of a release: what every one has and no more, and whom this machine trusts.

    As in Debian's own images a package that is installed starts nothing, and dpkg does not wait for the disk.
    """
    begun = time.monotonic()
    made = ["mmdebstrap", "--mode=root", "--variant=minbase", "--include=ca-certificates"]
    with memory(f"{release}-") as folder:
        ran = subprocess.run(
            ["unshare", "--mount", *made, "--dpkgopt=force-unsafe-io", release, folder],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert ran.returncode == 0, ran.stderr
        for file in ("etc/ssl/certs/ca-certificates.crt", "etc/resolv.conf"):
            shutil.copy(f"/{file}", folder / file)
        starts_nothing = folder / "usr/sbin/policy-rc.d"
        starts_nothing.write_text("#!/bin/sh\nexit 101\n")
        starts_nothing.chmod(0o755)
        print(f"\na bare Debian ({release}): {time.monotonic() - begun:.0f} s")
        yield folder


def prepare(folder: Path) -> None:
    """Put the packages, the project and its locked packages in; with the shared memory by which initdb decides what it uses."""
    begun = time.monotonic()
    copy_of_the_project(folder / "srv/bayledger")
    apart = 'mount -t tmpfs none "$0/dev/shm"; exec chroot "$0" sh -euc "$1"'
    made = subprocess.run(
        ["unshare", "--mount", "sh", "-euc", apart, folder, PREPARE],
        env={**clean_environment(), **ROOTS}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert made.returncode == 0, made.stdout + made.stderr
    print(f"\nin it {TOLD} and our locked packages: {time.monotonic() - begun:.0f} s")


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
