-- A platform's newest stock powers, read without the rows they stand in.
DROP INDEX setup_summary_stock_at_level;
CREATE INDEX setup_summary_stock_at_level ON setup_summary (platform_id, setup_id DESC) INCLUDE (power_kw)
    WHERE stock AND counts AND level_standard = 'any';
