"""The schema as text, the same from every server: what `migrations/schema.sql` holds.

`python -m tests.migrations.schema_text` writes the file anew after a migration was added.
"""

import re
import subprocess
import tempfile
from pathlib import Path

from service.local import LocalServer, start_server
from tests.conftest import ROOT, migrate

SCHEMA = ROOT / "migrations" / "schema.sql"
NOISE = re.compile(r"^(--.*|SET .*|SELECT pg_catalog\.set_config.*|\\(un)?restrict .*)$")


def dumped(server: LocalServer, database_url: str | None = None) -> str:
    """The schema of a database without comments, settings and what differs from run to run."""
    command = [
        str(server.program("pg_dump")),
        "--schema-only",
        "--no-owner",
        "--exclude-table=alembic_version",
        database_url or server.owner_url,
    ]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    lines = [line.rstrip() for line in text.splitlines() if not NOISE.match(line)]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).strip() + "\n"


def main() -> None:
    """Write migrations/schema.sql from the migrations."""
    with tempfile.TemporaryDirectory() as folder:
        server = start_server(Path(folder))
        try:
            migrate(server.owner_url)
            SCHEMA.write_text(dumped(server), encoding="utf-8")
        finally:
            server.stop()


if __name__ == "__main__":
    main()
