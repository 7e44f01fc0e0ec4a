"""Published check values; SOURCES.md says where each file comes from."""

import csv
import json
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a check file, its comment lines left out."""
    with (HERE / name).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def document(name: str) -> Any:
    """A check file in JSON."""
    return json.loads((HERE / name).read_text(encoding="utf-8"))
