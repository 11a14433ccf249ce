-- The ledger: append-only events per department, with a gapless position and a digest chain.
--
-- Roles. Nobody logs in as the first two.
--   fill_ledger_owner    owns all objects; used by migrations and rebuilds only.
--   fill_ledger_lookup   owns the few functions that must see across departments; may only read.
--   fill_ledger_service  what the service runs as: neither owner nor superuser, row-level security holds for it.

DO $$
DECLARE
    role_name text;
BEGIN
    FOREACH role_name IN ARRAY ARRAY['fill_ledger_owner', 'fill_ledger_lookup', 'fill_ledger_service'] LOOP
        BEGIN
            EXECUTE format('CREATE ROLE %I NOLOGIN NOSUPERUSER NOBYPASSRLS', role_name);
        EXCEPTION WHEN duplicate_object OR unique_violation THEN
            NULL;  -- another database of this server has made it
        END;
    END LOOP;
    -- The one who migrates must be able to act as the owner; a superuser can anyway.
    IF NOT (SELECT rolsuper FROM pg_roles WHERE rolname = current_user) THEN
        EXECUTE format('GRANT fill_ledger_owner, fill_ledger_lookup, fill_ledger_service TO %I', current_user);
    END IF;
END
$$;

CREATE SCHEMA ledger AUTHORIZATION fill_ledger_owner;
CREATE SCHEMA lane AUTHORIZATION fill_ledger_owner;
CREATE SCHEMA lookup AUTHORIZATION fill_ledger_owner;
CREATE SCHEMA views AUTHORIZATION fill_ledger_owner;
CREATE SCHEMA access AUTHORIZATION fill_ledger_owner;
GRANT USAGE ON SCHEMA ledger, lane, lookup, views, access TO fill_ledger_service, fill_ledger_lookup;

SET LOCAL ROLE fill_ledger_owner;

-- One row a department: the writer lane. Whoever appends locks it, late and briefly.
CREATE TABLE ledger.head (
    department_id uuid PRIMARY KEY,
    ledger_position bigint NOT NULL,
    recorded_at timestamptz NOT NULL,
    chain_digest bytea NOT NULL CHECK (octet_length(chain_digest) = 32)
);

CREATE TABLE ledger.event (
    department_id uuid NOT NULL,
    ledger_position bigint NOT NULL CHECK (ledger_position > 0),
    event_id uuid NOT NULL,
    event_type text NOT NULL,
    type_version smallint NOT NULL,
    occurred_at timestamptz NOT NULL,
    effective_at timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL CHECK (recorded_at >= effective_at),
    stream_id uuid,
    stream_number bigint,
    canonical bytea NOT NULL,
    payload_digest bytea NOT NULL CHECK (octet_length(payload_digest) = 32),
    chain_digest bytea NOT NULL CHECK (octet_length(chain_digest) = 32),
    PRIMARY KEY (department_id, ledger_position),
    UNIQUE (department_id, event_id)
);
CREATE INDEX event_by_stream ON ledger.event (department_id, stream_id, stream_number) WHERE stream_id IS NOT NULL;
CREATE INDEX event_by_type ON ledger.event (department_id, event_type, ledger_position);

-- Which events bear on which subject, in the order of the folds. `folds` is false where it is only mentioned.
CREATE TABLE ledger.event_subject (
    department_id uuid NOT NULL,
    subject_kind text NOT NULL,
    subject_id uuid NOT NULL,
    effective_at timestamptz NOT NULL,
    event_id uuid NOT NULL,
    ledger_position bigint NOT NULL,
    folds boolean NOT NULL,
    PRIMARY KEY (department_id, subject_kind, subject_id, effective_at, event_id)
);

-- Encrypted text beside the ledger: events carry only its digest. Erasing a key makes its records unreadable.
CREATE TABLE ledger.sealed_key (
    department_id uuid NOT NULL,
    key_id uuid NOT NULL,
    wrapped bytea,
    master_key_id text NOT NULL,
    erased_at timestamptz,
    PRIMARY KEY (department_id, key_id),
    CHECK ((wrapped IS NULL) = (erased_at IS NOT NULL))
);
CREATE TABLE ledger.sealed_record (
    department_id uuid NOT NULL,
    record_id uuid NOT NULL,
    key_id uuid NOT NULL,
    digest bytea NOT NULL CHECK (octet_length(digest) = 32),
    sealed bytea,
    lookup_digest bytea,
    erased_at timestamptz,
    PRIMARY KEY (department_id, record_id)
);
CREATE INDEX sealed_record_by_lookup ON ledger.sealed_record (department_id, lookup_digest)
    WHERE lookup_digest IS NOT NULL;

-- What another department's ledger must be told. Delivered by a worker, once, into their own lane.
CREATE TABLE ledger.outbox (
    department_id uuid NOT NULL,
    source_event_id uuid NOT NULL,
    purpose text NOT NULL,
    to_department_id uuid NOT NULL,
    delivered_at timestamptz,
    PRIMARY KEY (department_id, source_event_id, purpose, to_department_id)
);
CREATE INDEX outbox_waiting ON ledger.outbox (department_id, source_event_id) WHERE delivered_at IS NULL;

CREATE FUNCTION ledger.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the ledger is append-only: % on %.% is refused', TG_OP, TG_TABLE_SCHEMA, TG_TABLE_NAME
        USING ERRCODE = 'FL003';
END
$$;
CREATE TRIGGER event_refuses_change BEFORE UPDATE OR DELETE ON ledger.event
    FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER event_refuses_truncate BEFORE TRUNCATE ON ledger.event
    FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER event_subject_refuses_change BEFORE UPDATE OR DELETE ON ledger.event_subject
    FOR EACH ROW EXECUTE FUNCTION ledger.refuse_change();
CREATE TRIGGER event_subject_refuses_truncate BEFORE TRUNCATE ON ledger.event_subject
    FOR EACH STATEMENT EXECUTE FUNCTION ledger.refuse_change();

-- Which departments this transaction may see: set from the principal behind the key. Nothing set: nothing seen.
CREATE FUNCTION lookup.visible_departments() RETURNS uuid[]
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT CASE current_setting('fill_ledger.departments', true)
        WHEN '*' THEN (SELECT array_agg(department_id) FROM ledger.head)
        ELSE string_to_array(nullif(current_setting('fill_ledger.departments', true), ''), ',')::uuid[]
    END
$$;

CREATE FUNCTION lane.genesis_digest(department uuid) RETURNS bytea LANGUAGE sql IMMUTABLE AS $$
    SELECT sha256(convert_to('fill-ledger chain 1', 'UTF8') || uuid_send(department))
$$;

-- SHA-256 over previous link, position, recorded_at in microseconds since 1970 (both big-endian 8 bytes), payload digest.
CREATE FUNCTION lane.link_digest(previous bytea, ledger_position bigint, recorded_at timestamptz, payload_digest bytea)
RETURNS bytea LANGUAGE sql IMMUTABLE AS $$
    SELECT sha256(
        previous || int8send(ledger_position)
        || int8send((extract(epoch FROM recorded_at) * 1000000)::bigint) || payload_digest
    )
$$;

DO $$
DECLARE
    table_name text;
BEGIN
    FOREACH table_name IN ARRAY ARRAY['head', 'event', 'event_subject', 'sealed_key', 'sealed_record', 'outbox'] LOOP
        EXECUTE format('ALTER TABLE ledger.%I ENABLE ROW LEVEL SECURITY', table_name);
        EXECUTE format('ALTER TABLE ledger.%I FORCE ROW LEVEL SECURITY', table_name);
        EXECUTE format(
            'CREATE POLICY own_departments ON ledger.%I FOR ALL TO fill_ledger_service
             USING (department_id = ANY ((SELECT lookup.visible_departments())::uuid[]))
             WITH CHECK (department_id = ANY ((SELECT lookup.visible_departments())::uuid[]))', table_name);
        EXECUTE format('CREATE POLICY owner_all ON ledger.%I FOR ALL TO fill_ledger_owner USING (true) WITH CHECK (true)',
            table_name);
    END LOOP;
END
$$;
CREATE POLICY lookup_reads ON ledger.head FOR SELECT TO fill_ledger_lookup USING (true);
CREATE POLICY lookup_reads ON ledger.outbox FOR SELECT TO fill_ledger_lookup USING (true);

GRANT SELECT, INSERT ON ledger.event, ledger.event_subject TO fill_ledger_service;
GRANT SELECT, INSERT, UPDATE ON ledger.head, ledger.outbox TO fill_ledger_service;
GRANT SELECT, INSERT, UPDATE ON ledger.sealed_key, ledger.sealed_record TO fill_ledger_service;
GRANT SELECT ON ledger.head, ledger.outbox TO fill_ledger_lookup;

RESET ROLE;
ALTER FUNCTION lookup.visible_departments() OWNER TO fill_ledger_lookup;

-- The readiness probe compares the database's revision with the one its code expects.
GRANT SELECT ON public.alembic_version TO fill_ledger_service;
