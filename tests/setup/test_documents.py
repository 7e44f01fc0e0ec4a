"""The documents' check finds what it is there to find, and finds nothing in this tree."""

from pathlib import Path

import pytest

from tests.setup import documents


def test_the_documents_of_this_tree_are_true() -> None:
    assert documents.faults() == []


@pytest.mark.parametrize("text", ["see [there](docs/absent.md)", "it lives in `service/absent.py`"])
def test_a_path_with_nothing_behind_it_is_named(text: str, tmp_path: Path) -> None:
    (fault,) = documents.missing_links("README.md", text, tmp_path)
    assert "absent" in fault


@pytest.mark.parametrize("text", ["[out](https://example.org/x)", "`service/NAME.py`", "[here](#words)"])
def test_addresses_placeholders_and_anchors_are_no_paths(text: str, tmp_path: Path) -> None:
    assert list(documents.missing_links("README.md", text, tmp_path)) == []


def test_a_word_that_bootstrap_lacks_is_named() -> None:
    text = "`python3 bootstrap.py run`, `make deploy`, or python3 bootstrap.py tset"
    assert list(documents.unknown_words("README.md", text)) == [
        "README.md: there is no word `deploy`",
        "README.md: there is no word `tset`",
    ]


def test_a_setting_must_be_both_told_and_read() -> None:
    assert list(
        documents.unknown_settings("BAYLEDGER_PORT BAYLEDGER_OLD", {"BAYLEDGER_PORT", "BAYLEDGER_NEW"})
    ) == [
        "documents: BAYLEDGER_OLD is read nowhere",
        "documents: BAYLEDGER_NEW is told nowhere",
    ]
