"""What must be true of all that is derived from a posted record: summaries, mean curves, comparisons, evidence, the model.

Each is worked out here a second time, from the rows it rests on, in SQL.
"""

from service.domain.curve import GRID_RPM
from service.domain.derive import METHOD
from service.store.fits import CLUSTER
from service.store.invariants import COUNTED, SETTLE, Invariant

ROUNDING = 1e-9
"""A mean taken in another order may differ by so much [relative] (our choice: a thousand times what doubles lose)."""
SPARSE_RPM = 100
"""A curve with at least a sample in so many rpm reaches some knot of the grid [rpm] (our choice; holes begin at 500)."""
LATE_DAYS = 2
"""A serving ledger estimates the model anew within a day; so old a fit says that nobody does (our choice)."""


def differs(kept: str, made: str) -> str:
    """Whether two figures are not the same, where one of them may be unknown; what is no number differs from all."""
    return f"(({kept}) IS NULL) <> (({made}) IS NULL) OR abs(({kept}) - ({made})) > {ROUNDING} * abs({made})"


OF_WHAT_IS_DERIVED = (
    Invariant(
        "summary-missing",
        "a setup has no summary, so it counts nowhere",
        SETTLE,
        """
        SELECT 'setup ' || setup_id FROM setup
        WHERE  NOT EXISTS (SELECT FROM setup_summary WHERE setup_summary.setup_id = setup.setup_id)
        """,
    ),
    Invariant(
        "summary-outdated",
        "a setup was summarised by an earlier way of deriving",
        "`bayledger migrate` derives it anew",
        f"SELECT 'setup ' || setup_id FROM setup_summary WHERE method <> {METHOD}",  # noqa: S608
    ),
    Invariant(
        "summary-misplaced",
        "a summary stands under another car, kind of car, bay or state than its setup",
        SETTLE,
        """
        SELECT 'setup ' || setup_id
        FROM   setup_summary kept JOIN setup USING (setup_id) JOIN session USING (session_id)
               JOIN vehicle ON vehicle.vehicle_id = session.vehicle_id
        WHERE  (kept.vehicle_id, kept.platform_id, kept.bay_id, kept.n_parts, kept.complete, kept.stock, kept.stock_checked)
               IS DISTINCT FROM
               (session.vehicle_id, vehicle.platform_id, session.bay_id, cardinality(part_ids)::smallint,
                parts_known = 'complete', parts_known = 'complete' AND part_ids = '{}', setup.stock_checked)
        """,
    ),
    Invariant(
        "counts-wrongly",
        "a setup counts without a pull that does, or does not count though one does and nothing is struck",
        SETTLE,
        f"""
        SELECT 'setup ' || setup_id
        FROM   setup_summary JOIN setup USING (setup_id) JOIN session USING (session_id)
        WHERE  counts <> (setup.struck IS NULL AND session.struck IS NULL
                          AND EXISTS (SELECT FROM pull WHERE pull.setup_id = setup.setup_id AND {COUNTED}))
        """,  # noqa: S608
    ),
    Invariant(
        "summary-disagrees",
        "a setup's figures are not what its pulls come to",
        SETTLE,
        f"""
        WITH one AS (
            SELECT setup_id, rpm_from IS NOT NULL AS curve, power_kw * coalesce(nullif(factor, 0), 1) AS power_kw,
                   torque_nm * coalesce(nullif(factor, 0), 1) AS torque_nm
            FROM   pull WHERE {COUNTED}
        ), together AS (
            SELECT   setup_id, curve, count(*) AS pulls, avg(power_kw) AS power_kw, max(power_kw) AS power_best_kw,
                     avg(torque_nm) AS torque_nm, max(torque_nm) AS torque_best_nm
            FROM     one GROUP BY setup_id, curve
        ), used AS (
            SELECT DISTINCT ON (setup_id) * FROM together ORDER BY setup_id, curve DESC
        )
        SELECT 'setup ' || setup_id
        FROM   setup_summary kept LEFT JOIN used USING (setup_id)
        WHERE  kept.pulls NOT BETWEEN (used.setup_id IS NOT NULL)::int AND coalesce(used.pulls, 0)
               -- Where pulls on another footing than most were left out, their mean cannot be told from here.
               OR kept.pulls = used.pulls AND ({differs("kept.power_best_kw", "used.power_best_kw")}
                                               OR {differs("kept.torque_best_nm", "used.torque_best_nm")})
               OR kept.pulls = used.pulls AND curve AND ({differs("kept.power_kw", "used.power_kw")}
                                                         OR {differs("kept.torque_nm", "used.torque_nm")})
        """,  # noqa: S608
    ),
    Invariant(
        "doubts-disagree",
        "a setup weighs as doubtful or sound otherwise than the open findings say",
        SETTLE,
        f"""
        WITH standing AS (
            SELECT   setup_id, array_agg(DISTINCT code COLLATE "C" ORDER BY code COLLATE "C") AS codes
            FROM     finding JOIN setup ON setup.session_id = finding.session_id AND coalesce(setup_n, n) = n
            WHERE    level = 'doubtful' AND cleared_at IS NULL
                     AND NOT EXISTS (
                         SELECT FROM pull JOIN setup named USING (setup_id)
                         WHERE  named.session_id = finding.session_id AND named.n = setup_n AND pull.n = pull_n
                                AND NOT ({COUNTED}))
            GROUP BY setup_id
        )
        SELECT 'setup ' || setup_id FROM setup_summary LEFT JOIN standing USING (setup_id)
        WHERE  doubts <> coalesce(codes, '{{}}')
        """,  # noqa: S608
    ),
    Invariant(
        "curve-orphan",
        "a mean curve is kept of a setup in which no pull with a curve counts",
        SETTLE,
        f"""
        SELECT 'setup ' || setup_id FROM setup_curve
        WHERE  NOT EXISTS (SELECT FROM pull
                           WHERE  pull.setup_id = setup_curve.setup_id AND rpm_from IS NOT NULL AND {COUNTED})
               AND EXISTS (SELECT FROM setup WHERE setup.setup_id = setup_curve.setup_id)
        """,  # noqa: S608
    ),
    Invariant(
        "curve-missing",
        "a setup whose pulls have curves has no mean curve",
        SETTLE,
        f"""
        SELECT   'setup ' || setup_id
        FROM     setup_summary JOIN pull USING (setup_id) JOIN pull_raw USING (pull_id)
        WHERE    setup_summary.pulls > 0 AND setup_summary.best_of IS NULL AND {COUNTED}
                 AND NOT EXISTS (SELECT FROM setup_curve WHERE setup_curve.setup_id = setup_summary.setup_id)
        GROUP BY setup_id
        HAVING   min(rpm_to) - max(rpm_from) > {SPARSE_RPM} AND bool_and(rpm_to - rpm_from < {SPARSE_RPM} * samples)
        """,  # noqa: S608
    ),
    Invariant(
        "curve-broken",
        "a mean curve cannot be read: its bytes are no whole numbers, or lie outside the grid",
        SETTLE,
        f"""
        SELECT 'setup ' || setup_id FROM setup_curve
        WHERE  octet_length(torque_nm) NOT BETWEEN 4 AND 4 * ({len(GRID_RPM)} - first) OR octet_length(torque_nm) % 4 <> 0
               OR first < 0 OR octet_length(channel_values) <> cardinality(channels) * octet_length(torque_nm)
        """,  # noqa: S608
    ),
    Invariant(
        "pair-wrong",
        "a comparison is of setups that do not count, are not of that car, or differ by more than that one part",
        SETTLE,
        """
        SELECT 'pair of setups ' || setup_with || ' and ' || setup_without
        FROM   pair
               JOIN setup a ON a.setup_id = setup_with JOIN session sa ON sa.session_id = a.session_id
               JOIN setup_summary ca ON ca.setup_id = setup_with
               JOIN setup b ON b.setup_id = setup_without JOIN session sb ON sb.session_id = b.session_id
               JOIN setup_summary cb ON cb.setup_id = setup_without
               JOIN vehicle ON vehicle.vehicle_id = pair.vehicle_id
               LEFT JOIN setup r ON r.setup_id = setup_again LEFT JOIN setup_summary cr ON cr.setup_id = setup_again
        WHERE  NOT (ca.counts AND cb.counts AND sa.vehicle_id = pair.vehicle_id AND sb.vehicle_id = pair.vehicle_id
                    AND vehicle.platform_id = pair.platform_id
                    AND a.part_ids - b.part_ids = ARRAY[part_id]
                    AND b.part_ids - a.part_ids = array_remove(ARRAY[against_id], 0)
                    AND same_session = (a.session_id = b.session_id)
                    AND at = greatest(sa.started_at, sb.started_at))
               OR setup_again IS NOT NULL
                  AND NOT (cr.counts AND r.session_id = a.session_id AND same_session
                           AND setup_again NOT IN (setup_with, setup_without)
                           AND r.part_ids = CASE WHEN again_is_with THEN a.part_ids ELSE b.part_ids END)
        """,
    ),
    Invariant(
        "evidence-unversioned",
        "evidence has no version, so an answer that rests on it would not be seen to have changed",
        SETTLE,
        """
        SELECT 'platform ' || platform_id || ', part ' || part_id
        FROM   (SELECT platform_id, part_id FROM pair UNION SELECT platform_id, 0 FROM setup_summary) rests
        WHERE  NOT EXISTS (SELECT FROM evidence_version known
                           WHERE  known.platform_id = rests.platform_id AND known.part_id = rests.part_id)
        """,
    ),
    Invariant(
        "fit-late",
        f"the history model is more than {LATE_DAYS} days older than what it should rest on, or was asked for and not made",
        "see that `bayledger serve` or its worker runs and what it logs, or estimate now: `bayledger refit --wait`",
        f"""
        WITH newest AS (
            SELECT as_of, seen_xid, seen_changes FROM model_fit WHERE cluster = {CLUSTER} ORDER BY fit_id DESC LIMIT 1
        ), late AS (
            SELECT now() - interval '{LATE_DAYS} days' AS at
        )
        SELECT 'the fit of ' || as_of FROM newest, late
        WHERE  as_of < late.at AND EXISTS (
                   SELECT FROM car_change
                   WHERE  vehicle_id IS NOT NULL AND xid >= seen_xid AND change_id <> ALL (seen_changes))
        UNION ALL
        SELECT 'no fit at all' FROM late
        WHERE  NOT EXISTS (SELECT FROM newest) AND EXISTS (SELECT FROM setup_summary WHERE counts)
               AND (SELECT received_at FROM session ORDER BY session_id LIMIT 1) < late.at
        UNION ALL
        SELECT 'asked for at ' || asked_at FROM refit_wish, late WHERE asked_at < late.at
        """,  # noqa: S608
    ),
)
