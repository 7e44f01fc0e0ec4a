"""A batch of old records undone as one, with a trace, and counted again."""

import pytest

from service.transfer.errors import TransferError
from service.transfer.undoing import redo, undo
from tests.transfer.old_files import import_file, row, write_csv


@pytest.fixture
def stoats(stoats_url):
    """The shop of two bays, twelve cars and three parts."""
    return stoats_url


@pytest.fixture
def batch(stoats, connection, tmp_path):
    """Two batches: three cars with and without a part, and one car more."""
    rows = [
        row(car=f"stoat-{n}", fitted=fitted, kw=f"{150 + n + extra},5")
        for n in (1, 2, 3)
        for fitted, extra in (("stock", 0), ("wide one", 6))
    ]
    import_file(connection, write_csv(tmp_path / "old.csv", rows), name="notebook")
    import_file(connection, write_csv(tmp_path / "more.csv", [row(car="stoat-4")]), name="drawer")
    return connection


def pairs_of(admin) -> int:
    """How many cars the pairs of the part rest on."""
    return admin.get("/v1/typical-gain?part=wide-pipe&platform=stoat").json["evidence"]["cars"]


def test_an_undone_batch_counts_nowhere_and_can_still_be_read(batch, admin):
    assert pairs_of(admin) == 3
    marked = undo(batch, "notebook", "it was another bay")
    assert (marked.now, marked.sessions) == (3, 3)
    assert pairs_of(admin) == 0
    sessions = admin.get("/v1/sessions").json["items"]
    assert {one["vehicle"]: one["struck"] for one in sessions} == {
        **{f"stoat-{n}": "import notebook undone: it was another bay" for n in (1, 2, 3)},
        "stoat-4": None,
    }
    entries = admin.get(f"/v1/history?about=sessions/{sessions[-1]['id']}").json["items"]
    assert [(one["action"], one["who"]) for one in entries if one["action"] == "struck"] == [
        ("struck", "import notebook")
    ]


def test_a_batch_undone_twice_is_struck_once(batch):
    undo(batch, "notebook", "first")
    assert undo(batch, "notebook", "second").now == 0


def test_a_batch_counted_again_is_as_it_was_but_for_what_a_person_struck(batch, admin):
    one = next(one for one in admin.get("/v1/sessions").json["items"] if one["vehicle"] == "stoat-1")
    admin.post(f"/v1/sessions/{one['id']}/strike", {"reason": "wrong car"})
    assert undo(batch, "notebook", "another bay").now == 2
    assert redo(batch, "notebook").now == 2
    assert pairs_of(admin) == 2
    assert admin.get(f"/v1/sessions/{one['id']}").json["struck"] == "wrong car"


def test_rows_of_an_undone_batch_that_come_again_say_that_they_were_struck(batch, connection, tmp_path):
    undo(batch, "drawer", "typed twice")
    again = import_file(connection, tmp_path / "more.csv", name="drawer")
    assert again.fate(2) == "kept before"
    assert again.words(2) == "it was struck since: import drawer undone: typed twice"


def test_a_batch_that_is_not_there_is_named_with_those_there_are(batch):
    with pytest.raises(
        TransferError, match="no session was imported as 'note'; the batches are drawer, notebook"
    ):
        undo(batch, "note", "why")
