"""Documents that speak of things which are not there: links, paths, words, settings.

python -m tests.setup.documents        (part of `check`, no network)
"""

import re
import sys
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import bootstrap
from service.bay.settings import VARIABLES
from service.settings import Settings, variable

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md")
ROOMS = ("service", "dashboard", "migrations", "tests", "seed")

LINK = re.compile(r"\]\((?!https?:|#|mailto:)([^)#\s]+)")
# A path in backticks that starts in a room of ours; patterns (`NNNN_name`, `*`, `{}`) are not paths.
PATH = re.compile(rf"`((?:{'|'.join(ROOMS)})/[\w./-]*)`")
PLACEHOLDER = re.compile(r"NNNN|NAME|[*{}<>]")
WORD = re.compile(r"(?:bootstrap\.py|^make|`make|\bmake(?= (?:run|test|check)\b)) ([a-z]+)", re.MULTILINE)
SETTING = re.compile(r"\bBAYLEDGER_[A-Z_]*[A-Z]\b")


def missing_links(name: str, text: str, root: Path = ROOT) -> Iterator[str]:
    """Links and room paths with nothing behind them."""
    for target in LINK.findall(text) + PATH.findall(text):
        if not PLACEHOLDER.search(target) and not (root / target).exists():
            yield f"{name}: {target} does not exist"


def unknown_words(name: str, text: str) -> Iterator[str]:
    """Words given to bootstrap.py or make that neither has."""
    for word in sorted(set(WORD.findall(text)) - set(bootstrap.WORDS)):
        yield f"{name}: there is no word `{word}`"


def unknown_settings(documents: str, used: set[str]) -> Iterator[str]:
    """Settings that only the documents, or only the code, know."""
    told = set(SETTING.findall(documents))
    for setting in sorted(told - used):
        yield f"documents: {setting} is read nowhere"
    for setting in sorted(used - told):
        yield f"documents: {setting} is told nowhere"


def settings(root: Path = ROOT) -> set[str]:
    """Every setting that a process, its start-up or its containers read."""
    files = [
        root / "bootstrap.py",
        root / "docker-compose.yml",
        root / "Dockerfile",
        root / "migrations" / "env.py",
        root / "tests" / "setup" / "browser.py",
    ]
    named = SETTING.findall("\n".join(path.read_text() for path in files))
    return {*named, *VARIABLES.values(), *(variable(field.name) for field in fields(Settings))}


def faults(root: Path = ROOT) -> list[str]:
    """Everything untrue that can be seen without running the ledger."""
    absent = [name for name in DOCUMENTS if not (root / name).exists()]
    texts = {name: (root / name).read_text() for name in DOCUMENTS if name not in absent}
    found = [f"{name}: is missing" for name in absent]
    for name, text in texts.items():
        found += [*missing_links(name, text, root), *unknown_words(name, text)]
    return [*found, *unknown_settings("\n".join(texts.values()), settings(root))]


def main() -> int:
    """Print every fault; exit code 1 when there is one."""
    found = faults()
    for fault in found:
        print(fault)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
