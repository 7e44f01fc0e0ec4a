"""Which files of a folder are new and complete, and what a watch does with them."""

import os
import threading

import pytest

from service.bay.sender import Address, Sender
from service.bay.watching import Folder, Watch, Watched
from tests.bay.answering import answering, kept
from tests.bay.desks import CAR, Hands, desk_in, plain_file


class Seconds:
    """A clock of seconds that is moved by hand."""

    def __init__(self):
        self.at = 100.0

    def __call__(self):
        return self.at


@pytest.fixture
def seconds():
    return Seconds()


@pytest.fixture
def export(tmp_path):
    folder = tmp_path / "export"
    folder.mkdir()
    return folder


def looked(folder):
    return [path.name for path in folder.complete()]


def watched(export, tmp_path, seconds, pattern="*"):
    return Folder(export, pattern, tmp_path / "notes", settled_s=2.0, now=seconds)


def test_a_file_is_complete_once_it_stood_still_for_two_seconds(export, tmp_path, seconds):
    folder = watched(export, tmp_path, seconds)
    plain_file(export, "a.txt", 1)
    assert looked(folder) == []
    seconds.at += 1.9
    assert looked(folder) == []
    seconds.at += 0.1
    assert looked(folder) == ["a.txt"]


def test_a_file_that_still_grows_waits_from_its_last_change_on(export, tmp_path, seconds):
    folder = watched(export, tmp_path, seconds)
    file = plain_file(export, "a.txt", 1)
    looked(folder)
    seconds.at += 1.5
    file.write_text(file.read_text() + "6500 100.0\n")
    assert looked(folder) == []
    seconds.at += 1.9
    assert looked(folder) == []
    seconds.at += 0.1
    assert looked(folder) == ["a.txt"]


def test_a_file_whose_end_looks_cut_off_waits_longer_and_one_that_goes_on_is_taken_whole(
    export, tmp_path, seconds
):
    folder = watched(export, tmp_path, seconds)
    file = plain_file(export, "a.txt", 1)
    whole = file.read_text()
    file.write_text(whole[:150])
    looked(folder)
    seconds.at += 6.0
    assert looked(folder) == []
    file.write_text(whole)
    looked(folder)
    seconds.at += 2.0
    assert looked(folder) == ["a.txt"]


def test_a_machine_that_never_ends_its_last_line_is_waited_for_as_long_as_is_set(export, tmp_path, seconds):
    folder = Folder(export, "*", tmp_path / "notes", settled_s=2.0, cut_short_s=12.0, now=seconds)
    (export / "a.txt").write_text("2000 200\n3000 210")
    looked(folder)
    seconds.at += 11.9
    assert looked(folder) == []
    seconds.at += 0.1
    assert looked(folder) == ["a.txt"]


def test_what_lay_there_when_the_folder_was_first_watched_is_left_alone_also_by_the_next_program(
    export, tmp_path, seconds
):
    old = plain_file(export, "old.txt", 1)
    assert watched(export, tmp_path, seconds).left_alone.keys() == {"old.txt"}
    plain_file(export, "while nobody watched.txt", 2)
    folder = watched(export, tmp_path, seconds)
    looked(folder)
    seconds.at += 2.0
    assert looked(folder) == ["while nobody watched.txt"]
    old.write_text(old.read_text() + "6500 100.0\n")
    looked(folder)
    seconds.at += 2.0
    assert "old.txt" in looked(folder)


def test_files_come_in_the_order_in_which_they_were_written(export, tmp_path, seconds):

    folder = watched(export, tmp_path, seconds)
    for name, at in (("b.txt", 3000), ("c.txt", 1000), ("a.txt", 2000)):
        os.utime(plain_file(export, name, at), (at, at))
    looked(folder)
    seconds.at += 2.0
    assert looked(folder) == ["c.txt", "a.txt", "b.txt"]


def test_sidecars_hidden_and_half_written_files_are_no_data(export, tmp_path, seconds):
    folder = watched(export, tmp_path, seconds)
    for name in ("a.txt.toml", ".hidden.txt", "b.txt.part", "c.tmp", "d.txt~"):
        plain_file(export, name, 1)
    (export / "folder").mkdir()
    looked(folder)
    seconds.at += 2.0
    assert looked(folder) == []


def test_a_pattern_chooses_files_by_name(export, tmp_path, seconds):
    folder = watched(export, tmp_path, seconds, pattern="*.csv")
    plain_file(export, "a.csv", 1)
    plain_file(export, "a.log", 2)
    looked(folder)
    seconds.at += 2.0
    assert looked(folder) == ["a.csv"]


def test_a_file_that_was_dealt_with_is_left_alone_until_it_changes(export, tmp_path, seconds):
    folder = watched(export, tmp_path, seconds)
    file = plain_file(export, "a.txt", 1)
    looked(folder)
    seconds.at += 2.0
    looked(folder)
    folder.done(file)
    assert looked(folder) == []
    file.write_text(file.read_text() + "6500 100.0\n")
    looked(folder)
    seconds.at += 2.0
    assert looked(folder) == ["a.txt"]


def test_a_file_that_was_given_up_is_offered_again_once_the_mapping_is_another_and_a_dealt_with_one_is_not(
    export, tmp_path
):
    mapping = ["first"]
    folder = Folder(export, "*", tmp_path / "notes", settled_s=0.0, mapping=lambda: mapping[0])
    taken, odd = plain_file(export, "a.txt", 1), plain_file(export, "b.txt", 2)
    looked(folder)
    folder.done(taken)
    folder.give_up(odd)
    assert looked(folder) == []
    mapping[0] = "second"
    assert looked(folder) == ["b.txt"]
    folder.give_up(odd)
    assert looked(folder) == []


class Heard(Watched):
    def __init__(self):
        self.files, self.troubles, self.closed = [], [], []

    def took(self, taken):
        self.files.append(taken.file)

    def trouble(self, file, why):
        self.troubles.append((file, why))

    def closed_idle(self, number):
        self.closed.append(number)


@pytest.fixture
def watch(export, tmp_path):
    """A watch over a desk with a clock moved by hand, which takes files at the first look."""
    heard, clock = Heard(), Hands()
    desk = desk_in(tmp_path, clock)
    sender = Sender(desk.spool, Address("http://127.0.0.1:1"))
    folder = Folder(export, "*", tmp_path / "notes", settled_s=0.0, cut_short_s=0.0)
    watch = Watch(folder, desk, sender, "si", heard)
    watch.heard, watch.clock = heard, clock
    return watch


def test_a_file_whose_car_nobody_said_waits_until_somebody_does_and_is_spoken_of_once(watch, export):
    plain_file(export, "a.txt", 1)
    for _ in range(3):
        watch.look()
    assert watch.heard.troubles == [("a.txt", "a.txt: car, parts not known; nothing was taken")]
    watch.desk.say(CAR)
    watch.look()
    assert watch.heard.files == ["a.txt"]


def test_a_file_that_cannot_be_read_is_spoken_of_once_and_holds_up_no_other(watch, export):
    watch.desk.say(CAR)
    (export / "a.txt").write_text("no table")
    plain_file(export, "b.txt", 2)
    for _ in range(3):
        watch.look()
    assert watch.heard.files == ["b.txt"]
    assert watch.heard.troubles == [("a.txt", "a.txt: there is no table in it")]


def test_a_file_given_up_is_taken_once_the_mapping_was_mended_and_spoken_of_anew_where_it_was_not(
    watch, export
):
    """The test's reader goes by what stands in a file of its own, as a bay's by its mapping."""
    mapping = ["a first one"]
    read = watch.desk._reader
    watch.folder.mapping = lambda: mapping[0]

    def reads(raw, pressure):
        if raw == b"strange" and mapping[0] != "the right one":
            raise ValueError(f"no table by {mapping[0]}")
        return read(b"2000 200\n3000 210" if raw == b"strange" else raw, pressure)

    watch.desk._reader = reads
    watch.desk.say(CAR)
    (export / "a.txt").write_text("strange")
    for one in ("a first one", "a second one", "a second one", "the right one", "the right one"):
        mapping[0] = one
        watch.look()
    assert watch.heard.troubles == [
        ("a.txt", "a.txt: no table by a first one"),
        ("a.txt", "a.txt: no table by a second one"),
    ]
    assert watch.heard.files == ["a.txt"]


def test_a_file_that_grew_after_it_was_taken_is_taken_anew_and_after_its_session_closed_it_is_trouble_once(
    watch, export
):
    watch.desk.say(CAR)
    file = plain_file(export, "w_4.csv", 1)
    whole = file.read_text()
    for end in (150, 250):
        file.write_text(whole[:end])
        watch.look()
    assert watch.heard.files == ["w_4.csv", "w_4.csv"]
    assert len(watch.desk.work().runs) == 1
    watch.desk.close()
    file.write_text(whole)
    for _ in range(3):
        watch.look()
    ((about, why),) = watch.heard.troubles
    assert (about, "went with session 1, which is closed" in why) == ("w_4.csv", True)
    assert watch.desk.work() is None


def test_a_sidecar_begins_another_session_in_the_middle(watch, export):
    watch.desk.say(CAR)
    plain_file(export, "a.txt", 1)
    watch.look()
    (export / "b.txt.toml").write_text('car = "car-01"\nparts = []\n')
    plain_file(export, "b.txt", 2)
    watch.look()
    assert [entry.sequence for entry in watch.desk.spool.waiting()] == [1]
    assert watch.desk.work().car == {"car": "car-01"}


def test_a_session_nobody_closes_is_closed_after_four_idle_hours(watch, export):
    watch.desk.say(CAR)
    plain_file(export, "a.txt", 1)
    watch.look()
    watch.clock.passes(hours=4)
    watch.look()
    assert watch.heard.closed == [1]
    assert len(watch.desk.spool.waiting()) == 1


def test_what_waits_is_sent_while_the_folder_is_watched_and_being_told_to_stop_ends_it(watch, export):
    watch.desk.say(CAR)
    plain_file(export, "a.txt", 1)
    stop, sent = threading.Event(), threading.Event()

    def answer(session):
        sent.set()
        return kept(session)

    with answering(answer) as ledger:
        watch.sender.address = Address(ledger.url)
        thread = threading.Thread(target=watch.run, args=(stop, 0.02))
        thread.start()
        while not watch.heard.files:
            assert thread.is_alive()
        watch.desk.close()
        assert sent.wait(20)
        stop.set()
        thread.join(20)
        assert not thread.is_alive()
    assert len(ledger.posts) == 1


def test_a_line_that_is_down_does_not_keep_the_watch_from_ending(watch, export):
    watch.desk.say(CAR)
    plain_file(export, "a.txt", 1)
    watch.look()
    watch.desk.close()
    stop = threading.Event()
    thread = threading.Thread(target=watch.run, args=(stop, 0.02))
    thread.start()
    stop.wait(0.3)
    stop.set()
    thread.join(20)
    assert not thread.is_alive()
    assert len(watch.desk.spool.waiting()) == 1


def test_a_fault_of_ours_in_the_sending_ends_the_watch_instead_of_taking_on_and_sending_nothing(watch):
    def broken(*_):
        raise RuntimeError("ours")

    watch.sender.send_all = broken
    with pytest.raises(RuntimeError, match="ours"):
        watch.run(threading.Event(), 0.01)


def test_whatever_a_strange_file_does_to_the_reader_the_next_file_is_taken(watch, export):
    watch.desk.say(CAR)
    read = watch.desk._reader
    watch.desk._reader = lambda raw, pressure: {}["no such key"] if raw == b"strange" else read(raw, pressure)
    (export / "a.txt").write_text("strange")
    plain_file(export, "b.txt", 1)
    watch.look()
    assert watch.heard.files == ["b.txt"]
    assert watch.heard.troubles == [("a.txt", "a.txt cannot be read (KeyError: 'no such key')")]


def test_a_folder_that_is_gone_for_a_while_is_said_once_and_looked_at_again(watch, export, tmp_path):
    watch.desk.say(CAR)
    export.rename(tmp_path / "away")
    for _ in range(2):
        watch.look()
    ((about, why),) = watch.heard.troubles
    assert about == str(export)
    assert "No such file or directory" in why
    (tmp_path / "away").rename(export)
    plain_file(export, "a.txt", 1)
    watch.look()
    assert watch.heard.files == ["a.txt"]
