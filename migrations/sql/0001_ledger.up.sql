-- The whole ledger. Quantities are SI: kW, N.m, degC, kPa, rpm. Every constraint has a name of ours:
-- the store turns a breach into a sentence for the user by that name.

CREATE EXTENSION IF NOT EXISTS intarray;
CREATE EXTENSION IF NOT EXISTS pg_trgm;

CREATE DOMAIN slug AS text CONSTRAINT slug_form CHECK (VALUE ~ '^[a-z0-9][a-z0-9-]{0,63}$');

-- ------------------------------------------------------------------ who may do what
CREATE TABLE token (
    token_id    integer GENERATED ALWAYS AS IDENTITY CONSTRAINT token_pk PRIMARY KEY,
    name        text NOT NULL,
    scope       text NOT NULL CONSTRAINT token_scope_known CHECK (scope IN ('post', 'read', 'admin')),
    bay_id      integer,
    secret_hash bytea NOT NULL CONSTRAINT token_secret_once UNIQUE,
    created_at  timestamptz NOT NULL DEFAULT now(),
    expires_at  timestamptz,
    revoked_at  timestamptz
);

-- ------------------------------------------------------------------ what the shop knows
CREATE TABLE slot (
    slug    slug CONSTRAINT slot_pk PRIMARY KEY,
    name    text NOT NULL,
    ordinal integer NOT NULL
);

CREATE TABLE platform (
    platform_id    integer GENERATED ALWAYS AS IDENTITY CONSTRAINT platform_pk PRIMARY KEY,
    slug           slug NOT NULL CONSTRAINT platform_slug_once UNIQUE,
    name           text NOT NULL,
    maker          text,
    model          text,
    generation     text,
    engine         text,
    displacement_l double precision CONSTRAINT platform_displacement_positive CHECK (displacement_l > 0),
    aspiration     text NOT NULL
        CONSTRAINT platform_aspiration_known CHECK (aspiration IN ('natural', 'turbo', 'supercharged')),
    ignition       text NOT NULL
        CONSTRAINT platform_ignition_known CHECK (ignition IN ('spark', 'compression')),
    transmission   text,
    driven_wheels  text,
    rated_power_kw double precision CONSTRAINT platform_rated_power_positive CHECK (rated_power_kw > 0),
    rpm_limit      double precision CONSTRAINT platform_rpm_limit_positive CHECK (rpm_limit > 0),
    version        integer NOT NULL DEFAULT 1,
    created_at     timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE vehicle (
    vehicle_id  integer GENERATED ALWAYS AS IDENTITY CONSTRAINT vehicle_pk PRIMARY KEY,
    tag         slug NOT NULL CONSTRAINT vehicle_tag_once UNIQUE,
    platform_id integer NOT NULL CONSTRAINT vehicle_platform_known REFERENCES platform,
    model_year  integer CONSTRAINT vehicle_model_year_plausible CHECK (model_year BETWEEN 1885 AND 2200),
    odometer_km double precision CONSTRAINT vehicle_odometer_not_negative CHECK (odometer_km >= 0),
    vin_hash    bytea CONSTRAINT vehicle_vin_once UNIQUE,
    check_car   boolean NOT NULL DEFAULT false,
    version     integer NOT NULL DEFAULT 1,
    created_at  timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX vehicle_by_platform ON vehicle (platform_id, vehicle_id);
CREATE INDEX vehicle_tag_near ON vehicle USING gin ((tag::text) gin_trgm_ops);

CREATE TABLE part (
    part_id       integer GENERATED ALWAYS AS IDENTITY CONSTRAINT part_pk PRIMARY KEY,
    slug          slug NOT NULL CONSTRAINT part_slug_once UNIQUE,
    name          text NOT NULL,
    variant_of    integer CONSTRAINT part_variant_of_known REFERENCES part,
    price         numeric(12, 2) CONSTRAINT part_price_not_negative CHECK (price >= 0),
    currency      text CONSTRAINT part_currency_form CHECK (currency ~ '^[A-Z]{3}$'),
    price_date    date,
    labour_hours  double precision CONSTRAINT part_labour_not_negative CHECK (labour_hours >= 0),
    fitting_notes text,
    approval      jsonb,
    version       integer NOT NULL DEFAULT 1,
    created_at    timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT part_price_with_currency CHECK (price IS NULL OR currency IS NOT NULL),
    CONSTRAINT part_not_variant_of_itself CHECK (variant_of <> part_id)
);
CREATE TABLE part_slot (
    part_id integer NOT NULL CONSTRAINT part_slot_part_known REFERENCES part,
    slot    slug NOT NULL CONSTRAINT part_slot_slot_known REFERENCES slot,
    CONSTRAINT part_slot_pk PRIMARY KEY (part_id, slot)
);

CREATE TABLE modification (
    modification_id integer GENERATED ALWAYS AS IDENTITY CONSTRAINT modification_pk PRIMARY KEY,
    vehicle_id      integer NOT NULL CONSTRAINT modification_vehicle_known REFERENCES vehicle,
    part_id         integer NOT NULL CONSTRAINT modification_part_known REFERENCES part,
    fitted_on       date NOT NULL,
    removed_on      date,
    price_paid      numeric(12, 2) CONSTRAINT modification_price_not_negative CHECK (price_paid >= 0),
    currency        text CONSTRAINT modification_currency_form CHECK (currency ~ '^[A-Z]{3}$'),
    labour_hours    double precision CONSTRAINT modification_labour_not_negative CHECK (labour_hours >= 0),
    notes           text,
    version         integer NOT NULL DEFAULT 1,
    created_at      timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT modification_removed_after_fitted CHECK (removed_on >= fitted_on)
);
CREATE INDEX modification_by_vehicle ON modification (vehicle_id, fitted_on, modification_id);

CREATE TABLE bay (
    bay_id     integer GENERATED ALWAYS AS IDENTITY CONSTRAINT bay_pk PRIMARY KEY,
    slug       slug NOT NULL CONSTRAINT bay_slug_once UNIQUE,
    name       text NOT NULL,
    kind       text NOT NULL
        CONSTRAINT bay_kind_known CHECK (kind IN ('roller-inertia', 'roller-loaded', 'hub')),
    rollers    text,
    site       text,
    altitude_m double precision CONSTRAINT bay_altitude_plausible CHECK (altitude_m BETWEEN -450 AND 6000),
    version    integer NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL DEFAULT now()
);
ALTER TABLE token ADD CONSTRAINT token_bay_known FOREIGN KEY (bay_id) REFERENCES bay;

CREATE TABLE bay_event (
    bay_event_id integer GENERATED ALWAYS AS IDENTITY CONSTRAINT bay_event_pk PRIMARY KEY,
    bay_id       integer NOT NULL CONSTRAINT bay_event_bay_known REFERENCES bay,
    at           timestamptz NOT NULL,
    kind         text NOT NULL CONSTRAINT bay_event_kind_known
        CHECK (kind IN ('recalibrated', 'repaired', 'weather-station-replaced', 'other')),
    note         text,
    version      integer NOT NULL DEFAULT 1,
    created_at   timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX bay_event_by_bay ON bay_event (bay_id, at, bay_event_id);

-- ------------------------------------------------------------------ what was measured
CREATE TABLE session (
    session_id        bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT session_pk PRIMARY KEY,
    id                uuid NOT NULL CONSTRAINT session_id_once UNIQUE,
    vehicle_id        integer NOT NULL CONSTRAINT session_vehicle_known REFERENCES vehicle,
    bay_id            integer NOT NULL CONSTRAINT session_bay_known REFERENCES bay,
    started_at        timestamptz NOT NULL,
    operator          text,
    gear              smallint,
    ratio             double precision CONSTRAINT session_ratio_positive CHECK (ratio > 0),
    tyre_size         text,
    tyre_pressure_kpa double precision CONSTRAINT session_tyre_pressure_positive CHECK (tyre_pressure_kpa > 0),
    sequence          bigint,
    clock             timestamptz,
    content_hash      bytea NOT NULL,
    received_at       timestamptz NOT NULL DEFAULT now(),
    posted_by         text NOT NULL,
    struck            text,
    version           integer NOT NULL DEFAULT 1,
    CONSTRAINT session_content_once UNIQUE (bay_id, content_hash)
);
CREATE INDEX session_by_time ON session (started_at DESC, session_id DESC);
CREATE INDEX session_by_vehicle ON session (vehicle_id, started_at DESC, session_id DESC);
CREATE INDEX session_by_bay ON session (bay_id, started_at DESC, session_id DESC);

CREATE TABLE setup (
    setup_id          bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT setup_pk PRIMARY KEY,
    session_id        bigint NOT NULL CONSTRAINT setup_session_known REFERENCES session,
    n                 smallint NOT NULL,
    label             text,
    part_ids          integer[] NOT NULL CONSTRAINT setup_parts_sorted CHECK (part_ids = uniq(sort(part_ids))),
    parts_known       text NOT NULL
        CONSTRAINT setup_parts_known_known CHECK (parts_known IN ('complete', 'partial', 'unknown')),
    stock_checked     text NOT NULL
        CONSTRAINT setup_stock_checked_known CHECK (stock_checked IN ('verified', 'declared', 'unknown')),
    ethanol           double precision CONSTRAINT setup_ethanol_share CHECK (ethanol BETWEEN 0 AND 1),
    octane            double precision,
    octane_method     text,
    spark_advance_deg double precision,
    struck            text,
    CONSTRAINT setup_once UNIQUE (session_id, n)
);
-- For the foreign key to part alone; setup.part_ids is what is searched.
CREATE TABLE setup_part (
    setup_id bigint NOT NULL CONSTRAINT setup_part_setup_known REFERENCES setup,
    part_id  integer NOT NULL CONSTRAINT setup_part_part_known REFERENCES part,
    slot     slug CONSTRAINT setup_part_slot_known REFERENCES slot,
    CONSTRAINT setup_part_pk PRIMARY KEY (setup_id, part_id)
);
CREATE INDEX setup_part_by_part ON setup_part (part_id);

-- Narrow: scalars of one pull. The samples stand apart in pull_raw, so a scan of scalars never reads them.
CREATE TABLE pull (
    pull_id         bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT pull_pk PRIMARY KEY,
    setup_id        bigint NOT NULL CONSTRAINT pull_setup_known REFERENCES setup,
    n               smallint NOT NULL,
    started_at      timestamptz,
    temperature_c   double precision,
    pressure_kpa    double precision,
    humidity        double precision,
    dew_point_c     double precision,
    vapour_kpa      double precision,
    coolant_c       double precision,
    oil_c           double precision,
    inlet_c         double precision,
    inlet_end_c     double precision,
    test            text CONSTRAINT pull_test_known CHECK (test IN ('sweep', 'inertia', 'steps')),
    ramp_rpm_s      double precision,
    smoothing       jsonb,
    source          text,
    basis_standard  text,
    basis_factor    double precision,
    status          text NOT NULL
        CONSTRAINT pull_status_known CHECK (status IN ('accepted', 'settling', 'rejected')),
    reason          text,
    best_of         smallint,
    power_kw        double precision,
    power_rpm       double precision,
    torque_nm       double precision,
    torque_rpm      double precision,
    rpm_from        double precision,
    rpm_to          double precision,
    factor          double precision,
    lambda_mean     double precision,
    map_max_kpa     double precision,
    struck          text,
    CONSTRAINT pull_once UNIQUE (setup_id, n)
);

CREATE TABLE pull_raw (
    pull_id  bigint CONSTRAINT pull_raw_pk PRIMARY KEY CONSTRAINT pull_raw_pull_known REFERENCES pull,
    enc      smallint NOT NULL,
    channels text[] NOT NULL,
    steps    double precision[] NOT NULL,
    samples  integer NOT NULL,
    raw      bytea NOT NULL
);
ALTER TABLE pull_raw ALTER COLUMN raw SET STORAGE EXTERNAL;

-- What the checks at the door said. A doubt counts until it is cleared.
CREATE TABLE finding (
    finding_id bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT finding_pk PRIMARY KEY,
    session_id bigint NOT NULL CONSTRAINT finding_session_known REFERENCES session,
    setup_n    smallint,
    pull_n     smallint,
    code       text NOT NULL,
    level      text NOT NULL CONSTRAINT finding_level_known CHECK (level IN ('doubtful', 'note')),
    message    text NOT NULL,
    pointer    text NOT NULL,
    cleared_at timestamptz,
    cleared_by text,
    cleared_why text
);
CREATE INDEX finding_by_session ON finding (session_id);

-- ------------------------------------------------------------------ derived in the transaction of the post
CREATE TABLE setup_summary (
    setup_id        bigint CONSTRAINT setup_summary_pk PRIMARY KEY
        CONSTRAINT setup_summary_setup_known REFERENCES setup,
    vehicle_id      integer NOT NULL,
    platform_id     integer NOT NULL,
    bay_id          integer NOT NULL,
    n_parts         smallint NOT NULL,
    stock           boolean NOT NULL,
    complete        boolean NOT NULL,
    counts          boolean NOT NULL,
    stock_checked   text,
    pulls           smallint NOT NULL,
    best_of         smallint,
    level_standard  text,
    factor          double precision,
    temperature_c   double precision,
    pressure_kpa    double precision,
    vapour_kpa      double precision,
    power_kw        double precision,
    power_rpm       double precision,
    power_best_kw   double precision,
    torque_nm       double precision,
    torque_rpm      double precision,
    torque_best_nm  double precision,
    coolant_c       double precision,
    oil_c           double precision,
    inlet_c         double precision,
    lambda_mean     double precision,
    map_max_kpa     double precision,
    ramp_rpm_s      double precision,
    spread_ss       double precision NOT NULL,
    spread_df       smallint NOT NULL,
    power_spread    double precision,
    torque_spread   double precision,
    doubts          text[] NOT NULL,
    method          smallint NOT NULL
);
CREATE INDEX setup_summary_stock ON setup_summary (platform_id, vehicle_id)
    INCLUDE (setup_id, power_kw, torque_nm, stock_checked) WHERE stock AND counts;
CREATE INDEX setup_summary_by_bay ON setup_summary (bay_id, setup_id DESC) INCLUDE (spread_ss, spread_df) WHERE counts;

CREATE TABLE setup_curve (
    setup_id  bigint CONSTRAINT setup_curve_pk PRIMARY KEY
        CONSTRAINT setup_curve_setup_known REFERENCES setup,
    first     smallint NOT NULL,
    torque_nm bytea NOT NULL
);

CREATE TABLE pair (
    platform_id   integer NOT NULL,
    part_id       integer NOT NULL CONSTRAINT pair_part_known REFERENCES part,
    against_id    integer NOT NULL,
    vehicle_id    integer NOT NULL CONSTRAINT pair_vehicle_known REFERENCES vehicle,
    setup_with    bigint NOT NULL CONSTRAINT pair_with_known REFERENCES setup,
    setup_without bigint NOT NULL CONSTRAINT pair_without_known REFERENCES setup,
    setup_again   bigint CONSTRAINT pair_again_known REFERENCES setup,
    again_share   double precision,
    again_is_with boolean,
    at            timestamptz NOT NULL,
    same_session  boolean NOT NULL,
    match         smallint NOT NULL,
    held          boolean NOT NULL,
    usable        boolean NOT NULL,
    gap_days      double precision NOT NULL,
    differs       jsonb NOT NULL,
    CONSTRAINT pair_pk PRIMARY KEY (setup_with, setup_without)
);
CREATE INDEX pair_by_question ON pair (platform_id, part_id, against_id, vehicle_id);
CREATE INDEX pair_by_without ON pair (setup_without);
CREATE INDEX pair_by_vehicle ON pair (vehicle_id);

-- Bumped, in key order, by every change that touches an answer: ETag and answer cache rest on it.
-- part_id 0 stands for the platform's stock cars.
CREATE TABLE evidence_version (
    platform_id integer NOT NULL CONSTRAINT evidence_platform_known REFERENCES platform,
    part_id     integer NOT NULL,
    version     bigint NOT NULL,
    CONSTRAINT evidence_version_pk PRIMARY KEY (platform_id, part_id)
);
CREATE INDEX evidence_version_by_part ON evidence_version (part_id) INCLUDE (version);

-- ------------------------------------------------------------------ the ledger's own book-keeping
CREATE TABLE setting (
    setting_id bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT setting_pk PRIMARY KEY,
    name       text NOT NULL,
    bay_id     integer CONSTRAINT setting_bay_known REFERENCES bay,
    value      jsonb NOT NULL,
    changed_at timestamptz NOT NULL DEFAULT now(),
    changed_by text NOT NULL
);
CREATE INDEX setting_newest ON setting (name, bay_id, setting_id DESC);

CREATE TABLE history (
    history_id bigint GENERATED ALWAYS AS IDENTITY CONSTRAINT history_pk PRIMARY KEY,
    at         timestamptz NOT NULL DEFAULT now(),
    who        text NOT NULL,
    about      text NOT NULL,
    action     text NOT NULL,
    before     jsonb,
    after      jsonb,
    reason     text
);
CREATE INDEX history_by_about ON history (about, history_id DESC);

CREATE TABLE kept_answer (
    who          text NOT NULL,
    key          text NOT NULL,
    request_hash bytea NOT NULL,
    status       smallint NOT NULL,
    location     text,
    etag         text,
    body         bytea NOT NULL,
    created_at   timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT kept_answer_pk PRIMARY KEY (who, key)
);
CREATE INDEX kept_answer_by_age ON kept_answer (created_at);

CREATE FUNCTION refuse_rewriting() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only', TG_TABLE_NAME;
END $$;
CREATE TRIGGER history_is_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON history
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_rewriting();
CREATE TRIGGER setting_is_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON setting
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_rewriting();

-- Insert-mostly tables: an index-only scan needs their visibility map fresh.
ALTER TABLE pair SET (autovacuum_vacuum_insert_scale_factor = 0.02);
ALTER TABLE setup_summary SET (autovacuum_vacuum_insert_scale_factor = 0.02);

INSERT INTO slot (ordinal, slug, name) VALUES
    (1, 'air-filter', 'Air filter'),
    (2, 'intake-pipe', 'Airbox or intake pipe'),
    (3, 'air-meter-housing', 'Air meter housing'),
    (4, 'throttle-body', 'Throttle body'),
    (5, 'intake-manifold', 'Intake manifold or plenum'),
    (6, 'cylinder-head', 'Cylinder head'),
    (7, 'camshafts', 'Camshafts and valve gear'),
    (8, 'pistons', 'Pistons and compression'),
    (9, 'exhaust-manifold', 'Exhaust manifold'),
    (10, 'turbocharger', 'Turbocharger or supercharger'),
    (11, 'boost-control', 'Wastegate and boost control'),
    (12, 'charge-cooler', 'Charge cooler'),
    (13, 'charge-pipes', 'Charge pipes'),
    (14, 'down-pipe', 'Down-pipe or front pipe'),
    (15, 'catalyst', 'Catalyst'),
    (16, 'rear-exhaust', 'Rear exhaust'),
    (17, 'ignition', 'Plugs and coils'),
    (18, 'injectors', 'Injectors'),
    (19, 'fuel-pump', 'Fuel pump and lines'),
    (20, 'fuel', 'Fuel'),
    (21, 'water-injection', 'Water or methanol injection'),
    (22, 'nitrous', 'Nitrous oxide'),
    (23, 'calibration', 'Calibration'),
    (24, 'clutch', 'Clutch and flywheel'),
    (25, 'gearbox', 'Gearbox or converter'),
    (26, 'final-drive', 'Final drive'),
    (27, 'driveshafts', 'Driveshafts'),
    (28, 'wheels-tyres', 'Wheels and tyres'),
    (29, 'ancillaries', 'Pulleys, fans, ancillaries'),
    (30, 'lubricants', 'Lubricants'),
    (31, 'service-event', 'Service event');

-- Least rights for the service: it can add to the ledger and mark it, not rewrite its history or its shape.
DO $$
BEGIN
    IF EXISTS (SELECT FROM pg_roles WHERE rolname = 'bayledger_service') THEN
        GRANT USAGE ON SCHEMA public TO bayledger_service;
        GRANT SELECT ON ALL TABLES IN SCHEMA public TO bayledger_service;
        GRANT INSERT ON token, slot, platform, vehicle, part, part_slot, modification, bay, bay_event, session, setup,
            setup_part, pull, pull_raw, finding, setup_summary, setup_curve, pair, evidence_version, setting,
            history, kept_answer TO bayledger_service;
        GRANT UPDATE ON token, platform, vehicle, part, modification, bay, bay_event, session, setup, pull,
            finding, setup_summary, setup_curve, evidence_version, kept_answer TO bayledger_service;
        -- Derived rows and look-up rows may be made anew; measurements may not be deleted.
        GRANT DELETE ON pair, part_slot, setup_part, setup_curve, kept_answer TO bayledger_service;
    END IF;
END $$;
