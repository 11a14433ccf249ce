-- Views: disposable tables folded from the ledger. `fill-ledger rebuild` makes them anew beside and swaps.
-- Every table leads with department_id. `views.state` holds the state the judgement reads, one row a subject; the other
-- tables hold what lists are filtered and sorted by.

SET LOCAL ROLE fill_ledger_owner;

CREATE TABLE views.state (
    department_id uuid NOT NULL,
    subject_kind text NOT NULL,
    subject_id uuid NOT NULL,
    ledger_position bigint NOT NULL,  -- of the newest event that changed it: the version writers compare
    state json NOT NULL,
    PRIMARY KEY (department_id, subject_kind, subject_id)
) WITH (fillfactor = 70);

-- Tag, stamped serial or inventory number -> department and cylinder. Small; fit for a replicated reference table.
CREATE TABLE views.directory (
    department_id uuid NOT NULL,
    entry_kind text NOT NULL,
    subject_id uuid NOT NULL,
    value text,  -- null where what made the entry was taken back
    cylinder_id uuid,
    PRIMARY KEY (department_id, entry_kind, subject_id)
);
CREATE INDEX directory_by_value ON views.directory (entry_kind, value);

CREATE TABLE views.department (
    department_id uuid NOT NULL,  -- the county ledger
    registered_id uuid NOT NULL,
    name text,
    code text,
    time_zone text,
    registered_at timestamptz,
    PRIMARY KEY (department_id, registered_id)
);
CREATE INDEX department_by_code ON views.department (department_id, code);

CREATE TABLE views.principal (
    department_id uuid NOT NULL,  -- the county ledger
    principal_id uuid NOT NULL,
    role text,
    label text,
    department_ids uuid[],  -- null: every department
    station_id uuid,
    registered_at timestamptz,
    deactivated_at timestamptz,
    PRIMARY KEY (department_id, principal_id)
);

CREATE TABLE views.access_key (
    department_id uuid NOT NULL,  -- the county ledger
    key_id uuid NOT NULL,
    principal_id uuid NOT NULL,
    key_digest bytea NOT NULL,
    issued_at timestamptz NOT NULL,
    ends_at timestamptz,
    revoked_at timestamptz,
    scopes text[],
    role text,
    department_ids uuid[],
    station_id uuid,
    principal_deactivated_at timestamptz,
    PRIMARY KEY (department_id, key_id)
);
CREATE UNIQUE INDEX access_key_by_digest ON views.access_key (key_digest);

CREATE TABLE views.station (
    department_id uuid NOT NULL,
    station_id uuid NOT NULL,
    name text,
    code text,
    station_kind text,
    time_zone text,
    registered_at timestamptz,
    closed_since timestamptz,
    PRIMARY KEY (department_id, station_id)
);
CREATE INDEX station_by_code ON views.station (department_id, code, station_id);
CREATE INDEX station_by_id ON views.station (station_id);  -- the question is asked by station, whatever its department

CREATE TABLE views.air_source (
    department_id uuid NOT NULL,
    air_source_id uuid NOT NULL,
    station_id uuid,
    air_source_kind text,
    label text,
    registered_at timestamptz,
    out_of_service_since timestamptz,
    last_sample_on date,
    last_sample_verdict text,
    PRIMARY KEY (department_id, air_source_id)
);
CREATE INDEX air_source_by_station ON views.air_source (department_id, station_id, air_source_id);

CREATE TABLE views.air_sample (
    department_id uuid NOT NULL,
    event_id uuid NOT NULL,
    sample_id uuid NOT NULL,
    air_source_id uuid NOT NULL,
    taken_on date NOT NULL,
    verdict text NOT NULL,
    standard text NOT NULL,
    reported_at timestamptz NOT NULL,
    retracted boolean NOT NULL,
    PRIMARY KEY (department_id, event_id)
);
CREATE INDEX air_sample_by_day ON views.air_sample (department_id, taken_on, event_id);
CREATE INDEX air_sample_by_source ON views.air_sample (department_id, air_source_id, taken_on, event_id);

CREATE TABLE views.cylinder (
    department_id uuid NOT NULL,
    cylinder_id uuid NOT NULL,
    inventory_number text,
    serial text,
    serial_key text,
    specification text,
    service_pressure_psi integer,
    "use" text,
    manufactured text,
    maker_lot text,
    home_station_id uuid,
    last_requalified text,
    last_outcome text,
    standing text NOT NULL,
    holds_open integer NOT NULL,
    registered_at timestamptz,
    fills_total bigint NOT NULL,
    last_filled_at timestamptz,
    PRIMARY KEY (department_id, cylinder_id)
) WITH (fillfactor = 85);
CREATE UNIQUE INDEX cylinder_by_number ON views.cylinder (department_id, inventory_number);
CREATE INDEX cylinder_by_serial ON views.cylinder (department_id, serial_key);
CREATE INDEX cylinder_by_standing ON views.cylinder (department_id, standing, cylinder_id);
CREATE INDEX cylinder_by_station ON views.cylinder (department_id, home_station_id, cylinder_id);
CREATE INDEX cylinder_by_requalification ON views.cylinder (department_id, last_requalified, cylinder_id);
CREATE INDEX cylinder_on_hold ON views.cylinder (department_id, cylinder_id) WHERE holds_open > 0;
CREATE INDEX cylinder_by_specification ON views.cylinder (department_id, specification, maker_lot, cylinder_id);

CREATE TABLE views.tag (
    department_id uuid NOT NULL,
    tag_id uuid NOT NULL,
    tag text,
    cylinder_id uuid,
    paired_at timestamptz,
    PRIMARY KEY (department_id, tag_id)
);
CREATE INDEX tag_by_cylinder ON views.tag (department_id, cylinder_id, tag_id);

CREATE TABLE views.member (
    department_id uuid NOT NULL,
    member_id uuid NOT NULL,
    enrolled_at timestamptz,
    standing text NOT NULL,
    authorised_kinds text[],
    authorised_through date,
    PRIMARY KEY (department_id, member_id)
);
CREATE INDEX member_by_standing ON views.member (department_id, standing, member_id);

CREATE TABLE views.fill (
    department_id uuid NOT NULL,
    event_id uuid NOT NULL,
    event_type text NOT NULL,
    filled_at timestamptz NOT NULL,
    station_id uuid,
    cylinder_id uuid,
    owner_department_id uuid,
    attributed_by text,  -- 'id', 'tag', or null while nobody knows which cylinder it was
    tag text,
    member_id uuid,
    fill_position_id uuid,
    air_source_ids uuid[] NOT NULL,
    mode text,
    start_psi integer,
    end_psi integer,
    gas_temperature_f integer,
    duration_s integer,
    overridden boolean NOT NULL,
    decision text,
    code text,
    fill_limit_psi integer,
    rules_version text,
    retracted boolean NOT NULL,
    PRIMARY KEY (department_id, event_id)
);
CREATE INDEX fill_by_time ON views.fill (department_id, filled_at, event_id);
CREATE INDEX fill_by_station ON views.fill (department_id, station_id, filled_at, event_id);
CREATE INDEX fill_by_cylinder ON views.fill (department_id, cylinder_id, filled_at, event_id);
CREATE INDEX fill_by_member ON views.fill (department_id, member_id, filled_at, event_id);
CREATE INDEX fill_by_tag ON views.fill (department_id, tag, filled_at, event_id) WHERE tag IS NOT NULL;

CREATE TABLE views.attempt (
    department_id uuid NOT NULL,
    event_id uuid NOT NULL,
    event_type text NOT NULL,
    attempted_at timestamptz NOT NULL,
    station_id uuid,
    cylinder_id uuid,
    tag text,
    member_id uuid,
    code text,
    attempt_id uuid,
    retracted boolean NOT NULL,
    PRIMARY KEY (department_id, event_id)
);
CREATE INDEX attempt_by_time ON views.attempt (department_id, attempted_at, event_id);
CREATE INDEX attempt_by_station ON views.attempt (department_id, station_id, attempted_at, event_id);

CREATE TABLE views.finding (
    department_id uuid NOT NULL,
    finding_id uuid NOT NULL,  -- derived from event and code, so that a review survives a new judgement
    event_id uuid NOT NULL,
    code text NOT NULL,
    severity text NOT NULL,
    found_at timestamptz NOT NULL,
    station_id uuid,
    cylinder_id uuid,
    member_id uuid,
    text text NOT NULL,
    standing text NOT NULL,  -- 'open' or 'cleared'
    rules_version text,
    PRIMARY KEY (department_id, finding_id)
);
CREATE INDEX finding_by_time ON views.finding (department_id, found_at, finding_id);
CREATE INDEX finding_by_code ON views.finding (department_id, code, found_at, finding_id);
CREATE INDEX finding_by_cylinder ON views.finding (department_id, cylinder_id, found_at, finding_id);
CREATE INDEX finding_by_standing ON views.finding (department_id, standing, found_at, finding_id);

-- Operation, not record: failed attempts to identify a member, counted for all processes together.
CREATE TABLE access.credential_attempt (
    department_id uuid NOT NULL,
    subject_digest bytea NOT NULL,
    failures integer NOT NULL,  -- in a row, since the last success
    last_failure_at timestamptz NOT NULL,
    locked_until timestamptz,
    PRIMARY KEY (department_id, subject_digest)
);

DO $$
DECLARE
    target record;
BEGIN
    FOR target IN
        SELECT schemaname, tablename FROM pg_tables WHERE schemaname IN ('views', 'access')
    LOOP
        EXECUTE format('ALTER TABLE %I.%I ENABLE ROW LEVEL SECURITY', target.schemaname, target.tablename);
        EXECUTE format('ALTER TABLE %I.%I FORCE ROW LEVEL SECURITY', target.schemaname, target.tablename);
        EXECUTE format(
            'CREATE POLICY own_departments ON %I.%I FOR ALL TO fill_ledger_service
             USING (department_id = ANY ((SELECT lookup.visible_departments())::uuid[]))
             WITH CHECK (department_id = ANY ((SELECT lookup.visible_departments())::uuid[]))',
            target.schemaname, target.tablename);
        EXECUTE format('CREATE POLICY owner_all ON %I.%I FOR ALL TO fill_ledger_owner USING (true) WITH CHECK (true)',
            target.schemaname, target.tablename);
        EXECUTE format('GRANT SELECT, INSERT, UPDATE ON %I.%I TO fill_ledger_service',
            target.schemaname, target.tablename);
    END LOOP;
    FOR target IN
        SELECT schemaname, tablename FROM pg_tables
        WHERE schemaname = 'views'
          AND tablename IN ('state', 'directory', 'access_key', 'station', 'air_source', 'department', 'cylinder')
    LOOP
        EXECUTE format('CREATE POLICY lookup_reads ON views.%I FOR SELECT TO fill_ledger_lookup USING (true)',
            target.tablename);
        EXECUTE format('GRANT SELECT ON views.%I TO fill_ledger_lookup', target.tablename);
    END LOOP;
END
$$;
GRANT DELETE ON access.credential_attempt TO fill_ledger_service;

RESET ROLE;
