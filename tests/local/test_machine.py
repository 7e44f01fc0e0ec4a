"""What needs root, another user or a file system of its own."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.local import LocalServerError, NoRoomError, start_server
from service.local.identity import namespaces_allowed
from tests.local.conftest import REPOSITORY, User, end_server_of, execute, postmaster_of, scalar
from tests.local.test_folders import fingerprint

pytestmark = pytest.mark.machine
SHOP_USER = "bayledger-test"
SYSTEM_BINARIES = sorted(Path("/usr/lib/postgresql").glob("*/bin"))


@pytest.fixture(scope="module")
def shop_user() -> Iterator[pwd.struct_passwd]:
    assert os.geteuid() == 0, "machine tests are run by root"
    subprocess.run(["useradd", "--create-home", SHOP_USER], check=True)
    yield pwd.getpwnam(SHOP_USER)
    subprocess.run(["userdel", "--remove", SHOP_USER], check=True, capture_output=True)


@pytest.fixture
def users_folder(shop_user) -> Iterator[Path]:
    outer = Path(tempfile.mkdtemp(prefix="bl-"))
    os.chown(outer, shop_user.pw_uid, shop_user.pw_gid)
    yield outer / "data"
    assert postmaster_of(outer / "data") is None
    shutil.rmtree(outer)


@pytest.fixture
def small_disk() -> Iterator[Path]:
    """A disk of 160 MB."""
    disk = Path(tempfile.mkdtemp(prefix="bl-"))
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=160m", "tmpfs", disk], check=True)
    yield disk
    end_server_of(disk / "data")
    subprocess.run(["umount", disk], check=True)
    disk.rmdir()


def fill(disk: Path) -> None:
    """Write until nothing more fits."""
    filler = os.open(disk / "filler", os.O_WRONLY | os.O_CREAT)
    with contextlib.suppress(OSError):
        while True:
            os.write(filler, b"\1" * 4096)
    os.close(filler)
    assert shutil.disk_usage(disk).free < 4096


def python_for_everybody(user: pwd.struct_passwd) -> list[str]:
    """An interpreter of our version this user can run, with our packages on its path."""
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    for interpreter in (sys.executable, f"/usr/bin/python{version}", f"/usr/local/bin/python{version}"):
        try:
            subprocess.run(
                [interpreter, "-c", "pass"], user=user.pw_uid, group=user.pw_gid, extra_groups=[], check=True
            )
        except (OSError, subprocess.CalledProcessError):
            continue
        return [interpreter, "-B"]
    raise AssertionError(f"no Python {version} that {user.pw_name} can run")


def start_as(user: pwd.struct_passwd, folder: Path) -> User:
    packages = [path for path in sys.path if path.endswith("site-packages")]
    environment = {
        "PATH": "/usr/bin:/bin",
        "HOME": user.pw_dir,
        "PYTHONPATH": ":".join([str(REPOSITORY), *packages]),
    }
    return User.of(
        folder,
        python_for_everybody(user),
        user=user.pw_uid,
        group=user.pw_gid,
        extra_groups=[],
        env=environment,
        cwd="/",
    )


def test_an_ordinary_user_starts_restarts_and_keeps_the_data(shop_user, users_folder):
    first = start_as(shop_user, users_folder)
    execute(first.url(), "create table kept (n int); insert into kept values (7)")
    assert users_folder.joinpath("postgres").stat().st_uid == shop_user.pw_uid
    assert Path(f"/proc/{postmaster_of(users_folder)}").stat().st_uid == shop_user.pw_uid
    first.leave()
    second = start_as(shop_user, users_folder)
    assert scalar(second.url(), "select n from kept") == 7
    second.leave()


def test_an_ordinary_user_killed_leaves_a_server_adopted_by_the_next(shop_user, users_folder):
    first = start_as(shop_user, users_folder)
    first.url()
    before = postmaster_of(users_folder)
    first.process.kill()
    first.process.wait()
    second = start_as(shop_user, users_folder)
    second.url()
    assert postmaster_of(users_folder) == before
    second.leave()


def test_root_uses_an_ordinary_users_folder_as_that_user_and_leaves_it_usable(shop_user, users_folder):
    start_as(shop_user, users_folder).leave_after_ready()
    with start_server(users_folder) as server:
        assert scalar(server.owner_url, "select 1") == 1
        assert Path(f"/proc/{postmaster_of(users_folder)}").stat().st_uid == shop_user.pw_uid
    owners = {path.lstat().st_uid for path in [users_folder, *users_folder.rglob("*")]}
    assert owners == {shop_user.pw_uid}
    start_as(shop_user, users_folder).leave_after_ready()


def test_an_ordinary_user_is_refused_roots_folder_and_touches_nothing(shop_user, folder):
    start_server(folder).stop()
    folder.parent.chmod(0o755)
    folder.chmod(0o755)
    before = fingerprint(folder)
    said = start_as(shop_user, folder).says()
    assert said.startswith("refused")
    assert "belongs to root" in said
    assert fingerprint(folder) == before


def test_a_folder_an_ordinary_user_may_not_write_is_named_with_the_way_out(shop_user, folder):
    folder.mkdir(mode=0o755)
    folder.parent.chmod(0o755)
    said = start_as(shop_user, folder).says()
    assert said.startswith("refused")
    assert str(folder) in said
    assert "--data-dir" in said
    assert list(folder.iterdir()) == []


def test_root_runs_the_server_in_a_namespace_and_keeps_owning_the_files(folder):
    assert namespaces_allowed()
    with start_server(folder):
        owners = {path.lstat().st_uid for path in [folder, *folder.rglob("*")]}
        assert owners == {0}
        namespace = Path(f"/proc/{postmaster_of(folder)}/ns/user").readlink()
        assert namespace != Path("/proc/self/ns/user").readlink()


def test_root_falls_back_to_nobody_where_namespaces_are_refused_and_stays_with_it(folder, monkeypatch):
    folder.parent.chmod(0o755)
    nobody = pwd.getpwnam("nobody").pw_uid
    with monkeypatch.context() as patched:
        patched.setattr("service.local.identity.namespaces_allowed", lambda: False)
        with start_server(folder) as server:
            execute(server.owner_url, "create table kept (n int); insert into kept values (7)")
            assert folder.joinpath("postgres").stat().st_uid == nobody
    with start_server(folder) as server:
        assert scalar(server.owner_url, "select n from kept") == 7
        assert Path(f"/proc/{postmaster_of(folder)}").stat().st_uid == nobody


def test_nobody_shut_out_by_a_private_parent_folder_is_explained(folder, monkeypatch):
    monkeypatch.setattr("service.local.identity.namespaces_allowed", lambda: False)
    folder.parent.chmod(0o700)
    with pytest.raises(LocalServerError, match="cannot enter"):
        start_server(folder)


def test_a_disk_too_small_for_a_new_ledger_is_refused_before_anything_is_written(small_disk):
    (small_disk / "filler").write_bytes(b"\1" * 120_000_000)
    with pytest.raises(NoRoomError, match="MB free"):
        start_server(small_disk / "data")
    assert not (small_disk / "data" / "postgres").exists()


def test_a_disk_that_fills_up_while_the_database_is_made_leaves_nothing_half_made(small_disk, monkeypatch):
    monkeypatch.setattr("service.local.cluster.ROOM_NEEDED_MB", 0)
    (small_disk / "filler").write_bytes(b"\1" * 150_000_000)
    with pytest.raises(NoRoomError, match="is full"):
        start_server(small_disk / "data")
    assert sorted(path.name for path in (small_disk / "data").iterdir()) == ["start.lock"]
    (small_disk / "filler").unlink()
    with start_server(small_disk / "data") as server:
        assert scalar(server.owner_url, "select 1") == 1


def test_a_full_disk_under_an_existing_ledger_is_named_and_the_data_survives(small_disk):
    with start_server(small_disk / "data") as server:
        execute(server.owner_url, "create table kept (n int); insert into kept values (7)")
    fill(small_disk)
    with pytest.raises(NoRoomError, match="is full"):
        start_server(small_disk / "data")
    (small_disk / "filler").unlink()
    with start_server(small_disk / "data") as server:
        assert scalar(server.owner_url, "select n from kept") == 7


def test_a_read_only_disk_is_named(small_disk):
    (small_disk / "data").mkdir()
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    with pytest.raises(LocalServerError, match="--data-dir"):
        start_server(small_disk / "data")


def test_binaries_of_the_system_serve_too(folder, monkeypatch):
    assert SYSTEM_BINARIES, "install a system Postgres to run the machine tests"
    monkeypatch.setenv("PG_BIN", str(SYSTEM_BINARIES[0]))
    with start_server(folder) as server:
        assert server.cluster.binaries.folder == SYSTEM_BINARIES[0]
        assert scalar(server.service_url, "select 1") == 1
        major = server.cluster.binaries.major
    monkeypatch.delenv("PG_BIN")
    with start_server(folder) as server:
        assert server.cluster.binaries.major == major, "the data decides which programs are used"
