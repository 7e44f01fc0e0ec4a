-- What some correction standards must know of an engine; null = not recorded.
ALTER TABLE platform
    ADD COLUMN charge_cooling text
        CONSTRAINT platform_charge_cooling_known CHECK (charge_cooling IN ('none', 'air', 'liquid'))
        CONSTRAINT platform_natural_not_cooled CHECK (aspiration <> 'natural' OR charge_cooling = 'none'),
    ADD COLUMN fuel_per_cycle double precision
        CONSTRAINT platform_fuel_per_cycle_positive CHECK (fuel_per_cycle > 0),
    ADD COLUMN boost_ratio double precision
        CONSTRAINT platform_boost_ratio_not_below_one CHECK (boost_ratio >= 1)
        CONSTRAINT platform_natural_not_boosted CHECK (aspiration <> 'natural' OR boost_ratio = 1);

-- What was recorded along the curve beside torque: float32 in the order of `channels`, each stretch as long as torque_nm's.
ALTER TABLE setup_curve
    ADD COLUMN channels text[] NOT NULL DEFAULT '{}',
    ADD COLUMN channel_values bytea NOT NULL DEFAULT '';
-- Engine speed over roller speed in the gear of the session; null = no roller speed was recorded.
ALTER TABLE setup_summary ADD COLUMN speed_ratio double precision;
CREATE INDEX setup_summary_stock_newest ON setup_summary (platform_id, setup_id DESC) WHERE stock AND counts;
-- A bay's own pull spread is read from its newest setups, without those whose pulls disagree.
DROP INDEX setup_summary_by_bay;
CREATE INDEX setup_summary_by_bay ON setup_summary (bay_id, setup_id DESC) INCLUDE (spread_ss, spread_df)
    WHERE counts AND NOT doubts @> '{pulls-disagree}';
-- Where the mixture was measured; null = not recorded.
ALTER TABLE setup ADD COLUMN lambda_probe text
    CONSTRAINT setup_lambda_probe_known CHECK (lambda_probe IN ('before-catalyst', 'after-catalyst', 'tailpipe'));
