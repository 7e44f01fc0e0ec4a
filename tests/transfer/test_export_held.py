"""An export of a small ledger: what is in it once, what is refused of it, and what is left where it cannot be made."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest

from service.local import LocalServer
from service.store import fits
from service.store.car_changes import mark_now
from service.transfer import samples
from service.transfer.errors import TransferError
from service.transfer.export import MANIFEST, export
from service.transfer.posting import silent
from service.transfer.restore import restore
from tests.conftest import new_database
from tests.transfer.conftest import closed, own_ledger

THEN = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def url(server: LocalServer, stoats_url: str) -> str:
    """The service's address of a ledger of twelve cars and no post, in which commits are real."""
    return new_database(server, "small", "stoats")[1]


@pytest.fixture(scope="module")
def small(url: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its export."""
    path = tmp_path_factory.mktemp("small") / "ledger.zip"
    with psycopg.connect(url, autocommit=True) as connection:
        export(connection, path, hashes=False, progress=silent)
    return path


@pytest.fixture(scope="module")
def empty(server: LocalServer) -> Iterator[psycopg.Connection[Any]]:
    """The owner's connection to a ledger that nobody has used."""
    with psycopg.connect(new_database(server, "refusing")[0], autocommit=True) as owner:
        yield owner


def changed(path: Path, target: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    """A copy of an export, its files changed."""
    with zipfile.ZipFile(path) as source:
        files = {name: source.read(name) for name in source.namelist()}
    change(files)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as into:
        for name, content in files.items():
            into.writestr(name, content)
    return target


def add_strange(files: dict[str, bytes]) -> None:
    """A file that the manifest does not list."""
    files["macro.xlsm"] = b"anything"


def lose_a_row(files: dict[str, bytes]) -> None:
    """A row of a table left out, its checksum made to fit: the manifest still counts it."""
    content = files["vehicle.csv"]
    files["vehicle.csv"] = content[: content.rstrip().rindex(b"\n") + 1]
    manifest = json.loads(files[MANIFEST])
    one = next(one for one in manifest["tables"] if one["name"] == "vehicle")["csv"]
    one["sha256"] = hashlib.sha256(files["vehicle.csv"]).hexdigest()
    files[MANIFEST] = json.dumps(manifest).encode()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (add_strange, "macro.xlsm does not belong to it"),
        (lose_a_row, "vehicle.csv holds 11 rows where manifest.json says 12; nothing was kept"),
    ],
)
def test_what_is_more_or_less_than_the_manifest_says_is_refused(small, empty, tmp_path, change, words):
    with pytest.raises(TransferError, match=words):
        restore(empty, changed(small, tmp_path / "changed.zip", change), silent)
    assert empty.execute("SELECT count(*) FROM vehicle").fetchone() == (0,)


def test_an_export_that_fails_leaves_the_one_before_it_and_nothing_else(url, tmp_path):
    path = tmp_path / "ledger.zip"
    path.write_bytes(b"the one before")

    def fail(_doing: str, done: int, _of: int | None) -> None:
        if done == 3:
            raise OSError("No space left on device")

    with psycopg.connect(url, autocommit=True) as connection, pytest.raises(OSError, match="No space left"):
        export(connection, path, hashes=False, progress=fail)
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == {"ledger.zip": b"the one before"}


def test_the_newest_fit_of_each_kind_goes_out_with_what_it_had_seen(server, tmp_path):
    """Power fitted, a car changed, power fitted anew, another changed, torque fitted: of two fits the second of power."""
    ledger = own_ledger(server, "fitted_twice")
    platform = {"slug": "heron", "name": "Heron", "aspiration": "natural", "ignition": "spark"}
    assert ledger.client.post("/v1/platforms", platform).status_code == 201
    assert ledger.client.post("/v1/vehicles", {"tag": "car-1", "platform": "heron"}).status_code == 201
    with psycopg.connect(ledger.service_url, autocommit=True) as connection:
        for n, measure in enumerate(("peak_power", "peak_power", "peak_torque")):
            number = fits.keep_fit(
                connection, as_of=THEN, measure=measure, standard="sae-j1349", method=1, cars=1, setups=1,
                mark=mark_now(connection), packed=f"fit {n}".encode(), notes={},
            )  # fmt: skip
            assert number is not None
            connection.execute("INSERT INTO car_change (vehicle_id) SELECT vehicle_id FROM vehicle")
        export(connection, tmp_path / "ledger.zip", hashes=False, progress=silent)
    closed(ledger)
    with psycopg.connect(new_database(server, "fitted_again")[0], autocommit=True) as owner:
        restore(owner, tmp_path / "ledger.zip", silent)
        kept = owner.execute(
            "SELECT measure, convert_from(packed, 'UTF8'), cardinality(seen_changes) FROM model_fit ORDER BY fit_id"
        ).fetchall()
    assert kept == [("peak_power", "fit 1", 0), ("peak_torque", "fit 2", 1)]


def test_a_pull_that_lost_samples_on_the_way_is_refused():
    row = {"pull_id": 7, "channels": ["rpm", "torque"], "steps": [1.0, None], "samples": 3}
    whole = {**row, "rpm": [2000.0, 2100.0, 2200.0], "torque": [200.0, 210.0, 220.0]}
    assert samples.packed(samples.PULLS, whole)[4] == 3
    with pytest.raises(ValueError, match="pull 7: 2 samples where 3 belong"):
        samples.packed(samples.PULLS, {**whole, "rpm": [2000.0, 2100.0], "torque": [200.0, 210.0]})
    with pytest.raises(ValueError, match="the channel 'torque' is named, but its list is empty"):
        samples.packed(samples.PULLS, {**whole, "torque": None})
