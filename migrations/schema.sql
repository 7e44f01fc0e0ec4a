CREATE EXTENSION IF NOT EXISTS intarray WITH SCHEMA public;

COMMENT ON EXTENSION intarray IS 'functions, operators, and index support for 1-D arrays of integers';

CREATE EXTENSION IF NOT EXISTS pg_trgm WITH SCHEMA public;

COMMENT ON EXTENSION pg_trgm IS 'text similarity measurement and index searching based on trigrams';

CREATE DOMAIN public.slug AS text
	CONSTRAINT slug_form CHECK ((VALUE ~ '^[a-z0-9][a-z0-9-]{0,63}$'::text));

CREATE FUNCTION public.erase_vehicle(erased integer, neutral text) RETURNS void
    LANGUAGE plpgsql SECURITY DEFINER
    SET search_path TO 'public', 'pg_temp'
    AS $_$
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
END $_$;

CREATE FUNCTION public.refuse_rewriting() RETURNS trigger
    LANGUAGE plpgsql
    AS $$
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

CREATE TABLE public.bay (
    bay_id integer NOT NULL,
    slug public.slug NOT NULL,
    name text NOT NULL,
    kind text NOT NULL,
    rollers text,
    site text,
    altitude_m double precision,
    version integer DEFAULT 1 NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT bay_altitude_plausible CHECK (((altitude_m >= ('-450'::integer)::double precision) AND (altitude_m <= (6000)::double precision))),
    CONSTRAINT bay_kind_known CHECK ((kind = ANY (ARRAY['roller-inertia'::text, 'roller-loaded'::text, 'hub'::text])))
);

ALTER TABLE public.bay ALTER COLUMN bay_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.bay_bay_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.bay_correction (
    correction_id integer NOT NULL,
    bay_id integer NOT NULL,
    starts_at timestamp with time zone NOT NULL,
    ends_at timestamp with time zone NOT NULL,
    factor double precision,
    temperature_k double precision,
    pressure_kpa double precision,
    basis jsonb,
    reason text NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    made_by text NOT NULL,
    undone_at timestamp with time zone,
    undone_by text,
    undone_why text,
    version integer DEFAULT 1 NOT NULL,
    CONSTRAINT bay_correction_ends_after_it_starts CHECK ((ends_at > starts_at)),
    CONSTRAINT bay_correction_factor_positive CHECK ((factor > (0)::double precision))
);

ALTER TABLE public.bay_correction ALTER COLUMN correction_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.bay_correction_correction_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.bay_event (
    bay_event_id integer NOT NULL,
    bay_id integer NOT NULL,
    at timestamp with time zone NOT NULL,
    kind text NOT NULL,
    note text,
    version integer DEFAULT 1 NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT bay_event_kind_known CHECK ((kind = ANY (ARRAY['recalibrated'::text, 'repaired'::text, 'weather-station-replaced'::text, 'other'::text])))
);

ALTER TABLE public.bay_event ALTER COLUMN bay_event_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.bay_event_bay_event_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.car_change (
    change_id bigint NOT NULL,
    xid xid8 DEFAULT pg_current_xact_id() NOT NULL,
    vehicle_id integer
);

ALTER TABLE public.car_change ALTER COLUMN change_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.car_change_change_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.evidence_version (
    platform_id integer NOT NULL,
    part_id integer NOT NULL,
    version bigint NOT NULL
);

CREATE TABLE public.finding (
    finding_id bigint NOT NULL,
    session_id bigint NOT NULL,
    setup_n smallint,
    pull_n smallint,
    code text NOT NULL,
    level text NOT NULL,
    message text NOT NULL,
    pointer text NOT NULL,
    cleared_at timestamp with time zone,
    cleared_by text,
    cleared_why text,
    CONSTRAINT finding_level_known CHECK ((level = ANY (ARRAY['doubtful'::text, 'note'::text])))
);

ALTER TABLE public.finding ALTER COLUMN finding_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.finding_finding_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.history (
    history_id bigint NOT NULL,
    at timestamp with time zone DEFAULT now() NOT NULL,
    who text NOT NULL,
    about text NOT NULL,
    action text NOT NULL,
    before jsonb,
    after jsonb,
    reason text
);

ALTER TABLE public.history ALTER COLUMN history_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.history_history_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.kept_answer (
    who text NOT NULL,
    key text NOT NULL,
    request_hash bytea NOT NULL,
    status smallint NOT NULL,
    location text,
    etag text,
    body bytea NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL
);

CREATE TABLE public.model_fit (
    fit_id bigint NOT NULL,
    as_of timestamp with time zone NOT NULL,
    made_at timestamp with time zone DEFAULT clock_timestamp() NOT NULL,
    measure text NOT NULL,
    standard text NOT NULL,
    method integer NOT NULL,
    cars integer NOT NULL,
    setups integer NOT NULL,
    cluster bigint NOT NULL,
    seen_xid xid8 NOT NULL,
    seen_changes bigint[] NOT NULL,
    packed bytea NOT NULL,
    notes jsonb NOT NULL
);
ALTER TABLE ONLY public.model_fit ALTER COLUMN packed SET STORAGE EXTERNAL;

ALTER TABLE public.model_fit ALTER COLUMN fit_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.model_fit_fit_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.modification (
    modification_id integer NOT NULL,
    vehicle_id integer NOT NULL,
    part_id integer NOT NULL,
    fitted_on date NOT NULL,
    removed_on date,
    price_paid numeric(12,2),
    currency text,
    labour_hours double precision,
    notes text,
    version integer DEFAULT 1 NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL,
    CONSTRAINT modification_currency_form CHECK ((currency ~ '^[A-Z]{3}$'::text)),
    CONSTRAINT modification_labour_not_negative CHECK ((labour_hours >= (0)::double precision)),
    CONSTRAINT modification_price_not_negative CHECK ((price_paid >= (0)::numeric)),
    CONSTRAINT modification_removed_after_fitted CHECK ((removed_on >= fitted_on))
);

ALTER TABLE public.modification ALTER COLUMN modification_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.modification_modification_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.pair (
    platform_id integer NOT NULL,
    part_id integer NOT NULL,
    against_id integer NOT NULL,
    vehicle_id integer NOT NULL,
    setup_with bigint NOT NULL,
    setup_without bigint NOT NULL,
    setup_again bigint,
    again_share double precision,
    again_is_with boolean,
    at timestamp with time zone NOT NULL,
    same_session boolean NOT NULL,
    match smallint NOT NULL,
    held boolean NOT NULL,
    usable boolean NOT NULL,
    gap_days double precision NOT NULL,
    differs jsonb NOT NULL
)
WITH (autovacuum_vacuum_insert_scale_factor='0.02');

CREATE TABLE public.part (
    part_id integer NOT NULL,
    slug public.slug NOT NULL,
    name text NOT NULL,
    variant_of integer,
    price numeric(12,2),
    currency text,
    price_date date,
    labour_hours double precision,
    fitting_notes text,
    approval jsonb,
    version integer DEFAULT 1 NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL,
    merged_into integer,
    CONSTRAINT part_currency_form CHECK ((currency ~ '^[A-Z]{3}$'::text)),
    CONSTRAINT part_labour_not_negative CHECK ((labour_hours >= (0)::double precision)),
    CONSTRAINT part_not_variant_of_itself CHECK ((variant_of <> part_id)),
    CONSTRAINT part_price_not_negative CHECK ((price >= (0)::numeric)),
    CONSTRAINT part_price_with_currency CHECK (((price IS NULL) OR (currency IS NOT NULL)))
);

CREATE TABLE public.part_merge (
    merge_id integer NOT NULL,
    from_id integer NOT NULL,
    into_id integer NOT NULL,
    setups bigint[] NOT NULL,
    modifications integer[] NOT NULL,
    variants integer[] NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    undone_at timestamp with time zone
);

ALTER TABLE public.part_merge ALTER COLUMN merge_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.part_merge_merge_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

ALTER TABLE public.part ALTER COLUMN part_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.part_part_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.part_slot (
    part_id integer NOT NULL,
    slot public.slug NOT NULL
);

CREATE TABLE public.platform (
    platform_id integer NOT NULL,
    slug public.slug NOT NULL,
    name text NOT NULL,
    maker text,
    model text,
    generation text,
    engine text,
    displacement_l double precision,
    aspiration text NOT NULL,
    ignition text NOT NULL,
    transmission text,
    driven_wheels text,
    rated_power_kw double precision,
    rpm_limit double precision,
    version integer DEFAULT 1 NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL,
    charge_cooling text,
    fuel_per_cycle double precision,
    boost_ratio double precision,
    CONSTRAINT platform_aspiration_known CHECK ((aspiration = ANY (ARRAY['natural'::text, 'turbo'::text, 'supercharged'::text]))),
    CONSTRAINT platform_boost_ratio_not_below_one CHECK ((boost_ratio >= (1)::double precision)),
    CONSTRAINT platform_charge_cooling_known CHECK ((charge_cooling = ANY (ARRAY['none'::text, 'air'::text, 'liquid'::text]))),
    CONSTRAINT platform_displacement_positive CHECK ((displacement_l > (0)::double precision)),
    CONSTRAINT platform_fuel_per_cycle_positive CHECK ((fuel_per_cycle > (0)::double precision)),
    CONSTRAINT platform_ignition_known CHECK ((ignition = ANY (ARRAY['spark'::text, 'compression'::text]))),
    CONSTRAINT platform_natural_not_boosted CHECK (((aspiration <> 'natural'::text) OR (boost_ratio = (1)::double precision))),
    CONSTRAINT platform_natural_not_cooled CHECK (((aspiration <> 'natural'::text) OR (charge_cooling = 'none'::text))),
    CONSTRAINT platform_rated_power_positive CHECK ((rated_power_kw > (0)::double precision)),
    CONSTRAINT platform_rpm_limit_positive CHECK ((rpm_limit > (0)::double precision))
);

ALTER TABLE public.platform ALTER COLUMN platform_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.platform_platform_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.pull (
    pull_id bigint NOT NULL,
    setup_id bigint NOT NULL,
    n smallint NOT NULL,
    started_at timestamp with time zone,
    temperature_c double precision,
    pressure_kpa double precision,
    humidity double precision,
    dew_point_c double precision,
    vapour_kpa double precision,
    coolant_c double precision,
    oil_c double precision,
    inlet_c double precision,
    inlet_end_c double precision,
    test text,
    ramp_rpm_s double precision,
    smoothing jsonb,
    source text,
    basis_standard text,
    basis_factor double precision,
    status text NOT NULL,
    reason text,
    best_of smallint,
    power_kw double precision,
    power_rpm double precision,
    torque_nm double precision,
    torque_rpm double precision,
    rpm_from double precision,
    rpm_to double precision,
    factor double precision,
    lambda_mean double precision,
    map_max_kpa double precision,
    struck text,
    correction_id integer,
    posted_power_kw double precision,
    posted_torque_nm double precision,
    CONSTRAINT pull_status_known CHECK ((status = ANY (ARRAY['accepted'::text, 'settling'::text, 'rejected'::text]))),
    CONSTRAINT pull_test_known CHECK ((test = ANY (ARRAY['sweep'::text, 'inertia'::text, 'steps'::text])))
);

ALTER TABLE public.pull ALTER COLUMN pull_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.pull_pull_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.pull_raw (
    pull_id bigint NOT NULL,
    enc smallint NOT NULL,
    channels text[] NOT NULL,
    steps double precision[] NOT NULL,
    samples integer NOT NULL,
    raw bytea NOT NULL
);
ALTER TABLE ONLY public.pull_raw ALTER COLUMN raw SET STORAGE EXTERNAL;

CREATE TABLE public.refit_wish (
    wish_id bigint NOT NULL,
    asked_at timestamp with time zone DEFAULT clock_timestamp() NOT NULL,
    who text NOT NULL
);

ALTER TABLE public.refit_wish ALTER COLUMN wish_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.refit_wish_wish_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.session (
    session_id bigint NOT NULL,
    id uuid NOT NULL,
    vehicle_id integer NOT NULL,
    bay_id integer NOT NULL,
    started_at timestamp with time zone NOT NULL,
    operator text,
    gear smallint,
    ratio double precision,
    tyre_size text,
    tyre_pressure_kpa double precision,
    sequence bigint,
    clock timestamp with time zone,
    content_hash bytea NOT NULL,
    received_at timestamp with time zone DEFAULT now() NOT NULL,
    posted_by text NOT NULL,
    struck text,
    version integer DEFAULT 1 NOT NULL,
    CONSTRAINT session_ratio_positive CHECK ((ratio > (0)::double precision)),
    CONSTRAINT session_tyre_pressure_positive CHECK ((tyre_pressure_kpa > (0)::double precision))
);

ALTER TABLE public.session ALTER COLUMN session_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.session_session_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.setting (
    setting_id bigint NOT NULL,
    name text NOT NULL,
    bay_id integer,
    value jsonb NOT NULL,
    changed_at timestamp with time zone DEFAULT now() NOT NULL,
    changed_by text NOT NULL
);

ALTER TABLE public.setting ALTER COLUMN setting_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.setting_setting_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.setup (
    setup_id bigint NOT NULL,
    session_id bigint NOT NULL,
    n smallint NOT NULL,
    label text,
    part_ids integer[] NOT NULL,
    parts_known text NOT NULL,
    stock_checked text NOT NULL,
    ethanol double precision,
    octane double precision,
    octane_method text,
    spark_advance_deg double precision,
    struck text,
    lambda_probe text,
    CONSTRAINT setup_ethanol_share CHECK (((ethanol >= (0)::double precision) AND (ethanol <= (1)::double precision))),
    CONSTRAINT setup_lambda_probe_known CHECK ((lambda_probe = ANY (ARRAY['before-catalyst'::text, 'after-catalyst'::text, 'tailpipe'::text]))),
    CONSTRAINT setup_parts_known_known CHECK ((parts_known = ANY (ARRAY['complete'::text, 'partial'::text, 'unknown'::text]))),
    CONSTRAINT setup_parts_sorted CHECK ((part_ids = public.uniq(public.sort(part_ids)))),
    CONSTRAINT setup_stock_checked_known CHECK ((stock_checked = ANY (ARRAY['verified'::text, 'declared'::text, 'unknown'::text])))
);

CREATE TABLE public.setup_curve (
    setup_id bigint NOT NULL,
    first smallint NOT NULL,
    torque_nm bytea NOT NULL,
    channels text[] DEFAULT '{}'::text[] NOT NULL,
    channel_values bytea DEFAULT '\x'::bytea NOT NULL
);

CREATE TABLE public.setup_part (
    setup_id bigint NOT NULL,
    part_id integer NOT NULL,
    slot public.slug
);

ALTER TABLE public.setup ALTER COLUMN setup_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.setup_setup_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.setup_summary (
    setup_id bigint NOT NULL,
    vehicle_id integer NOT NULL,
    platform_id integer NOT NULL,
    bay_id integer NOT NULL,
    n_parts smallint NOT NULL,
    stock boolean NOT NULL,
    complete boolean NOT NULL,
    counts boolean NOT NULL,
    stock_checked text,
    pulls smallint NOT NULL,
    best_of smallint,
    level_standard text,
    factor double precision,
    temperature_c double precision,
    pressure_kpa double precision,
    vapour_kpa double precision,
    power_kw double precision,
    power_rpm double precision,
    power_best_kw double precision,
    torque_nm double precision,
    torque_rpm double precision,
    torque_best_nm double precision,
    coolant_c double precision,
    oil_c double precision,
    inlet_c double precision,
    lambda_mean double precision,
    map_max_kpa double precision,
    ramp_rpm_s double precision,
    spread_ss double precision NOT NULL,
    spread_df smallint NOT NULL,
    power_spread double precision,
    torque_spread double precision,
    doubts text[] NOT NULL,
    method smallint NOT NULL,
    speed_ratio double precision,
    power_slope double precision,
    best_of_recorded boolean
)
WITH (autovacuum_vacuum_insert_scale_factor='0.02');

CREATE TABLE public.slot (
    slug public.slug NOT NULL,
    name text NOT NULL,
    ordinal integer NOT NULL
);

CREATE TABLE public.token (
    token_id integer NOT NULL,
    name text NOT NULL,
    scope text NOT NULL,
    bay_id integer,
    secret_hash bytea NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL,
    expires_at timestamp with time zone,
    revoked_at timestamp with time zone,
    CONSTRAINT token_scope_known CHECK ((scope = ANY (ARRAY['post'::text, 'read'::text, 'admin'::text])))
);

ALTER TABLE public.token ALTER COLUMN token_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.token_token_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

CREATE TABLE public.vehicle (
    vehicle_id integer NOT NULL,
    tag public.slug NOT NULL,
    platform_id integer NOT NULL,
    model_year integer,
    odometer_km double precision,
    vin_hash bytea,
    check_car boolean DEFAULT false NOT NULL,
    version integer DEFAULT 1 NOT NULL,
    created_at timestamp with time zone DEFAULT now() NOT NULL,
    merged_into integer,
    erased_at timestamp with time zone,
    CONSTRAINT vehicle_model_year_plausible CHECK (((model_year >= 1885) AND (model_year <= 2200))),
    CONSTRAINT vehicle_odometer_not_negative CHECK ((odometer_km >= (0)::double precision))
);

CREATE TABLE public.vehicle_merge (
    merge_id integer NOT NULL,
    from_id integer NOT NULL,
    into_id integer NOT NULL,
    sessions bigint[] NOT NULL,
    modifications integer[] NOT NULL,
    made_at timestamp with time zone DEFAULT now() NOT NULL,
    undone_at timestamp with time zone
);

ALTER TABLE public.vehicle_merge ALTER COLUMN merge_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.vehicle_merge_merge_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

ALTER TABLE public.vehicle ALTER COLUMN vehicle_id ADD GENERATED ALWAYS AS IDENTITY (
    SEQUENCE NAME public.vehicle_vehicle_id_seq
    START WITH 1
    INCREMENT BY 1
    NO MINVALUE
    NO MAXVALUE
    CACHE 1
);

ALTER TABLE ONLY public.bay_correction
    ADD CONSTRAINT bay_correction_pk PRIMARY KEY (correction_id);

ALTER TABLE ONLY public.bay_event
    ADD CONSTRAINT bay_event_pk PRIMARY KEY (bay_event_id);

ALTER TABLE ONLY public.bay
    ADD CONSTRAINT bay_pk PRIMARY KEY (bay_id);

ALTER TABLE ONLY public.bay
    ADD CONSTRAINT bay_slug_once UNIQUE (slug);

ALTER TABLE ONLY public.car_change
    ADD CONSTRAINT car_change_pk PRIMARY KEY (xid, change_id);

ALTER TABLE ONLY public.evidence_version
    ADD CONSTRAINT evidence_version_pk PRIMARY KEY (platform_id, part_id);

ALTER TABLE ONLY public.finding
    ADD CONSTRAINT finding_pk PRIMARY KEY (finding_id);

ALTER TABLE ONLY public.history
    ADD CONSTRAINT history_pk PRIMARY KEY (history_id);

ALTER TABLE ONLY public.kept_answer
    ADD CONSTRAINT kept_answer_pk PRIMARY KEY (who, key);

ALTER TABLE ONLY public.model_fit
    ADD CONSTRAINT model_fit_pk PRIMARY KEY (fit_id);

ALTER TABLE ONLY public.modification
    ADD CONSTRAINT modification_pk PRIMARY KEY (modification_id);

ALTER TABLE ONLY public.pair
    ADD CONSTRAINT pair_pk PRIMARY KEY (setup_with, setup_without);

ALTER TABLE ONLY public.part_merge
    ADD CONSTRAINT part_merge_pk PRIMARY KEY (merge_id);

ALTER TABLE ONLY public.part
    ADD CONSTRAINT part_pk PRIMARY KEY (part_id);

ALTER TABLE ONLY public.part_slot
    ADD CONSTRAINT part_slot_pk PRIMARY KEY (part_id, slot);

ALTER TABLE ONLY public.part
    ADD CONSTRAINT part_slug_once UNIQUE (slug);

ALTER TABLE ONLY public.platform
    ADD CONSTRAINT platform_pk PRIMARY KEY (platform_id);

ALTER TABLE ONLY public.platform
    ADD CONSTRAINT platform_slug_once UNIQUE (slug);

ALTER TABLE ONLY public.pull
    ADD CONSTRAINT pull_once UNIQUE (setup_id, n);

ALTER TABLE ONLY public.pull
    ADD CONSTRAINT pull_pk PRIMARY KEY (pull_id);

ALTER TABLE ONLY public.pull_raw
    ADD CONSTRAINT pull_raw_pk PRIMARY KEY (pull_id);

ALTER TABLE ONLY public.refit_wish
    ADD CONSTRAINT refit_wish_pk PRIMARY KEY (wish_id);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_content_once UNIQUE (bay_id, content_hash);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_id_once UNIQUE (id);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_pk PRIMARY KEY (session_id);

ALTER TABLE ONLY public.setting
    ADD CONSTRAINT setting_pk PRIMARY KEY (setting_id);

ALTER TABLE ONLY public.setup_curve
    ADD CONSTRAINT setup_curve_pk PRIMARY KEY (setup_id);

ALTER TABLE ONLY public.setup
    ADD CONSTRAINT setup_once UNIQUE (session_id, n);

ALTER TABLE ONLY public.setup_part
    ADD CONSTRAINT setup_part_pk PRIMARY KEY (setup_id, part_id);

ALTER TABLE ONLY public.setup
    ADD CONSTRAINT setup_pk PRIMARY KEY (setup_id);

ALTER TABLE ONLY public.setup_summary
    ADD CONSTRAINT setup_summary_pk PRIMARY KEY (setup_id);

ALTER TABLE ONLY public.slot
    ADD CONSTRAINT slot_pk PRIMARY KEY (slug);

ALTER TABLE ONLY public.token
    ADD CONSTRAINT token_pk PRIMARY KEY (token_id);

ALTER TABLE public.token
    ADD CONSTRAINT token_posts_for_its_bay CHECK (((scope = 'post'::text) = (bay_id IS NOT NULL))) NOT VALID;

ALTER TABLE ONLY public.token
    ADD CONSTRAINT token_secret_once UNIQUE (secret_hash);

ALTER TABLE ONLY public.vehicle_merge
    ADD CONSTRAINT vehicle_merge_pk PRIMARY KEY (merge_id);

ALTER TABLE ONLY public.vehicle
    ADD CONSTRAINT vehicle_pk PRIMARY KEY (vehicle_id);

ALTER TABLE ONLY public.vehicle
    ADD CONSTRAINT vehicle_tag_once UNIQUE (tag);

ALTER TABLE ONLY public.vehicle
    ADD CONSTRAINT vehicle_vin_once UNIQUE (vin_hash);

CREATE INDEX bay_correction_by_bay ON public.bay_correction USING btree (bay_id, starts_at, correction_id);

CREATE INDEX bay_event_by_bay ON public.bay_event USING btree (bay_id, at, bay_event_id);

CREATE INDEX evidence_version_by_part ON public.evidence_version USING btree (part_id) INCLUDE (version);

CREATE INDEX finding_by_session ON public.finding USING btree (session_id);

CREATE INDEX history_by_about ON public.history USING btree (about, history_id DESC);

CREATE INDEX kept_answer_by_age ON public.kept_answer USING btree (created_at);

CREATE INDEX model_fit_newest ON public.model_fit USING btree (measure, standard, method, fit_id DESC);

CREATE INDEX modification_by_vehicle ON public.modification USING btree (vehicle_id, fitted_on, modification_id);

CREATE INDEX pair_by_question ON public.pair USING btree (platform_id, part_id, against_id, vehicle_id);

CREATE INDEX pair_by_vehicle ON public.pair USING btree (vehicle_id);

CREATE INDEX pair_by_without ON public.pair USING btree (setup_without);

CREATE UNIQUE INDEX part_merge_in_force ON public.part_merge USING btree (from_id) WHERE (undone_at IS NULL);

CREATE INDEX part_merged ON public.part USING btree (merged_into) WHERE (merged_into IS NOT NULL);

CREATE INDEX pull_corrected ON public.pull USING btree (correction_id) WHERE (correction_id IS NOT NULL);

CREATE INDEX session_by_bay ON public.session USING btree (bay_id, started_at DESC, session_id DESC);

CREATE INDEX session_by_bay_as_kept ON public.session USING btree (bay_id, session_id);

CREATE INDEX session_by_time ON public.session USING btree (started_at DESC, session_id DESC);

CREATE INDEX session_by_vehicle ON public.session USING btree (vehicle_id, started_at DESC, session_id DESC);

CREATE INDEX setting_newest ON public.setting USING btree (name, bay_id, setting_id DESC);

CREATE INDEX setup_part_by_part ON public.setup_part USING btree (part_id);

CREATE INDEX setup_summary_by_bay ON public.setup_summary USING btree (bay_id, setup_id DESC) INCLUDE (spread_ss, spread_df) WHERE (counts AND (NOT (doubts @> '{pulls-disagree}'::text[])));

CREATE INDEX setup_summary_stock ON public.setup_summary USING btree (platform_id, vehicle_id) INCLUDE (setup_id, power_kw, torque_nm, stock_checked) WHERE (stock AND counts);

CREATE INDEX setup_summary_stock_at_level ON public.setup_summary USING btree (platform_id, setup_id DESC) INCLUDE (power_kw) WHERE (stock AND counts AND (level_standard = 'any'::text));

CREATE INDEX setup_summary_stock_newest ON public.setup_summary USING btree (platform_id, setup_id DESC) WHERE (stock AND counts);

CREATE INDEX setup_summary_stock_of_bay ON public.setup_summary USING btree (bay_id, setup_id DESC) WHERE (stock AND counts AND (level_standard = 'any'::text));

CREATE INDEX vehicle_by_platform ON public.vehicle USING btree (platform_id, vehicle_id);

CREATE UNIQUE INDEX vehicle_merge_in_force ON public.vehicle_merge USING btree (from_id) WHERE (undone_at IS NULL);

CREATE INDEX vehicle_merged ON public.vehicle USING btree (merged_into) WHERE (merged_into IS NOT NULL);

CREATE INDEX vehicle_tag_near ON public.vehicle USING gin (((tag)::text) public.gin_trgm_ops);

CREATE TRIGGER history_is_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.history FOR EACH STATEMENT EXECUTE FUNCTION public.refuse_rewriting();

CREATE TRIGGER setting_is_append_only BEFORE DELETE OR UPDATE OR TRUNCATE ON public.setting FOR EACH STATEMENT EXECUTE FUNCTION public.refuse_rewriting();

ALTER TABLE ONLY public.bay_correction
    ADD CONSTRAINT bay_correction_bay_known FOREIGN KEY (bay_id) REFERENCES public.bay(bay_id);

ALTER TABLE ONLY public.bay_event
    ADD CONSTRAINT bay_event_bay_known FOREIGN KEY (bay_id) REFERENCES public.bay(bay_id);

ALTER TABLE ONLY public.evidence_version
    ADD CONSTRAINT evidence_platform_known FOREIGN KEY (platform_id) REFERENCES public.platform(platform_id);

ALTER TABLE ONLY public.finding
    ADD CONSTRAINT finding_session_known FOREIGN KEY (session_id) REFERENCES public.session(session_id);

ALTER TABLE ONLY public.modification
    ADD CONSTRAINT modification_part_known FOREIGN KEY (part_id) REFERENCES public.part(part_id);

ALTER TABLE ONLY public.modification
    ADD CONSTRAINT modification_vehicle_known FOREIGN KEY (vehicle_id) REFERENCES public.vehicle(vehicle_id);

ALTER TABLE ONLY public.pair
    ADD CONSTRAINT pair_again_known FOREIGN KEY (setup_again) REFERENCES public.setup(setup_id);

ALTER TABLE ONLY public.pair
    ADD CONSTRAINT pair_part_known FOREIGN KEY (part_id) REFERENCES public.part(part_id);

ALTER TABLE ONLY public.pair
    ADD CONSTRAINT pair_vehicle_known FOREIGN KEY (vehicle_id) REFERENCES public.vehicle(vehicle_id);

ALTER TABLE ONLY public.pair
    ADD CONSTRAINT pair_with_known FOREIGN KEY (setup_with) REFERENCES public.setup(setup_id);

ALTER TABLE ONLY public.pair
    ADD CONSTRAINT pair_without_known FOREIGN KEY (setup_without) REFERENCES public.setup(setup_id);

ALTER TABLE ONLY public.part_merge
    ADD CONSTRAINT part_merge_from_known FOREIGN KEY (from_id) REFERENCES public.part(part_id);

ALTER TABLE ONLY public.part_merge
    ADD CONSTRAINT part_merge_into_known FOREIGN KEY (into_id) REFERENCES public.part(part_id);

ALTER TABLE ONLY public.part
    ADD CONSTRAINT part_merged_into_known FOREIGN KEY (merged_into) REFERENCES public.part(part_id) NOT VALID;

ALTER TABLE ONLY public.part_slot
    ADD CONSTRAINT part_slot_part_known FOREIGN KEY (part_id) REFERENCES public.part(part_id);

ALTER TABLE ONLY public.part_slot
    ADD CONSTRAINT part_slot_slot_known FOREIGN KEY (slot) REFERENCES public.slot(slug);

ALTER TABLE ONLY public.part
    ADD CONSTRAINT part_variant_of_known FOREIGN KEY (variant_of) REFERENCES public.part(part_id);

ALTER TABLE ONLY public.pull
    ADD CONSTRAINT pull_correction_known FOREIGN KEY (correction_id) REFERENCES public.bay_correction(correction_id) NOT VALID;

ALTER TABLE ONLY public.pull_raw
    ADD CONSTRAINT pull_raw_pull_known FOREIGN KEY (pull_id) REFERENCES public.pull(pull_id);

ALTER TABLE ONLY public.pull
    ADD CONSTRAINT pull_setup_known FOREIGN KEY (setup_id) REFERENCES public.setup(setup_id);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_bay_known FOREIGN KEY (bay_id) REFERENCES public.bay(bay_id);

ALTER TABLE ONLY public.session
    ADD CONSTRAINT session_vehicle_known FOREIGN KEY (vehicle_id) REFERENCES public.vehicle(vehicle_id);

ALTER TABLE ONLY public.setting
    ADD CONSTRAINT setting_bay_known FOREIGN KEY (bay_id) REFERENCES public.bay(bay_id);

ALTER TABLE ONLY public.setup_curve
    ADD CONSTRAINT setup_curve_setup_known FOREIGN KEY (setup_id) REFERENCES public.setup(setup_id);

ALTER TABLE ONLY public.setup_part
    ADD CONSTRAINT setup_part_part_known FOREIGN KEY (part_id) REFERENCES public.part(part_id);

ALTER TABLE ONLY public.setup_part
    ADD CONSTRAINT setup_part_setup_known FOREIGN KEY (setup_id) REFERENCES public.setup(setup_id);

ALTER TABLE ONLY public.setup_part
    ADD CONSTRAINT setup_part_slot_known FOREIGN KEY (slot) REFERENCES public.slot(slug);

ALTER TABLE ONLY public.setup
    ADD CONSTRAINT setup_session_known FOREIGN KEY (session_id) REFERENCES public.session(session_id);

ALTER TABLE ONLY public.setup_summary
    ADD CONSTRAINT setup_summary_setup_known FOREIGN KEY (setup_id) REFERENCES public.setup(setup_id);

ALTER TABLE ONLY public.token
    ADD CONSTRAINT token_bay_known FOREIGN KEY (bay_id) REFERENCES public.bay(bay_id);

ALTER TABLE ONLY public.vehicle_merge
    ADD CONSTRAINT vehicle_merge_from_known FOREIGN KEY (from_id) REFERENCES public.vehicle(vehicle_id);

ALTER TABLE ONLY public.vehicle_merge
    ADD CONSTRAINT vehicle_merge_into_known FOREIGN KEY (into_id) REFERENCES public.vehicle(vehicle_id);

ALTER TABLE ONLY public.vehicle
    ADD CONSTRAINT vehicle_merged_into_known FOREIGN KEY (merged_into) REFERENCES public.vehicle(vehicle_id) NOT VALID;

ALTER TABLE ONLY public.vehicle
    ADD CONSTRAINT vehicle_platform_known FOREIGN KEY (platform_id) REFERENCES public.platform(platform_id);

GRANT USAGE ON SCHEMA public TO bayledger_service;

REVOKE ALL ON FUNCTION public.erase_vehicle(erased integer, neutral text) FROM PUBLIC;
GRANT ALL ON FUNCTION public.erase_vehicle(erased integer, neutral text) TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.bay TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.bay_correction TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.bay_event TO bayledger_service;

GRANT SELECT,INSERT,DELETE ON TABLE public.car_change TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.evidence_version TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.finding TO bayledger_service;

GRANT SELECT,INSERT ON TABLE public.history TO bayledger_service;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.kept_answer TO bayledger_service;

GRANT SELECT,INSERT,DELETE ON TABLE public.model_fit TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.modification TO bayledger_service;

GRANT SELECT,INSERT,DELETE ON TABLE public.pair TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.part TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.part_merge TO bayledger_service;

GRANT SELECT,INSERT,DELETE ON TABLE public.part_slot TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.platform TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.pull TO bayledger_service;

GRANT SELECT,INSERT ON TABLE public.pull_raw TO bayledger_service;

GRANT SELECT,INSERT,DELETE ON TABLE public.refit_wish TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.session TO bayledger_service;

GRANT SELECT,INSERT ON TABLE public.setting TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.setup TO bayledger_service;

GRANT SELECT,INSERT,DELETE,UPDATE ON TABLE public.setup_curve TO bayledger_service;

GRANT SELECT,INSERT,DELETE ON TABLE public.setup_part TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.setup_summary TO bayledger_service;

GRANT SELECT,INSERT ON TABLE public.slot TO bayledger_service;

GRANT SELECT ON TABLE public.token TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.vehicle TO bayledger_service;

GRANT SELECT,INSERT,UPDATE ON TABLE public.vehicle_merge TO bayledger_service;
