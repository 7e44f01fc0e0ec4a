DROP TABLE refit_wish;
DROP TABLE model_fit;
DROP TABLE car_change;
ALTER TABLE setup_summary
    DROP COLUMN best_of_recorded,
    DROP COLUMN power_slope;
