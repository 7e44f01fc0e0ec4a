-- What was found to be wrong with a bay's figures of a period. True torque and power = recorded x factor; true air =
-- recorded + offset; null = as recorded. `basis` = what the figures really are; null = as it was posted.
-- Never changed but to take it back, so that every derived figure can say what it rests on.
CREATE TABLE bay_correction (
    correction_id integer GENERATED ALWAYS AS IDENTITY CONSTRAINT bay_correction_pk PRIMARY KEY,
    bay_id        integer NOT NULL CONSTRAINT bay_correction_bay_known REFERENCES bay,
    starts_at     timestamptz NOT NULL,
    ends_at       timestamptz NOT NULL,
    factor        double precision,
    temperature_k double precision,
    pressure_kpa  double precision,
    basis         jsonb,
    reason        text NOT NULL,
    made_at       timestamptz NOT NULL DEFAULT now(),
    made_by       text NOT NULL,
    undone_at     timestamptz,
    undone_by     text,
    undone_why    text,
    version       integer NOT NULL DEFAULT 1,
    CONSTRAINT bay_correction_ends_after_it_starts CHECK (ends_at > starts_at),
    CONSTRAINT bay_correction_factor_positive CHECK (factor > 0)
);
CREATE INDEX bay_correction_by_bay ON bay_correction (bay_id, starts_at, correction_id);

-- The correction that a pull's derived figures rest on; null = on what was posted alone. (NOT VALID here and below: every
-- row there is holds null, so there is nothing to look through under a lock.)
ALTER TABLE pull ADD COLUMN correction_id integer;
ALTER TABLE pull ADD CONSTRAINT pull_correction_known FOREIGN KEY (correction_id) REFERENCES bay_correction NOT VALID;
CREATE INDEX pull_corrected ON pull (correction_id) WHERE correction_id IS NOT NULL;
-- Peaks of a record without a curve as they were posted (kW, N.m); null = it has a curve, or was kept before this.
ALTER TABLE pull
    ADD COLUMN posted_power_kw double precision,
    ADD COLUMN posted_torque_nm double precision;

-- One car, or one part, that was recorded under two names: the alias answers for the other; null = is itself.
ALTER TABLE vehicle
    ADD COLUMN merged_into integer,
    ADD COLUMN erased_at timestamptz;
ALTER TABLE vehicle ADD CONSTRAINT vehicle_merged_into_known FOREIGN KEY (merged_into) REFERENCES vehicle NOT VALID;
CREATE INDEX vehicle_merged ON vehicle (merged_into) WHERE merged_into IS NOT NULL;
ALTER TABLE part ADD COLUMN merged_into integer;
ALTER TABLE part ADD CONSTRAINT part_merged_into_known FOREIGN KEY (merged_into) REFERENCES part NOT VALID;
CREATE INDEX part_merged ON part (merged_into) WHERE merged_into IS NOT NULL;

-- What a merge moved, so that exactly that can be put back.
CREATE TABLE vehicle_merge (
    merge_id      integer GENERATED ALWAYS AS IDENTITY CONSTRAINT vehicle_merge_pk PRIMARY KEY,
    from_id       integer NOT NULL CONSTRAINT vehicle_merge_from_known REFERENCES vehicle,
    into_id       integer NOT NULL CONSTRAINT vehicle_merge_into_known REFERENCES vehicle,
    sessions      bigint[] NOT NULL,
    modifications integer[] NOT NULL,
    made_at       timestamptz NOT NULL DEFAULT now(),
    undone_at     timestamptz
);
CREATE UNIQUE INDEX vehicle_merge_in_force ON vehicle_merge (from_id) WHERE undone_at IS NULL;
CREATE TABLE part_merge (
    merge_id      integer GENERATED ALWAYS AS IDENTITY CONSTRAINT part_merge_pk PRIMARY KEY,
    from_id       integer NOT NULL CONSTRAINT part_merge_from_known REFERENCES part,
    into_id       integer NOT NULL CONSTRAINT part_merge_into_known REFERENCES part,
    setups        bigint[] NOT NULL,
    modifications integer[] NOT NULL,
    variants      integer[] NOT NULL,
    made_at       timestamptz NOT NULL DEFAULT now(),
    undone_at     timestamptz
);
CREATE UNIQUE INDEX part_merge_in_force ON part_merge (from_id) WHERE undone_at IS NULL;

-- Who changed what stays as it was written, but for what `erase_vehicle` forgets: only from within it, in its own call.
CREATE OR REPLACE FUNCTION refuse_rewriting() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    calls text;
BEGIN
    GET DIAGNOSTICS calls = PG_CONTEXT;
    IF TG_TABLE_NAME = 'history' AND TG_OP IN ('UPDATE', 'DELETE')
       -- Its signature alone: the words around it are in the server's language.
       AND calls ~ '[^.[:alnum:]_](public\.)?erase_vehicle\(integer,text\)' THEN
        RETURN NULL;
    END IF;
    RAISE EXCEPTION '% is append-only', TG_TABLE_NAME;
END $$;

-- Forget who a car is, for good: its measurements stay, under an invented tag. What names it goes from every table that
-- the service may only add to; it runs as the schema's owner, and the service may do nothing else with that right.
CREATE FUNCTION erase_vehicle(erased integer, neutral text) RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    tags      text[];
    named     text;
    held      text;
    written   text[];
    cars      integer[];
    addresses text[];
    side      text;
    free      CONSTANT text[] := '{note,notes,fitting_notes,label,reason}';
BEGIN
    PERFORM FROM vehicle WHERE vehicle_id = erased AND erased_at IS NULL AND merged_into IS NULL FOR NO KEY UPDATE;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'vehicle % is unknown, merged or erased', erased;
    END IF;
    IF neutral !~ '^erased-[0-9a-f]{12}$' THEN
        RAISE EXCEPTION 'the tag % does not read erased- and twelve digits', neutral;
    END IF;
    cars := ARRAY(SELECT vehicle_id FROM vehicle WHERE vehicle_id = erased OR merged_into = erased);
    -- Every tag it ever had, the renamed ones too.
    WITH RECURSIVE known AS (
        SELECT tag::text AS name FROM vehicle WHERE vehicle_id = ANY (cars)
        UNION
        SELECT substr(before ->> 'about', length('vehicles/') + 1)
        FROM   history JOIN known ON about = 'vehicles/' || name
        WHERE  action = 'renamed'
    )
    SELECT array_agg(name) INTO tags FROM known
    WHERE  NOT EXISTS (SELECT FROM vehicle WHERE tag = name AND NOT vehicle_id = ANY (cars));
    -- A tag where it stands by itself, not as a part of a longer word.
    SELECT '(?<![a-z0-9-])(' || string_agg(name, '|') || ')(?![a-z0-9-])' INTO named FROM unnest(tags) AS name;
    -- The same as a value in JSON, of a field that holds a tag.
    held := '("(?:vehicle|tag|merged|merged_into|about)": "(?:vehicles/)?)(?:' || array_to_string(tags, '|') || ')(?=["/])';
    addresses := ARRAY(SELECT 'sessions/' || id FROM session WHERE vehicle_id = ANY (cars));

    -- What was changed stays countable, as a printed sheet's version rests on it; from what to what is gone.
    UPDATE history SET about = 'vehicles/' || neutral || substr(about, length('vehicles/' || name) + 1),
                       before = (SELECT jsonb_object_agg(key, NULL) FROM jsonb_object_keys(before) AS key),
                       after = (SELECT jsonb_object_agg(key, NULL) FROM jsonb_object_keys(after) AS key), reason = NULL
    FROM   unnest(tags) AS name
    WHERE  about = 'vehicles/' || name OR starts_with(about, 'vehicles/' || name || '/');
    UPDATE history SET before = before - '{operator,label}'::text[], after = after - '{operator,label}'::text[],
                       reason = NULL
    WHERE  array_to_string((string_to_array(about, '/'))[1:2], '/') = ANY (addresses);
    UPDATE history SET before = regexp_replace(before::text, held, '\1' || neutral, 'g')::jsonb,
                       after = regexp_replace(after::text, held, '\1' || neutral, 'g')::jsonb,
                       reason = regexp_replace(reason, named, neutral, 'gi')
    WHERE  before::text ~ held OR after::text ~ held OR reason ~* named;

    -- What people wrote about other records stands there a second time, as values of the fields they wrote into.
    FOREACH side IN ARRAY ARRAY['before', 'after']
    LOOP
        EXECUTE format($words$
            UPDATE history SET %1$I = (
                SELECT jsonb_object_agg(key, CASE
                    WHEN key <> ALL ($1) THEN value
                    WHEN jsonb_typeof(value) = 'string' THEN to_jsonb(regexp_replace(value #>> '{}', $2, $3, 'gi'))
                    ELSE regexp_replace(value::text, $2, $3, 'gi')::jsonb END)
                FROM   jsonb_each(%1$I))
            WHERE  %1$I ?| $1 AND %1$I::text ~* $4
            $words$, side) USING free, named, neutral, array_to_string(tags, '|');
    END LOOP;

    DELETE FROM kept_answer
    WHERE  convert_from(body, 'UTF8') ~ named OR location ~ named
           OR EXISTS (SELECT FROM unnest(addresses) AS address WHERE location = '/v1/' || address);
    -- What people, and the checks, wrote about other records and named it by.
    FOREACH written SLICE 1 IN ARRAY ARRAY[
        ['finding', 'message'], ['finding', 'cleared_why'], ['session', 'struck'], ['setup', 'struck'],
        ['setup', 'label'], ['pull', 'struck'], ['pull', 'reason'], ['modification', 'notes'], ['bay_event', 'note'],
        ['bay_correction', 'reason'], ['bay_correction', 'undone_why'], ['part', 'fitting_notes']]
    LOOP
        EXECUTE format('UPDATE %1$I SET %2$I = regexp_replace(%2$I, $1, $2, ''gi'') WHERE %2$I ~* $1',
                       written[1], written[2]) USING named, neutral;
    END LOOP;
    UPDATE finding SET cleared_why = 'erased'
    WHERE  cleared_why IS NOT NULL AND NOT starts_with(cleared_why, 'amended: no longer so')
           AND session_id IN (SELECT session_id FROM session WHERE vehicle_id = ANY (cars));
    UPDATE modification SET notes = NULL, price_paid = NULL, currency = NULL WHERE vehicle_id = ANY (cars);
    UPDATE pull SET reason = CASE WHEN reason IS NOT NULL THEN 'erased' END,
                    struck = CASE WHEN struck IS NOT NULL THEN 'erased' END
    WHERE  setup_id IN (SELECT setup_id FROM setup JOIN session USING (session_id) WHERE vehicle_id = ANY (cars));
    UPDATE setup SET label = NULL, struck = CASE WHEN struck IS NOT NULL THEN 'erased' END
    WHERE  session_id IN (SELECT session_id FROM session WHERE vehicle_id = ANY (cars));
    -- The fingerprint of what was posted, which named the car, leads back to it no more.
    UPDATE session SET operator = NULL, struck = CASE WHEN struck IS NOT NULL THEN 'erased' END,
                       content_hash = sha256(convert_to(gen_random_uuid()::text || gen_random_uuid()::text, 'UTF8'))
    WHERE  vehicle_id = ANY (cars);
    UPDATE vehicle SET tag = neutral || CASE WHEN vehicle_id = erased THEN '' ELSE '-' || vehicle_id END,
                       vin_hash = NULL, odometer_km = NULL, erased_at = now(), version = version + 1
    WHERE  vehicle_id = ANY (cars);
END $$;
REVOKE ALL ON FUNCTION erase_vehicle(integer, text) FROM PUBLIC;

-- The stock setups that a post is held against, where most of a history stands at no level (old records, say): without
-- these each post walks all of them.
CREATE INDEX setup_summary_stock_of_bay ON setup_summary (bay_id, setup_id DESC)
    WHERE stock AND counts AND level_standard = 'any';
CREATE INDEX setup_summary_stock_at_level ON setup_summary (platform_id, setup_id DESC)
    WHERE stock AND counts AND level_standard = 'any';

DO $$
BEGIN
    IF EXISTS (SELECT FROM pg_roles WHERE rolname = 'bayledger_service') THEN
        GRANT SELECT, INSERT, UPDATE ON bay_correction, vehicle_merge, part_merge TO bayledger_service;
        GRANT EXECUTE ON FUNCTION erase_vehicle(integer, text) TO bayledger_service;
    END IF;
END $$;
