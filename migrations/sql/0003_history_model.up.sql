-- What the history model needs of a setup beside its summary; null = not known, until it is derived anew.
-- Slope of ln power over the order of the pulls [1 per pull].
ALTER TABLE setup_summary ADD COLUMN power_slope double precision;
-- Whether it was written down of how many pulls the best was kept; null = the figures are means of pulls.
ALTER TABLE setup_summary ADD COLUMN best_of_recorded boolean;

-- Which car changed in which transaction (vehicle_id null = what the ids mean changed), for those who follow the ledger.
-- No trigger and no notification: the bays must not queue for each other, and who follows looks when he is asked.
CREATE TABLE car_change (
    change_id  bigint GENERATED ALWAYS AS IDENTITY,
    xid        xid8 NOT NULL DEFAULT pg_current_xact_id(),
    vehicle_id integer,
    CONSTRAINT car_change_pk PRIMARY KEY (xid, change_id)
);

-- A history model estimated from all that was committed at one moment, whole; `seen_*` say which changes that was.
-- Transaction numbers mean something in one cluster only: a fit of another one is not followed.
CREATE TABLE model_fit (
    fit_id       bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT model_fit_pk PRIMARY KEY,
    as_of        timestamptz NOT NULL,
    made_at      timestamptz NOT NULL DEFAULT clock_timestamp(),
    measure      text NOT NULL,
    standard     text NOT NULL,
    method       integer NOT NULL,
    cars         integer NOT NULL,
    setups       integer NOT NULL,
    cluster      bigint NOT NULL,
    seen_xid     xid8 NOT NULL,
    seen_changes bigint[] NOT NULL,
    packed       bytea NOT NULL,
    notes        jsonb NOT NULL
);
-- The packed form is compressed already.
ALTER TABLE model_fit ALTER COLUMN packed SET STORAGE EXTERNAL;
CREATE INDEX model_fit_newest ON model_fit (measure, standard, method, fit_id DESC);

-- That somebody wants the model estimated again; gone once a fit knows all that was committed when it was asked.
CREATE TABLE refit_wish (
    wish_id  bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT refit_wish_pk PRIMARY KEY,
    asked_at timestamptz NOT NULL DEFAULT clock_timestamp(),
    who      text NOT NULL
);

DO $$
BEGIN
    IF EXISTS (SELECT FROM pg_roles WHERE rolname = 'bayledger_service') THEN
        GRANT SELECT, INSERT, DELETE ON car_change, model_fit, refit_wish TO bayledger_service;
    END IF;
END $$;
