"""What must be true of every ledger at every moment: questions in SQL that must find nothing.

Each is asked of all rows, whatever the tables' constraints promise: a disk, a hand in the database or a broken restore
heeds none of them. An answer's one column says where it does not hold. Here: the record and the books kept of it.
Vocabulary: a pull counts in its setup when it is accepted and not struck (`COUNTED`); a reference is a column that names
another table's row.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from service.store.backups import FIRST_KEPT_AT, PROVED_AT

COUNTED = "pull.status = 'accepted' AND pull.struck IS NULL"
SECONDS_A_DAY = 86_400
AHEAD_HOURS = 1
"""A time of the ledger's own may lie so far ahead of its clock (our choice)."""

SETTLE = (
    "strike its session and take the strike back (`bayledger mend strike SESSION --reason ...`, `unstrike`): summaries, "
    "curves and pairs are made anew from what was posted"
)
BACKUP = "what was posted is damaged: put a backup back, or find in one what is missing"
REPORT = "a fault of the program, or somebody wrote into the database: keep the lines above and report them"


@dataclass(frozen=True, slots=True)
class Invariant:
    """A question that must find nothing: what it means where it finds something, and the way out."""

    name: str
    meaning: str
    way_out: str
    sql: str


def lost(child: str, column: str, parent: str, key: str, but: str = "") -> str:
    """Rows of a table that name a row which is not there; but: what stands for none."""
    named = f"nullif(child.{column}, {but})" if but else f"child.{column}"
    return f"""
        SELECT '{child}: {column} ' || {named} FROM {child} AS child
        WHERE  {named} IS NOT NULL AND NOT EXISTS (SELECT FROM {parent} AS parent WHERE parent.{key} = {named})
    """  # noqa: S608


def all_of(questions: Iterable[str]) -> str:
    """Several questions as one."""
    return " UNION ALL ".join(questions)


FOREIGN_KEYS = (
    ("bay_correction", "bay_id", "bay", "bay_id"),
    ("bay_event", "bay_id", "bay", "bay_id"),
    ("evidence_version", "platform_id", "platform", "platform_id"),
    ("finding", "session_id", "session", "session_id"),
    ("modification", "part_id", "part", "part_id"),
    ("modification", "vehicle_id", "vehicle", "vehicle_id"),
    ("pair", "setup_again", "setup", "setup_id"),
    ("pair", "part_id", "part", "part_id"),
    ("pair", "vehicle_id", "vehicle", "vehicle_id"),
    ("pair", "setup_with", "setup", "setup_id"),
    ("pair", "setup_without", "setup", "setup_id"),
    ("part_merge", "from_id", "part", "part_id"),
    ("part_merge", "into_id", "part", "part_id"),
    ("part", "merged_into", "part", "part_id"),
    ("part_slot", "part_id", "part", "part_id"),
    ("part_slot", "slot", "slot", "slug"),
    ("part", "variant_of", "part", "part_id"),
    ("pull", "correction_id", "bay_correction", "correction_id"),
    ("pull_raw", "pull_id", "pull", "pull_id"),
    ("pull", "setup_id", "setup", "setup_id"),
    ("session", "bay_id", "bay", "bay_id"),
    ("session", "vehicle_id", "vehicle", "vehicle_id"),
    ("setting", "bay_id", "bay", "bay_id"),
    ("setup_curve", "setup_id", "setup", "setup_id"),
    ("setup_part", "part_id", "part", "part_id"),
    ("setup_part", "setup_id", "setup", "setup_id"),
    ("setup_part", "slot", "slot", "slug"),
    ("setup", "session_id", "session", "session_id"),
    ("setup_summary", "setup_id", "setup", "setup_id"),
    ("token", "bay_id", "bay", "bay_id"),
    ("vehicle_merge", "from_id", "vehicle", "vehicle_id"),
    ("vehicle_merge", "into_id", "vehicle", "vehicle_id"),
    ("vehicle", "merged_into", "vehicle", "vehicle_id"),
    ("vehicle", "platform_id", "platform", "platform_id"),
)
"""Every reference that a constraint holds."""

HELD_BY_NONE = (
    ("car_change", "vehicle_id", "vehicle", "vehicle_id"),
    ("evidence_version", "part_id", "part", "part_id"),
    ("pair", "against_id", "part", "part_id"),
    ("pair", "platform_id", "platform", "platform_id"),
)
"""References that none holds; 0 stands for no part."""

IDENTITIES = (
    ("bay", "bay_id"), ("bay_correction", "correction_id"), ("bay_event", "bay_event_id"), ("car_change", "change_id"),
    ("finding", "finding_id"), ("history", "history_id"), ("model_fit", "fit_id"), ("modification", "modification_id"),
    ("part", "part_id"), ("part_merge", "merge_id"), ("platform", "platform_id"), ("pull", "pull_id"),
    ("refit_wish", "wish_id"), ("session", "session_id"), ("setting", "setting_id"), ("setup", "setup_id"),
    ("token", "token_id"), ("vehicle", "vehicle_id"), ("vehicle_merge", "merge_id"),
)  # fmt: skip
"""Every column that a sequence numbers."""

OF_THE_RECORD = (
    Invariant(
        "orphan",
        "a row belongs to another one that is not there: a pull without its setup, samples without their pull",
        BACKUP,
        all_of(lost(*reference) for reference in FOREIGN_KEYS),
    ),
    Invariant(
        "reference-lost",
        "a row names another one that is not there",
        BACKUP,
        all_of(
            [
                *(lost(*reference, but="0") for reference in HELD_BY_NONE),
                """
                SELECT 'finding ' || finding_id FROM finding
                WHERE  setup_n IS NOT NULL AND NOT EXISTS (
                    SELECT FROM setup WHERE setup.session_id = finding.session_id AND setup.n = setup_n)
                """,
            ]
        ),
    ),
    Invariant(
        "empty",
        "a session has no setup, or a setup no pull: neither is ever posted so",
        BACKUP,
        """
        SELECT 'session ' || id FROM session
        WHERE  NOT EXISTS (SELECT FROM setup WHERE setup.session_id = session.session_id)
        UNION ALL
        SELECT 'setup ' || setup_id FROM setup
        WHERE  NOT EXISTS (SELECT FROM pull WHERE pull.setup_id = setup.setup_id)
        """,
    ),
    Invariant(
        "samples-missing",
        "a pull has a curve but its samples are not there, or has samples and no curve",
        BACKUP,
        """
        SELECT 'pull ' || pull_id FROM pull LEFT JOIN pull_raw USING (pull_id)
        WHERE  (rpm_from IS NULL) <> (pull_raw.samples IS NULL)
        """,
    ),
    Invariant(
        "parts-disagree",
        "a setup's list of parts is not what its rows of parts say",
        "say its parts again (`bayledger mend amend SESSION/N parts=... --reason ...`)",
        """
        SELECT 'setup ' || setup_id
        FROM   setup LEFT JOIN (SELECT   setup_id, array_agg(part_id ORDER BY part_id) AS fitted
                                FROM     setup_part GROUP BY setup_id) listed USING (setup_id)
        WHERE  part_ids <> coalesce(fitted, '{}')
        """,
    ),
    Invariant(
        "alias-in-use",
        "a car or a part that was merged into another has records of its own still, or no merge that says so",
        "take the merge back and make it again (`bayledger mend vehicle-unmerge`, `part-unmerge`)",
        all_of(
            f"""
            SELECT '{kind} ' || {kind}_id FROM {kind} AS alias
            WHERE  merged_into IS NOT NULL AND (
                       EXISTS (SELECT FROM {record} WHERE {record}.{kind}_id = alias.{kind}_id)
                       OR EXISTS (SELECT FROM {kind} own WHERE own.{kind}_id = alias.merged_into
                                  AND own.merged_into IS NOT NULL))
                   OR merged_into IS DISTINCT FROM (SELECT into_id FROM {kind}_merge
                                                    WHERE  from_id = alias.{kind}_id AND undone_at IS NULL)
            """  # noqa: S608
            for kind, record in (("vehicle", "session"), ("part", "setup_part"))
        ),
    ),
    Invariant(
        "correction-disagrees",
        "a pull's figures rest on another correction of its bay than the one that holds at its time",
        "take that bay's correction back and make it again (`bayledger mend correction-undo`, `correction`)",
        """
        SELECT 'pull ' || pull_id
        FROM   pull JOIN setup USING (setup_id) JOIN session USING (session_id)
               LEFT JOIN bay_correction holds
                      ON holds.bay_id = session.bay_id AND undone_at IS NULL
                         AND holds.starts_at <= coalesce(pull.started_at, session.started_at)
                         AND coalesce(pull.started_at, session.started_at) < holds.ends_at
        WHERE  pull.correction_id IS DISTINCT FROM holds.correction_id
        """,
    ),
    Invariant(
        "clock-ahead",
        "the ledger's own times lie ahead of its clock: that was wrong when they were written, or is wrong now",
        "set the machine's clock; times that were written ahead stay, and are right once they have come",
        all_of(
            f"""
            SELECT '{table} ' || {key} FROM {table}
            WHERE  {at} > clock_timestamp() + interval '{AHEAD_HOURS} hours'
            """  # noqa: S608
            for table, key, at in (
                ("session", "id", "received_at"),
                ("history", "history_id", "at"),
                ("model_fit", "fit_id", "as_of"),
            )
        ),
    ),
)

OF_THE_BOOKS = (
    Invariant(
        "history-missing",
        "a session was kept, or something struck, and the history does not say by whom",
        REPORT,
        """
        SELECT about || ' ' || action
        FROM   (SELECT 'sessions/' || id AS about, 'posted' AS action FROM session
                UNION ALL
                SELECT 'sessions/' || id, 'struck' FROM session WHERE struck IS NOT NULL
                UNION ALL
                SELECT 'sessions/' || id || '/setups/' || n, 'struck' FROM setup JOIN session USING (session_id)
                WHERE  setup.struck IS NOT NULL
                UNION ALL
                SELECT 'sessions/' || id || '/setups/' || setup.n || '/pulls/' || pull_id, 'struck'
                FROM   pull JOIN setup USING (setup_id) JOIN session USING (session_id)
                WHERE  pull.struck IS NOT NULL) done
        WHERE  NOT EXISTS (SELECT FROM history WHERE history.about = done.about AND history.action = done.action)
        """,
    ),
    Invariant(
        "history-unguarded",
        "the history or the settings could be rewritten: their guard is off, or the service's role has too many rights",
        "as the owner: `ALTER TABLE history ENABLE TRIGGER history_is_append_only` (setting alike), and REVOKE",
        """
        SELECT guarded || ' has no guard' FROM unnest(ARRAY['history', 'setting']) AS guarded
        WHERE  NOT EXISTS (SELECT FROM pg_trigger
                           WHERE  tgrelid = guarded::regclass AND tgname = guarded || '_is_append_only'
                                  AND tgenabled IN ('O', 'A'))
        UNION ALL
        SELECT rolname || ' may ' || may || ' in ' || guarded
        FROM   pg_roles, unnest(ARRAY['history', 'setting']) AS guarded, unnest(ARRAY['UPDATE', 'DELETE', 'TRUNCATE']) AS may
        WHERE  rolname = 'bayledger_service' AND has_table_privilege(oid, guarded, may)
        """,
    ),
    Invariant(
        "index-invalid",
        "an index is not used: building it was broken off",
        "as the owner: `REINDEX INDEX CONCURRENTLY` with its name",
        """
        SELECT indexrelid::regclass::text FROM pg_index JOIN pg_class ON oid = indexrelid
        WHERE  relnamespace = 'public'::regnamespace AND NOT (indisvalid AND indisready)
        """,
    ),
    Invariant(
        "sequence-behind",
        "the next number of a table is taken already: the next post would fail",
        "as the owner: `SELECT setval(pg_get_serial_sequence(TABLE, COLUMN), (SELECT max(COLUMN) FROM TABLE))`",
        all_of(
            f"""
            SELECT '{table}.{column} ' || most
            FROM   (SELECT max({column}) AS most FROM {table}) taken
            WHERE  most > coalesce(pg_sequence_last_value(pg_get_serial_sequence('{table}', '{column}')::regclass), 0)
            """  # noqa: S608
            for table, column in IDENTITIES
        ),
    ),
)


def backup_late(days: float) -> Invariant:
    """Whether what is kept stands in no proved backup of the last so many days."""
    return Invariant(
        "backup-late",
        f"no backup of the last {days:g} days was put back and compared: a broken disk would take what came in since",
        "see why the nightly one does not come (`journalctl --unit bayledger-backup`, cron's mail), and run `bayledger backup "
        "--verify` now; where backups are made by other means, give a larger --backup-days",
        f"""
        SELECT CASE WHEN proved_at IS NULL THEN 'there never was one; the first session came in at ' || to_char(first_at, form)
                    ELSE 'the last one is of ' || to_char(proved_at, form) END
        FROM   (SELECT {PROVED_AT} AS proved_at, {FIRST_KEPT_AT} AS first_at, 'YYYY-MM-DD HH24:MI TZ' AS form) known
        WHERE  now() - coalesce(proved_at, first_at) > make_interval(secs => {days * SECONDS_A_DAY:.3f})
        """,  # noqa: S608
    )
