DROP INDEX setup_summary_stock_at_level;
CREATE INDEX setup_summary_stock_at_level ON setup_summary (platform_id, setup_id DESC)
    WHERE stock AND counts AND level_standard = 'any';
