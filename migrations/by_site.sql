-- A ledger of many sites, spread over several machines by Citus. On paper: no release of the ledger runs this.
--
-- The first part is plain Postgres, and `tests/migrations/test_by_site.py` runs it on a filled ledger. The second part was
-- never run: it is written from the Citus documentation (citusdata/citus_docs, develop/reference_ddl.rst):
--   * a primary key or unique constraint of a distributed table must hold the distribution column;
--   * a foreign key between distributed tables must hold it as well, and both tables must be co-located;
--   * a distributed table may refer to a reference table, never the other way round;
--   * the table that is referred to is distributed first.

-- ---- 1. Plain Postgres: every row of a site carries its site, and every key begins with it.

CREATE TABLE site (
    site_id integer CONSTRAINT site_pk PRIMARY KEY,
    slug    slug NOT NULL CONSTRAINT site_slug_once UNIQUE,
    name    text NOT NULL
);
GRANT SELECT ON site TO bayledger_service;
INSERT INTO site VALUES (1, 'first', 'The site that was there before');

-- In the order of who refers to whom. What is not here is the same everywhere (slot, platform, part, part_slot, part_merge)
-- or is of the one model of all sites (model_fit, refit_wish).
CREATE TABLE of_a_site AS
SELECT name, place FROM unnest(ARRAY[
    'bay', 'bay_correction', 'bay_event', 'setting', 'token', 'vehicle', 'vehicle_merge', 'modification', 'session', 'finding',
    'setup', 'setup_part', 'setup_summary', 'setup_curve', 'pull', 'pull_raw', 'pair', 'evidence_version', 'car_change',
    'kept_answer', 'history'
]) WITH ORDINALITY AS listed (name, place);

DO $$
DECLARE
    one record;
BEGIN
    FOR one IN SELECT name FROM of_a_site ORDER BY place LOOP
        EXECUTE format('ALTER TABLE %I ADD COLUMN site_id integer NOT NULL DEFAULT 1
                        CONSTRAINT %I REFERENCES site', one.name, one.name || '_site_known');
    END LOOP;

    -- Foreign keys inside a site go first and come last: they rest on the keys between.
    CREATE TEMPORARY TABLE referring ON COMMIT DROP AS
    SELECT conrelid::regclass AS of, conname AS name, pg_get_constraintdef(oid) AS says
    FROM   pg_constraint
    WHERE  contype = 'f' AND conrelid::regclass::text IN (SELECT name FROM of_a_site)
           AND confrelid::regclass::text IN (SELECT name FROM of_a_site);
    FOR one IN SELECT * FROM referring LOOP
        EXECUTE format('ALTER TABLE %s DROP CONSTRAINT %I', one.of, one.name);
    END LOOP;

    FOR one IN
        SELECT conrelid::regclass AS of, conname AS name, pg_get_constraintdef(oid) AS says
        FROM   pg_constraint
        WHERE  contype IN ('p', 'u') AND conrelid::regclass::text IN (SELECT name FROM of_a_site)
    LOOP
        EXECUTE format('ALTER TABLE %s DROP CONSTRAINT %I', one.of, one.name);
        EXECUTE format('ALTER TABLE %s ADD CONSTRAINT %I %s', one.of, one.name, replace(one.says, ' (', ' (site_id, '));
    END LOOP;
    FOR one IN
        SELECT indexrelid::regclass AS name, pg_get_indexdef(indexrelid) AS says
        FROM   pg_index
        WHERE  indisunique AND indrelid::regclass::text IN (SELECT name FROM of_a_site)
               AND NOT EXISTS (SELECT FROM pg_constraint WHERE conindid = indexrelid)
    LOOP
        EXECUTE format('DROP INDEX %s', one.name);
        EXECUTE replace(one.says, 'btree (', 'btree (site_id, ');
    END LOOP;

    FOR one IN SELECT * FROM referring LOOP
        EXECUTE format('ALTER TABLE %s ADD CONSTRAINT %I %s', one.of, one.name,
                       regexp_replace(one.says, '\(([^)]*)\)( REFERENCES [^(]*)\(', '(site_id, \1)\2(site_id, '));
    END LOOP;
END $$;

-- ---- 2. Citus, never run.

-- CREATE EXTENSION citus;
-- SELECT citus_set_coordinator_host('coordinator'), citus_add_node('worker-1', 5432), citus_add_node('worker-2', 5432);
--
-- SELECT create_reference_table(name)
-- FROM   unnest(ARRAY['site', 'slot', 'platform', 'part', 'part_slot', 'part_merge']) AS name;
--
-- Statement triggers are not carried over: only the rights keep these two tables append-only then.
-- DROP TRIGGER history_is_append_only ON history;
-- DROP TRIGGER setting_is_append_only ON setting;
--
-- SELECT create_distributed_table('bay', 'site_id');
-- SELECT create_distributed_table(name, 'site_id', colocate_with => 'bay') FROM of_a_site WHERE name <> 'bay' ORDER BY place;
-- ALTER TABLE ... ALTER COLUMN site_id DROP DEFAULT;   -- of each: from now on whoever writes says which site
