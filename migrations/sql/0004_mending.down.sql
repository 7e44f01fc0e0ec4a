DROP INDEX setup_summary_stock_at_level;
DROP INDEX setup_summary_stock_of_bay;
DROP FUNCTION erase_vehicle(integer, text);
CREATE OR REPLACE FUNCTION refuse_rewriting() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only', TG_TABLE_NAME;
END $$;
DROP TABLE part_merge;
DROP TABLE vehicle_merge;
ALTER TABLE part DROP COLUMN merged_into;
ALTER TABLE vehicle
    DROP COLUMN erased_at,
    DROP COLUMN merged_into;
ALTER TABLE pull
    DROP COLUMN posted_torque_nm,
    DROP COLUMN posted_power_kw,
    DROP COLUMN correction_id;
DROP TABLE bay_correction;
