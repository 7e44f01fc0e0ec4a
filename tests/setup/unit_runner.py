"""Runs a unit's program where there is no systemd: python3 unit_runner.py NAME. By Debian's own Python, as root.

Of what a unit says this heeds: User, Group, WorkingDirectory, UMask, Environment, EnvironmentFile, LoadCredential, the
folders that systemd would make, and ExecStart. Not what systemd's kernel rules shut in: those are for `systemd-analyze`.
"""

import grp
import os
import pwd
import shlex
import shutil
import sys
from pathlib import Path

SYSTEM = Path("/etc/systemd/system")
FOLDERS = {"StateDirectory": Path("/var/lib"), "CacheDirectory": Path("/var/cache")}


def settings_of(name: str) -> list[tuple[str, str]]:
    """Every line of a unit, then of the drop-ins for its kind, as systemd reads them: the last one holds of what is set once."""
    files = [SYSTEM / f"{name}.service", *sorted((SYSTEM / "bayledger-.service.d").glob("*.conf"))]
    lines = [line for file in files for line in file.read_text().splitlines()]
    return [
        (key, value)
        for line in lines
        if "=" in line and not line.startswith("#")
        for key, _, value in [line.partition("=")]
    ]


def run(name: str) -> None:
    """Become the unit's program."""
    said = settings_of(name)
    last = dict(said)
    user, group = pwd.getpwnam(last["User"]), grp.getgrnam(last["Group"])
    lent = Path("/run/credentials") / name
    shutil.rmtree(lent, ignore_errors=True)
    lent.mkdir(parents=True)
    for key, value in said:
        if key == "LoadCredential":
            credential, _, source = value.partition(":")
            (lent / credential).write_bytes(Path(source).read_bytes())
            os.chown(lent / credential, user.pw_uid, group.gr_gid)
            (lent / credential).chmod(0o400)
        if key in FOLDERS:
            folder = FOLDERS[key] / value
            folder.mkdir(mode=0o700, exist_ok=True)
            os.chown(folder, user.pw_uid, group.gr_gid)
    places = {"%d": str(lent), "%S": "/var/lib", "%C": "/var/cache"}
    environment = {"PATH": "/usr/bin:/bin"}
    words = [word for key, value in said if key == "Environment" for word in value.split()]
    for key, value in said:
        if key == "EnvironmentFile" and Path(value.removeprefix("-")).exists():
            words += shlex.split(Path(value.removeprefix("-")).read_text())
    for word in words:
        variable, _, value = word.partition("=")
        for short, place in places.items():
            value = value.replace(short, place)
        environment[variable] = value
    os.umask(int(last["UMask"], 8))
    os.chdir(last["WorkingDirectory"])
    os.setgroups([])
    os.setgid(group.gr_gid)
    os.setuid(user.pw_uid)
    command = [
        part
        for word in last["ExecStart"].split()
        for part in (environment[word[1:]].split() if word.startswith("$") else [word])
    ]
    os.execve(command[0], command, environment)


if __name__ == "__main__":
    run(sys.argv[1])
