"""`bayledger serve` in real processes: started, stopped, killed."""

from __future__ import annotations

import json
import os
import signal
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import psycopg
import pytest

from service.local import processes, start_server
from tests.cli.conftest import (
    REPOSITORY,
    START_PATIENCE_S,
    Serving,
    is_up,
    lasting_folder,
    note_is_of,
    self_signed,
    serving,
)
from tests.live import free_port, is_free
from tests.local.conftest import execute, postmaster_of, scalar, wait_until


def workers_of(master: int) -> list[int]:
    return [
        int(pid)
        for pid in open(f"/proc/{master}/task/{master}/children").read().split()
        if _is_python(int(pid))
    ]


def _is_python(pid: int) -> bool:
    try:
        return os.path.samefile(f"/proc/{pid}/exe", sys.executable)
    except FileNotFoundError:  # it has ended, and is waited for
        return False


@pytest.fixture(scope="module")
def standing(migrated_template) -> Iterator[Serving]:
    """A service for the tests that leave it serving."""
    with lasting_folder(migrated_template) as folder, serving(folder) as server:
        yield server


def typed(folder: Path) -> subprocess.Popen[str]:
    """The command as a person types it."""
    return subprocess.Popen(
        [sys.executable, "-m", "service", "serve", "--port", "0", "--data-dir", str(folder)],
        cwd=REPOSITORY, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


def test_serve_makes_everything_says_its_address_and_stops_cleanly(folder):
    process = typed(folder)
    wait_until(lambda: note_is_of(process.pid, folder) or process.poll() is not None, START_PATIENCE_S)
    url = json.loads((folder / "serve.json").read_text())["url"]
    assert is_up(url)
    assert postmaster_of(folder) is not None
    process.terminate()
    said, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    first, *logged = said.splitlines()
    assert first == f"Bayledger serves {url} (Ctrl-C stops it)"
    assert [json.loads(line)["message"] for line in logged] == ["GET /v1/openapi.json 200"]
    assert postmaster_of(folder) is None
    assert not (folder / "serve.json").exists()


def test_ctrl_c_in_the_terminal_stops_it_cleanly(migrated_folder):
    with serving(migrated_folder) as server:
        os.killpg(server.pid, signal.SIGINT)  # a terminal sends it to the whole group
        assert server.ended() == 0
    assert postmaster_of(migrated_folder) is None


def test_a_closed_terminal_stops_it_cleanly(migrated_folder):
    with serving(migrated_folder) as server:
        assert server.stop(signal.SIGHUP) == 0
    assert postmaster_of(migrated_folder) is None


def test_stopping_and_starting_again_keeps_the_data_and_the_key_for_vins(migrated_folder, run):
    with serving(migrated_folder) as server:
        run("token", "create", "--scope", "read", "--name", "kept", "--data-dir", migrated_folder)
        key = (migrated_folder / "secret").read_text()
        server.stop()
    with serving(migrated_folder):
        assert "kept" in run("token", "list", "--data-dir", migrated_folder).out
        assert (migrated_folder / "secret").read_text() == key


def test_a_token_made_while_it_serves_is_taken_at_once(standing, run):
    refused = httpx.get(f"{standing.url}/v1/platforms")
    assert refused.status_code == 401
    token = run("token", "create", "--scope", "read", "--data-dir", standing.folder).out.strip()
    taken = httpx.get(f"{standing.url}/v1/platforms", headers={"Authorization": f"Bearer {token}"})
    assert taken.status_code == 200
    number = run("token", "list", "--data-dir", standing.folder).out.splitlines()[1].split()[0]
    run("token", "revoke", number, "--data-dir", standing.folder)
    ended = httpx.get(f"{standing.url}/v1/platforms", headers={"Authorization": f"Bearer {token}"})
    assert ended.status_code == 401
    assert postmaster_of(standing.folder) is not None, (
        "a token command must not stop the server under the service"
    )


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_a_request_under_way_is_finished_before_it_stops(migrated_folder, run, how):
    with serving(migrated_folder) as server, start_server(migrated_folder) as database:
        token = run("token", "create", "--scope", "read", "--data-dir", migrated_folder).out.strip()
        answers: list[httpx.Response] = []
        headers = {"Authorization": f"Bearer {token}"}
        asking = threading.Thread(
            target=lambda: answers.append(
                httpx.get(f"{server.url}/v1/platforms", headers=headers, timeout=30)
            )
        )
        with psycopg.connect(database.superuser_url) as holder:
            holder.execute("lock table platform in access exclusive mode")
            asking.start()
            waiting = "select count(*) from pg_stat_activity where wait_event_type = 'Lock'"
            wait_until(lambda: scalar(database.superuser_url, waiting) > 0)
            server.send(how)
            time.sleep(1.0)
            assert not server.is_over(), "it must wait for the request"
        asking.join(timeout=30)
        assert [answer.status_code for answer in answers] == [200]
        assert server.ended() == 0


def test_two_ledgers_on_one_port_are_told_apart_in_one_line(standing, run, tmp_path):
    port = standing.url.rpartition(":")[2]
    ran = run("serve", "--port", port, "--data-dir", tmp_path / "second")
    assert ran.code == 1
    assert f"port {port}" in ran.err
    assert "--port" in ran.err
    assert len(ran.err.splitlines()) == 1
    assert not (tmp_path / "second").exists()
    assert is_up(standing.url)


def test_two_ledgers_on_one_folder_share_its_database(migrated_folder):
    with serving(migrated_folder) as first:
        first_url = first.url
        with serving(migrated_folder) as second:
            assert second.url != first_url
            assert is_up(first_url)
            assert is_up(second.url)
        assert is_up(first_url)
        assert postmaster_of(migrated_folder) is not None
    assert postmaster_of(migrated_folder) is None


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_a_host_others_can_reach_is_refused_without_certificates(run, host, tmp_path):
    ran = run("serve", "--host", host, "--data-dir", tmp_path / "none")
    assert ran.code == 2
    assert "--tls-cert" in ran.err
    assert "--behind-tls" in ran.err
    assert not (tmp_path / "none").exists()


def test_a_proxy_that_speaks_tls_in_front_lets_it_listen_everywhere(migrated_folder):
    with serving(migrated_folder, "--host", "0.0.0.0", "--behind-tls") as server:
        assert is_up(server.url)


@pytest.mark.machine
def test_with_certificates_it_speaks_https(migrated_folder, tmp_path):
    cert, told = self_signed(tmp_path)
    with serving(migrated_folder, "--host", "0.0.0.0", *told) as server:
        assert server.url.startswith("https://127.0.0.1:")
        context = ssl.create_default_context(cafile=cert)
        assert httpx.get(f"{server.url}/v1/openapi.json", verify=context).status_code == 200
        with pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"):
            httpx.get(f"{server.url}/v1/openapi.json")


@pytest.mark.parametrize("delay_s", [0.2, 0.6, 1.2])
def test_sigterm_at_any_moment_of_the_start_leaves_no_database_behind(folder, delay_s):
    process = typed(folder)
    wait_until((folder / "start.lock").exists, START_PATIENCE_S)
    time.sleep(delay_s)
    process.terminate()
    said, _ = process.communicate(timeout=60)
    assert process.returncode == 0, said
    assert "Traceback" not in said
    assert postmaster_of(folder) is None
    start_server(folder).stop()


def test_certificates_that_cannot_be_used_are_named(run, tmp_path):
    (tmp_path / "bad.pem").write_text("no certificate")
    bad = tmp_path / "bad.pem"
    ran = run("serve", "--tls-cert", bad, "--tls-key", bad, "--data-dir", tmp_path / "none")
    assert ran.code == 1
    assert "bad.pem" in ran.err
    assert not (tmp_path / "none").exists()


def test_a_killed_service_leaves_a_folder_that_starts_again(migrated_folder):
    port = free_port()
    with serving(migrated_folder, "--port", str(port)) as server:
        workers = workers_of(server.pid)
        assert len(workers) == 1
        assert server.stop(signal.SIGKILL) == -signal.SIGKILL
        wait_until(lambda: processes.state_and_command(workers[0])[0] in ("", "Z"))
        assert is_free(port)
        with serving(migrated_folder) as again:
            assert is_up(again.url)


def test_a_killed_worker_is_replaced(standing):
    first = workers_of(standing.pid)
    os.kill(first[0], signal.SIGKILL)
    wait_until(lambda: workers_of(standing.pid) not in ([], first))
    wait_until(lambda: is_up(standing.url))


def test_a_killed_database_is_brought_back_while_it_serves(standing, run):
    token = run("token", "create", "--scope", "read", "--data-dir", standing.folder).out.strip()
    headers = {"Authorization": f"Bearer {token}"}
    first = postmaster_of(standing.folder)
    os.kill(first, signal.SIGKILL)
    wait_until(lambda: postmaster_of(standing.folder) not in (None, first), START_PATIENCE_S)
    # its pool of connections takes a moment to notice
    with httpx.Client(base_url=standing.url, headers=headers, timeout=30) as ask:
        wait_until(lambda: ask.get("/v1/platforms").status_code == 200, START_PATIENCE_S)


def test_a_schema_that_cannot_be_migrated_stops_the_start_with_the_reason(used_folder):
    with start_server(used_folder) as database:
        execute(database.owner_url, "create table alembic_version (version_num varchar(32) primary key)")
        execute(database.owner_url, "insert into alembic_version values ('9999')")
    ran = subprocess.run(
        [sys.executable, "-m", "service", "serve", "--port", "0", "--data-dir", str(used_folder)],
        cwd=REPOSITORY, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert ran.returncode == 1
    assert "9999" in ran.stderr
    assert len(ran.stderr.splitlines()) == 1
    assert postmaster_of(used_folder) is None


def test_the_note_for_other_commands_holds_no_secret(standing):
    note = json.loads((standing.folder / "serve.json").read_text())
    assert note == {"url": standing.url, "pid": standing.pid}


HEAPS_OF_TWELVE_THREADS = """
import ctypes, threading
from service.cli.serve import share_heaps

share_heaps()
all_hold = threading.Barrier(12)
def hold():
    some = bytearray(50_000)
    all_hold.wait()
threads = [threading.Thread(target=hold) for _ in range(12)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
libc = ctypes.CDLL(None)
libc.fdopen.restype = ctypes.c_void_p
out = ctypes.c_void_p(libc.fdopen(1, b"w"))
libc.malloc_info(0, out)
libc.fflush(out)
"""


def test_the_threads_share_few_heaps_unless_the_environment_says_otherwise():
    # What glibc's own malloc_info(3) counts.
    def heaps(**more: str) -> int:
        environment = {name: value for name, value in os.environ.items() if name != "MALLOC_ARENA_MAX"}
        ran = subprocess.run(
            [sys.executable, "-c", HEAPS_OF_TWELVE_THREADS], cwd=REPOSITORY, env={**environment, **more},
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        return ran.stdout.count("<heap nr=")

    assert heaps() == 2
    assert heaps(MALLOC_ARENA_MAX="5") == 5
