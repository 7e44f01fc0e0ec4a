"""The service asks nobody: what is posted is never an address to be fetched, nor code or objects to be brought to life.

Read from its source, so that what a test never runs is seen too.
"""

import ast
from functools import cache
from pathlib import Path

import pytest

import service

ROOT = Path(service.__file__).parent
SERVING = ("api", "schemas", "ledger", "answers", "store", "stats", "domain", "app.py")
"""What runs for a request."""
REACHES_OUT = {
    "httpx", "requests", "urllib.request", "http.client", "ftplib", "smtplib", "telnetlib", "socketserver",
    "subprocess", "multiprocessing", "ctypes", "webbrowser",
}  # fmt: skip
BRINGS_TO_LIFE = {
    "pickle",
    "marshal",
    "shelve",
    "dill",
    "yaml",
    "jsonpickle",
    "xml.etree.ElementTree",
    "xml.sax",
}
CALLS = {"eval", "exec", "compile", "__import__"}


@cache
def trees() -> list[tuple[str, ast.Module]]:
    """Every file of the service, by its path."""
    return [(str(path.relative_to(ROOT)), ast.parse(path.read_text())) for path in sorted(ROOT.rglob("*.py"))]


def of_room(room: str) -> list[tuple[str, ast.Module]]:
    """Those of one folder, or one file."""
    files = [(file, tree) for file, tree in trees() if file == room or file.startswith(f"{room}/")]
    assert files
    return files


def name_of(called: ast.expr) -> str:
    """`module.name` of what is called."""
    of_module = isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name)
    return f"{called.value.id}.{called.attr}" if of_module else ""


def imported(tree: ast.Module) -> set[str]:
    """Every module that a file imports, wherever it does."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {one.name for one in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{one.name}" for one in node.names}
    return names


@pytest.mark.parametrize("room", SERVING)
def test_nothing_that_runs_for_a_request_reaches_out_or_starts_programs(room):
    found = [(file, name) for file, tree in of_room(room) for name in imported(tree) & REACHES_OUT]
    assert found == []


def test_nothing_of_ours_brings_posted_objects_or_code_to_life():
    for file, tree in trees():
        assert imported(tree) & BRINGS_TO_LIFE == set(), file
        called = {
            n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)
        }
        assert called & CALLS == set(), file


def test_arrays_are_read_without_objects_in_them():
    loads = [
        (file, {key.arg: ast.unparse(key.value) for key in node.keywords})
        for file, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and name_of(node.func) in ("np.load", "numpy.load")
    ]
    assert loads
    assert [file for file, how in loads if how.get("allow_pickle") != "False"] == []


def test_no_program_is_started_through_a_shell():
    for file, tree in trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                assert not any(key.arg == "shell" for key in node.keywords), file
                assert name_of(node.func) not in ("os.system", "os.popen"), file


def test_no_document_takes_an_address_to_fetch(app):
    """Neither by its format nor by its name."""
    document = app.test_client().get("/v1/openapi.json").get_json()
    fields = [
        (schema, name, about)
        for schema, shape in document["components"]["schemas"].items()
        for name, about in shape.get("properties", {}).items()
    ]
    assert len(fields) > 300
    assert [(s, n) for s, n, about in fields if about.get("format") in ("uri", "url", "uri-reference")] == []
    assert [(s, n) for s, n, _ in fields if n in ("url", "uri", "callback", "webhook", "redirect")] == []
