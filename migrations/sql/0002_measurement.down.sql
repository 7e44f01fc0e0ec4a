ALTER TABLE setup DROP COLUMN lambda_probe;
DROP INDEX setup_summary_by_bay;
CREATE INDEX setup_summary_by_bay ON setup_summary (bay_id, setup_id DESC) INCLUDE (spread_ss, spread_df) WHERE counts;
DROP INDEX setup_summary_stock_newest;
ALTER TABLE setup_summary DROP COLUMN speed_ratio;
ALTER TABLE setup_curve
    DROP COLUMN channel_values,
    DROP COLUMN channels;
ALTER TABLE platform
    DROP COLUMN boost_ratio,
    DROP COLUMN fuel_per_cycle,
    DROP COLUMN charge_cooling;
