"""The comparison of pyproject.toml with its locks finds what it is there to find."""

from packaging.requirements import Requirement

from tests.setup import locks

NAMES = ("part.lock", "whole.lock")
ASKED = [Requirement("flask==3.1.3"), Requirement("numpy>=2.3")]
SIGNED = f"{locks.FINGERPRINT}{locks.fingerprint(ASKED)}\n"
FLASK = "flask==3.1.3 \\\n    --hash=sha256:aa \\\n    --hash=sha256:bb\n"
NUMPY = (
    "numpy==2.4.6 ; python_full_version < '3.12' \\\n    --hash=sha256:cc\n"
    "numpy==2.5.5 ; python_full_version >= '3.12' \\\n    --hash=sha256:dd\n"
)


def test_the_locks_of_this_tree_are_in_step() -> None:
    assert locks.faults() == []


def test_a_lock_is_read_pin_by_pin_with_markers_and_hashes() -> None:
    assert locks.read_pins(SIGNED + FLASK + NUMPY) == [
        locks.Pin("flask", "3.1.3", "", 2),
        locks.Pin("numpy", "2.4.6", "python_full_version < '3.12'", 1),
        locks.Pin("numpy", "2.5.5", "python_full_version >= '3.12'", 1),
    ]


def test_a_lock_in_step_has_no_fault() -> None:
    assert locks.faults_of("x.lock", SIGNED + FLASK + NUMPY, ASKED) == []


def test_a_dependency_that_was_added_is_missed() -> None:
    assert locks.faults_of("x.lock", SIGNED + FLASK, ASKED) == ["x.lock: numpy is not in it"]


def test_a_dependency_that_was_removed_is_noticed() -> None:
    (fault,) = locks.faults_of("x.lock", SIGNED + FLASK + NUMPY, ASKED[:1])
    assert "asks for something else" in fault


def test_a_locked_release_outside_what_is_asked_for_is_noticed() -> None:
    older = FLASK.replace("3.1.3", "3.1.2")
    assert locks.faults_of("x.lock", SIGNED + older + NUMPY, ASKED) == [
        "x.lock: flask==3.1.3 is asked for, 3.1.2 is locked"
    ]


def test_every_branch_of_a_split_pin_must_fit() -> None:
    older = NUMPY.replace("2.5.5", "2.2.0")
    assert locks.faults_of("x.lock", SIGNED + FLASK + older, ASKED) == [
        "x.lock: numpy>=2.3 is asked for, 2.2.0 is locked"
    ]


def test_a_pin_without_a_hash_is_noticed() -> None:
    assert locks.faults_of("x.lock", SIGNED + "flask==3.1.3\n" + NUMPY, ASKED) == [
        "x.lock: flask has no hash"
    ]


def test_an_address_in_a_lock_is_noticed() -> None:
    (fault,) = locks.faults_of("x.lock", "--index-url https://example.org\n" + SIGNED + FLASK + NUMPY, ASKED)[
        -1:
    ]
    assert "names an address" in fault


def test_the_tests_lock_must_hold_what_runs() -> None:
    run = [locks.Pin("flask", "3.1.3", "", 1)]
    assert locks.disagreements(run, run, NAMES) == []
    assert locks.disagreements(run, [locks.Pin("flask", "3.1.2", "", 1)], NAMES)
