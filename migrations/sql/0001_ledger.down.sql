DROP TABLE kept_answer, history, setting, evidence_version, pair, setup_curve, setup_summary, finding, pull_raw,
    pull, setup_part, setup, session, bay_event, modification, part_slot, part, vehicle, token, bay, platform, slot;
DROP FUNCTION refuse_rewriting();
DROP DOMAIN slug;
DROP EXTENSION pg_trgm;
DROP EXTENSION intarray;
