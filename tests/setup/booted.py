"""A Debian in a folder switched on as a machine is: systemd as its first process, which starts all else.

systemd's own program for that (systemd-nspawn) does it; here it runs apart, so that nothing is left when the place ends.
"""

import fcntl
import re
import socket
import struct
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.setup.apart import Apart, apart, children_of
from tests.setup.debian import ROOTS
from tests.setup.installed import wait_until

SIOCSIFADDR = 0x8916  # linux/sockios.h
# In a control group of its own, in that version of them which systemd has by itself; with the network of the place; with the
# right that IPAddressDeny= takes. It ends with 133 where it is to be switched on again (systemd-nspawn(1), --keep-unit).
SWITCH_ON = """
mount -t tmpfs none /run
mount -t cgroup2 none /sys/fs/cgroup
on() (
    sh -c 'echo $PPID' > "/sys/fs/cgroup/$1/cgroup.procs"
    exec systemd-nspawn --quiet --boot --directory="$2" --register=no --keep-unit --console=read-only --link-journal=no \\
        --resolv-conf=off --timezone=off --capability=CAP_BPF --system-call-filter=bpf --network-namespace-path=/proc/1/ns/net
)
code=133
while [ $code = 133 ]; do
    code=0
    on "$@" || code=$?
done
"""
ALL = ("--mount", "--uts", "--ipc", "--net", "--pid", "--cgroup")


@dataclass(frozen=True)
class Booted:
    """A machine that is on."""

    folder: Path
    place: Apart
    switch: int
    log: Path

    def first(self) -> int:
        """The number that its first process has outside; 0 while there is none."""
        return next((pid for nspawn in children_of(self.switch) for pid in children_of(nspawn)), 0)

    def tried(self, script: str) -> subprocess.CompletedProcess[str]:
        """What came of a script that root ran on it."""
        return subprocess.run(
            ["nsenter", f"--target={self.first()}", *ALL, "--", "sh", "-euc", script],
            env=ROOTS, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False,
        )  # fmt: skip

    def run(self, script: str) -> str:
        """What a script said, which must end well."""
        ran = self.tried(script)
        assert ran.returncode == 0, f"{script}\n{ran.stdout}{ran.stderr}"
        return ran.stdout + ran.stderr

    def shown(self, unit: str, name: str) -> str:
        """What systemd says of a unit."""
        return self.run(f"systemctl show --property={name} --value {unit}").strip()

    def journal(self, unit: str) -> str:
        """What a unit has said since the machine was switched on."""
        return self.run(f"journalctl --boot --quiet --no-pager --output=cat --unit={unit}")

    def failed(self) -> str:
        """Units that have failed, with what was said of them."""
        units = re.findall(r"^\S+", self.run("systemctl --failed --plain --no-legend"), re.MULTILINE)
        return "\n".join(f"{unit}\n{self.journal(unit)}" for unit in units)

    def is_up(self) -> bool:
        """Whether all that starts by itself was started, well or not."""
        return self.tried("systemctl is-system-running").stdout.strip() in ("running", "degraded")

    def reboot(self) -> None:
        """Switch it off in good order, and on again."""
        before = self.first()
        self.tried("systemctl reboot")
        wait_until(lambda: self.first() not in (0, before) and self.is_up(), self.log)


@contextmanager
def booted(folder: Path, address: str) -> Iterator[Booted]:
    """The machine, from when all was started that starts by itself; it is reached by an address, from its place alone."""
    with control_group() as group, apart() as place, tempfile.NamedTemporaryFile(prefix="booted-") as log:
        with place.network():
            give_address(address)
        command = place.command("sh", "-euc", SWITCH_ON, "sh", group, folder)
        with subprocess.Popen(
            command, env=ROOTS, stdin=subprocess.DEVNULL, stdout=log, stderr=log
        ) as entered:
            try:
                wait_until(lambda: children_of(entered.pid) != [])
                machine = Booted(folder, place, children_of(entered.pid)[0], Path(log.name))
                wait_until(machine.is_up, machine.log)
                yield machine
            finally:
                entered.kill()  # what it started ends with its place


@contextmanager
def control_group() -> Iterator[str]:
    """The name of a new one, which is gone in the end with all that was made in it."""
    with tempfile.TemporaryDirectory(prefix="groups-") as folder:
        subprocess.run(["mount", "-t", "cgroup2", "none", folder], check=True)
        try:
            group = Path(tempfile.mkdtemp(prefix="bayledger-", dir=folder))
            try:
                yield group.name
            finally:
                for one in sorted(group.rglob("*/"), reverse=True):
                    one.rmdir()
                group.rmdir()
        finally:
            subprocess.run(["umount", folder], check=True)


def give_address(address: str) -> None:
    """One more for this machine to reach itself by, in the network that this thread is in."""
    with socket.socket() as any_one:
        asked = struct.pack("16sH2x4s8x", b"lo:1", socket.AF_INET, socket.inet_aton(address))
        fcntl.ioctl(any_one, SIOCSIFADDR, asked)
