"""Processes killed without warning."""

import os
import signal
import subprocess
import sys
import time

import pytest

from service.local import processes, start_server
from tests.local.conftest import User, execute, postmaster_of, scalar, wait_until

pytestmark = pytest.mark.machine  # programs are started and killed over and over: minutes


def test_a_killed_user_leaves_a_server_the_next_start_adopts(used_folder):
    user = User.of(used_folder)
    execute(user.url(), "create table kept (n int); insert into kept values (7)")
    before = postmaster_of(used_folder)
    user.process.kill()
    user.process.wait()
    assert postmaster_of(used_folder) == before

    server = start_server(used_folder)
    assert postmaster_of(used_folder) == before
    assert scalar(server.owner_url, "select n from kept") == 7
    server.stop()
    assert postmaster_of(used_folder) is None, "the killed user's lock must not keep the server up"


def test_a_terminated_user_leaves_a_server_the_next_start_adopts(used_folder):
    user = User.of(used_folder)
    user.url()
    before = postmaster_of(used_folder)
    user.process.terminate()
    user.process.wait()
    with start_server(used_folder):
        assert postmaster_of(used_folder) == before


def test_a_killed_postmaster_loses_no_committed_row(used_folder):
    user = User.of(used_folder)
    execute(user.url(), "create table kept (n int); insert into kept values (7)")
    user.process.kill()
    user.process.wait()
    os.kill(postmaster_of(used_folder), signal.SIGKILL)

    with start_server(used_folder) as server:
        assert scalar(server.owner_url, "select n from kept") == 7
        assert "was not properly shut down" in (used_folder / "postgres.log").read_text()


def test_a_server_that_died_under_its_user_is_brought_back(used_folder):
    with start_server(used_folder) as server:
        execute(server.owner_url, "create table kept (n int); insert into kept values (7)")
        assert server.ensure_running() is False
        os.kill(postmaster_of(used_folder), signal.SIGKILL)
        wait_until(lambda: postmaster_of(used_folder) is None)
        assert server.ensure_running() is True
        assert scalar(server.owner_url, "select n from kept") == 7
    assert postmaster_of(used_folder) is None


def test_a_postmaster_that_stays_a_zombie_does_not_block_the_next_start(used_folder):
    server = start_server(used_folder)
    postmaster = postmaster_of(used_folder)
    os.kill(postmaster, signal.SIGKILL)
    # It is our child and nobody has waited for it: a true zombie, which kill(pid, 0) takes for alive.
    wait_until(lambda: processes.state_and_command(postmaster)[0] == "Z")
    os.kill(postmaster, 0)
    other = User.of(used_folder)
    assert scalar(other.url(), "select 1") == 1
    assert postmaster_of(used_folder) not in (None, postmaster)
    other.leave()
    server.stop()
    assert postmaster_of(used_folder) is None


def test_a_stranger_with_the_dead_servers_number_does_not_block_the_next_start(used_folder):
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as stranger:
        # what a container finds after a restart: its old pid file, the number given to another program
        pid_file = used_folder / "postgres" / "postmaster.pid"
        pid_file.write_text(
            f"{stranger.pid}\n{used_folder}/postgres\n1700000000\n5432\n{used_folder}/socket\n\n  0 0\nready\n"
        )
        with start_server(used_folder) as server:
            assert scalar(server.owner_url, "select 1") == 1
            assert postmaster_of(used_folder) != stranger.pid
        assert stranger.poll() is None
        stranger.communicate(b"\n")


def test_an_initdb_cut_in_the_middle_is_made_again(folder):
    half = folder / "postgres.unfinished-x1"
    half.mkdir(parents=True)
    (half / "PG_VERSION").write_text("18\n")
    with start_server(folder) as server:
        assert scalar(server.owner_url, "select 1") == 1
    assert not half.exists()


def test_a_preparation_cut_after_the_database_was_made_is_finished(used_folder):
    with start_server(used_folder) as server:
        execute(server.superuser_url, "grant connect on database bayledger to public")
        execute(server.superuser_url, "alter role bayledger_service reset statement_timeout")
    with start_server(used_folder) as server:
        public = "select has_database_privilege('public', 'bayledger', 'connect')"
        assert scalar(server.superuser_url, public) is False
        assert scalar(server.service_url, "show statement_timeout") == "30s"


@pytest.mark.parametrize("delay_s", [0.0, 0.05, 0.1, 0.2, 0.4])
def test_a_start_interrupted_at_any_moment_leaves_a_folder_that_starts(folder, delay_s):
    user = User.of(folder)
    wait_until((folder / "start.lock").exists)
    time.sleep(delay_s)
    user.process.send_signal(signal.SIGINT)
    user.process.communicate("\n", timeout=60)
    with start_server(folder) as server:
        assert scalar(server.owner_url, "select 1") == 1
    assert postmaster_of(folder) is None


def test_a_forked_child_does_not_stop_its_parents_server(used_folder):
    with start_server(used_folder) as server:
        if (child := os.fork()) == 0:
            server.stop()
            os._exit(0)
        os.waitpid(child, 0)
        assert scalar(server.owner_url, "select 1") == 1
