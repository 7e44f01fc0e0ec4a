"""A bay's computer has only the packages of the base install: every command of a bay runs without the server's."""

import random
import subprocess
import sys

import pytest

from tests.bay.computer import Computer
from tests.live import ROOT, clean_environment

pytestmark = pytest.mark.slow

SERVERS = (
    "alembic", "apispec", "flask_smorest", "gunicorn", "marshmallow", "openpyxl", "orjson", "psycopg", "psychrolib",
    "pyarrow", "scipy", "sqlalchemy", "webargs", "zstandard",
)  # fmt: skip
"""What the extra `server` of pyproject.toml brings, by the names under which it is imported."""
WITHOUT = f"""
import sys
sys.modules.update(dict.fromkeys({SERVERS!r}))
from service.cli import main
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["send", "FILE", "--car", "stoat-014", "--parts", "none"], 0, "1 pull into session 1"),
        (["done"], 0, "No session is in work."),
        (["spool"], 0, "0 sessions not yet sent"),
        (["status"], 1, "No ledger answers"),
        (["unit"], 0, "ExecStart="),
        (["watch", "NOWHERE"], 1, "is no folder"),
        (["page", "--host", "0.0.0.0"], 2, "give --pin-file too"),
    ],
)
def test_a_command_of_the_bay_runs_without_the_servers_packages(tmp_path, words, code, says):
    computer = Computer(tmp_path, "north", "http://127.0.0.1:1", "t", watch=str(tmp_path / "export"))
    file = computer.machine_writes("a.csv", random.Random(1))
    named = {"FILE": str(file), "NOWHERE": str(tmp_path / "nowhere")}
    told = ["bay", *(named.get(word, word) for word in words), "--bay-dir", str(computer.bay_dir)]
    ran = subprocess.run(
        [sys.executable, "-c", WITHOUT, *told], cwd=ROOT, env=clean_environment(), capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert says in ran.stdout + ran.stderr
    assert ran.returncode == code
