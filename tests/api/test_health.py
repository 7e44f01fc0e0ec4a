"""/v1/health and /v1/ready: open to all, and true."""

import contextlib

import psycopg
import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory

from service.app import create_app
from service.settings import Settings
from service.store.readiness import REVISION
from tests.conftest import ROOT


def test_a_running_process_is_up_without_a_token(nobody):
    response = nobody.get("/v1/health")
    assert (response.status_code, response.get_json()) == (200, {"status": "up"})


def test_a_migrated_database_is_ready_without_a_token(nobody):
    response = nobody.get("/v1/ready")
    assert (response.status_code, response.get_json()) == (200, {"status": "ready"})
    assert response.headers["Cache-Control"] == "no-store"


def test_the_revision_that_is_asked_for_is_the_newest_migration():
    configuration = Config()
    configuration.set_main_option("script_location", str(ROOT / "migrations"))
    assert ScriptDirectory.from_config(configuration).get_current_head() == REVISION


def test_a_database_at_another_revision_is_503_and_told_what_to_run(server, app):
    with psycopg.connect(server.owner_url) as owner, owner.transaction(force_rollback=True):
        owner.execute("UPDATE alembic_version SET version_num = '0000'")
        app.extensions["bayledger"].connect = lambda: contextlib.nullcontext(owner)
        response = app.test_client().get("/v1/ready")
    assert response.status_code == 503
    assert response.content_type == "application/problem+json"
    assert "revision 0000" in response.get_json()["detail"]
    assert "bayledger migrate" in response.get_json()["detail"]


@pytest.fixture
def cut_off(tmp_path):
    """A client of a service whose database is not there."""

    @contextlib.contextmanager
    def connect():
        with psycopg.connect(f"host={tmp_path} dbname=bayledger", connect_timeout=1) as lent:
            yield lent

    return create_app(Settings(database_url="", secret="test"), connect=connect).test_client()


def test_a_database_that_is_not_there_is_503_and_the_process_is_up(cut_off):
    assert cut_off.get("/v1/health").status_code == 200
    response = cut_off.get("/v1/ready")
    assert response.status_code == 503
    assert "cannot be reached" in response.get_json()["detail"]


def test_any_other_request_is_503_too_not_a_fault_of_ours(cut_off):
    response = cut_off.get("/v1/parts")
    assert response.status_code == 503
    assert "send it again" in response.get_json()["detail"]
