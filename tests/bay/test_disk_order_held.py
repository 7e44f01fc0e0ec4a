"""In which order what is kept comes to the disk: a power cut may come between any two steps, and tests cannot cut power."""

import os
import stat
from pathlib import Path

import pytest

from service.bay.files import make_folder, move, remove, write_whole
from service.bay.spool import Entry, Refusal, Spool

ID = "71582c73-4094-5c1e-9a59-fd9cbc07486a"


class Steps(list):
    """What was done to the disk, in order: (what, inode of the file or folder, bytes of it that were there)."""

    def brought(self, of: Path) -> int:
        """Which step brought this file or folder to the disk last."""
        return max(
            i for i, (what, inode, _) in enumerate(self) if (what, inode) == ("synced", of.stat().st_ino)
        )


@pytest.fixture
def steps(monkeypatch, tmp_path):
    done = Steps()
    sync, replace, unlink = os.fsync, Path.replace, Path.unlink

    def synced(handle):
        found = os.fstat(handle)
        done.append(("synced", found.st_ino, -1 if stat.S_ISDIR(found.st_mode) else found.st_size))
        sync(handle)

    def named(path, target):
        done.append(("named", path.stat().st_ino, path.stat().st_size))
        return replace(path, target)

    def removed(path, missing_ok=False):
        done.append(("removed", path.stat().st_ino if path.exists() else 0, 0))
        unlink(path, missing_ok=missing_ok)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", named)
    monkeypatch.setattr(Path, "unlink", removed)
    return done


def test_a_file_is_whole_on_the_disk_before_it_has_its_name_and_its_name_before_it_counts(steps, tmp_path):
    write_whole(tmp_path / "a.json", b"twelve bytes")
    file, folder = (tmp_path / "a.json").stat().st_ino, tmp_path.stat().st_ino
    assert steps == [("synced", file, 12), ("named", file, 12), ("synced", folder, -1)]


def test_a_file_that_is_moved_stands_in_its_new_folder_before_it_is_gone_from_the_old(steps, tmp_path):
    new, old = tmp_path / "new", tmp_path / "old"
    for folder in (new, old):
        make_folder(folder)
    write_whole(old / "a.json", b"x")
    steps.clear()
    move(old / "a.json", new)
    file = (new / "a.json").stat().st_ino
    assert steps == [("named", file, 1), ("synced", new.stat().st_ino, -1), ("synced", old.stat().st_ino, -1)]


def test_a_file_that_was_removed_does_not_come_back(steps, tmp_path):
    write_whole(tmp_path / "a.json", b"x")
    file = (tmp_path / "a.json").stat().st_ino
    steps.clear()
    remove(tmp_path / "a.json")
    assert steps == [("removed", file, 0), ("synced", tmp_path.stat().st_ino, -1)]


def test_every_folder_that_was_made_is_named_on_the_disk(steps, tmp_path):
    make_folder(tmp_path / "a" / "b")
    assert [inode for _, inode, _ in steps] == [tmp_path.stat().st_ino, (tmp_path / "a").stat().st_ino]


def test_the_reason_of_a_refusal_is_on_the_disk_before_its_session_lies_there(steps, tmp_path):
    spool, entry = Spool(tmp_path / "spool"), Entry(1, ID)
    spool.put(entry, b"{}")
    session = (tmp_path / "spool" / "waiting" / entry.name).stat().st_ino
    steps.clear()
    spool.refuse(entry, Refusal(422, "no such car", ("/vehicle: no such car",)))
    reason = tmp_path / "spool" / "refused" / f"{entry.name}.why"
    assert steps.brought(reason) < steps.index(("named", session, 2))
