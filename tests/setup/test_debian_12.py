"""README, "Install in a shop" without Docker, on Debian 12 (machine: root, network): what other versions of systemd (252), Postgres
(15), Python (3.11) and nginx (1.22) may do otherwise. The whole of it is held on Debian 13, by test_systemd_machine.py.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.setup import test_systemd_machine as whole

pytestmark = pytest.mark.machine


@pytest.fixture(scope="module")
def ledger(prepared_debian_12: Path) -> Iterator[whole.Ledger]:
    """On Debian 12."""
    with whole.installed_on(prepared_debian_12) as ledger:
        yield ledger


def test_this_is_debian_12(ledger: whole.Ledger) -> None:
    assert (ledger.machine.folder / "etc/debian_version").read_text().startswith("12.")


test_after_the_installer_each_unit_is_on_or_waits = whole.test_after_the_installer_each_unit_is_on_or_waits
test_what_holds_really_shuts_in = whole.test_what_holds_for_the_ledgers_programs_really_shuts_them_in
test_a_unit_does_its_work = whole.test_a_unit_does_its_work_shut_in_and_the_ledger_goes_on
test_the_archives_program_ends_in_good_order = whole.test_the_archives_program_is_ended_in_good_order
test_a_ledger_waits_for_postgres = whole.test_a_ledger_started_while_there_is_no_postgres_waits_for_it
test_of_a_unit_that_fails_the_journal_tells = whole.test_of_a_unit_that_fails_the_journal_tells
test_it_goes_back_to_a_moment = whole.test_the_ledger_goes_back_to_a_moment_also_where_the_archive_was_behind
test_after_a_reboot_all_is_there = whole.test_after_a_reboot_all_is_there_and_what_was_missed_is_done
test_taken_away = whole.test_taken_away_nothing_is_left_but_what_the_readme_says_stays_and_a_bays_own_unit
