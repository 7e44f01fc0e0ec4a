"""The lock files: read, compared with pyproject.toml, and written again.

    python -m tests.setup.locks            compare (part of `check`, no network)
    python -m tests.setup.locks --write    write them with uv; --upgrade takes newer releases

A lock begins with a fingerprint of what pyproject.toml asked for when it was written, so that a dependency which
was removed or loosened shows as well as one that was added.
"""

import hashlib
import re
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[2]
RUN_LOCK, DEV_LOCK, BUILD_LOCK = "requirements.lock", "requirements-dev.lock", "requirements-build.lock"
BAY_LOCK = "requirements-bay.lock"
# Built here from source, as bootstrap.py does: there is no wheel of it.
BUILT_HERE = "psychrolib"
# What builds it. Any release since the one that builds wheels without help.
BUILD_NEEDS = "setuptools>=70.1"
FINGERPRINT = "# asked for: "


@dataclass(frozen=True)
class Pin:
    """One `name==version ; marker` of a lock, with how many hashes stand under it."""

    name: str
    version: str
    marker: str
    hashes: int


def read_pins(text: str) -> list[Pin]:
    """Every pin of a lock's text."""
    joined = text.replace("\\\n", " ")
    return [parse_pin(line) for line in joined.splitlines() if line.strip() and not line.startswith("#")]


def parse_pin(line: str) -> Pin:
    """A lock line, its hashes already joined to it."""
    requirement, *hashes = re.split(r"\s--hash=", line)
    name, _, rest = requirement.partition("==")
    version, _, marker = rest.partition(";")
    return Pin(canonicalize_name(name.strip()), version.strip(), marker.strip(), len(hashes))


def asked(pyproject: dict, *extras: str) -> list[Requirement]:
    """What pyproject.toml asks for: what a bay's computer needs, with those of each extra after them."""
    project = pyproject["project"]
    more = [text for extra in extras for text in project["optional-dependencies"][extra]]
    return [Requirement(text) for text in [*project["dependencies"], *more]]


def fingerprint(requirements: list[Requirement]) -> str:
    """Short digest of a set of requirements, whatever their order."""
    text = "\n".join(sorted(str(each) for each in requirements))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def faults_of(name: str, text: str, requirements: list[Requirement]) -> list[str]:
    """What keeps one lock from being the lock of these requirements."""
    pins = read_pins(text)
    versions: dict[str, list[str]] = {}
    for pin in pins:
        versions.setdefault(pin.name, []).append(pin.version)
    found = [f"{name}: {pin.name} has no hash" for pin in pins if not pin.hashes]
    for requirement in requirements:
        locked = versions.get(canonicalize_name(requirement.name), [])
        if not locked:
            found.append(f"{name}: {requirement.name} is not in it")
        found += [
            f"{name}: {requirement} is asked for, {version} is locked"
            for version in locked
            if not requirement.specifier.contains(version, prereleases=True)
        ]
    if f"{FINGERPRINT}{fingerprint(requirements)}" not in text.splitlines():
        found.append(f"{name}: pyproject.toml asks for something else than when it was written")
    if "://" in text:
        found.append(f"{name}: names an address; packages are locked by name and hash alone")
    return found


def disagreements(part: list[Pin], whole: list[Pin], names: tuple[str, str]) -> list[str]:
    """The tests must run on what the ledger and the bays run on: every pin of theirs stands in the wider lock too."""
    held = {(pin.name, pin.version) for pin in whole}
    return [
        f"{names[1]}: lacks {pin.name}=={pin.version} of {names[0]}"
        for pin in part
        if (pin.name, pin.version) not in held
    ]


def faults(root: Path = ROOT) -> list[str]:
    """Everything wrong between pyproject.toml and its locks."""
    pyproject = tomllib.loads((root / "pyproject.toml").read_text())
    texts = {name: (root / name).read_text() for name in (BAY_LOCK, RUN_LOCK, DEV_LOCK, BUILD_LOCK)}
    pins = {name: read_pins(text) for name, text in texts.items()}
    return [
        *faults_of(BAY_LOCK, texts[BAY_LOCK], asked(pyproject)),
        *faults_of(RUN_LOCK, texts[RUN_LOCK], asked(pyproject, "server")),
        *faults_of(DEV_LOCK, texts[DEV_LOCK], asked(pyproject, "server", "dev")),
        *faults_of(BUILD_LOCK, texts[BUILD_LOCK], [Requirement(BUILD_NEEDS)]),
        *disagreements(pins[BAY_LOCK], pins[RUN_LOCK], (BAY_LOCK, RUN_LOCK)),
        *disagreements(pins[RUN_LOCK], pins[DEV_LOCK], (RUN_LOCK, DEV_LOCK)),
    ]


def write(root: Path, arguments: list[str]) -> None:
    """Write the locks; pins stand as they are unless they no longer fit or --upgrade is given."""
    pyproject = tomllib.loads((root / "pyproject.toml").read_text())
    compile_lock(root, RUN_LOCK, asked(pyproject, "server"), arguments)
    compile_lock(root, BAY_LOCK, asked(pyproject), ["-c", RUN_LOCK, *arguments])
    compile_lock(root, DEV_LOCK, asked(pyproject, "server", "dev"), ["-c", RUN_LOCK, *arguments])
    compile_lock(root, BUILD_LOCK, [Requirement(BUILD_NEEDS)], arguments)


def compile_lock(root: Path, name: str, requirements: list[Requirement], arguments: list[str]) -> None:
    """Let uv solve one set of requirements for every Python and system at once, and sign it."""
    command = [
        "uv",
        "pip",
        "compile",
        "--quiet",
        "--universal",
        "--generate-hashes",
        "--python-version",
        "3.11",
    ]
    command += ["--no-annotate", "--no-header", "--no-emit-index-url", "--only-binary", ":all:"]
    command += ["--no-binary", BUILT_HERE, *arguments, "-o", name, "-"]
    wanted = "\n".join(str(each) for each in requirements)
    subprocess.run(command, cwd=root, input=wanted, text=True, check=True)
    path = root / name
    path.write_text(f"{FINGERPRINT}{fingerprint(requirements)}\n{path.read_text()}")


def main(arguments: list[str]) -> int:
    """Compare, or write with --write and compare then."""
    if "--write" in arguments:
        write(ROOT, [each for each in arguments if each != "--write"])
    found = faults()
    for fault in found:
        print(fault)
    if found:
        print("Run: python3 bootstrap.py lock")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
