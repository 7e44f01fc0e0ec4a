"""The reader of a bay's files, led by what code a file reaches: refused in our words, and in no other way."""

import pytest

from tests.fuzz import bay_files

FILES = 3000


@pytest.mark.machine
def test_no_file_that_is_led_by_the_readers_own_code_breaks_it(printed):
    found = bay_files.run(runs=FILES, seed=20261126)
    printed(f"bay files: {found.files} cases, {found.crashes} crashes")
    assert found.crashes == 0, found.said[-4000:]
    assert found.files >= FILES
