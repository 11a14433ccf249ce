-- The writer lane and the look-ups: the only SQL functions of the service. They live apart from the views, so that a
-- rebuild can swap the schema `views` beneath them.

SET LOCAL ROLE fill_ledger_owner;

-- For every view one function that takes rows as JSON and puts them in place of the rows with the same key.
DO $$
DECLARE
    view_name text;
    columns text;
    key_columns text;
    assignments text;
BEGIN
    FOR view_name IN SELECT tablename FROM pg_tables WHERE schemaname = 'views' AND tablename <> 'state' LOOP
        SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum),
               string_agg(format('%I = excluded.%I', attname, attname), ', ' ORDER BY attnum)
                   FILTER (WHERE NOT attnum = ANY (key.indkey))
        INTO columns, assignments
        FROM pg_attribute
        JOIN pg_index AS key ON key.indrelid = attrelid AND key.indisprimary
        WHERE attrelid = format('views.%I', view_name)::regclass AND attnum > 0 AND NOT attisdropped;
        SELECT string_agg(quote_ident(attname), ', ' ORDER BY array_position(key.indkey::int2[], attnum))
        INTO key_columns
        FROM pg_index AS key
        JOIN pg_attribute ON attrelid = key.indrelid AND attnum = ANY (key.indkey)
        WHERE key.indrelid = format('views.%I', view_name)::regclass AND key.indisprimary;
        EXECUTE format(
            'CREATE FUNCTION lane.%I(p_rows json) RETURNS void LANGUAGE plpgsql AS $body$
             BEGIN
                 INSERT INTO views.%I (%s)
                 SELECT %s FROM json_populate_recordset(NULL::views.%I, p_rows)
                 ON CONFLICT (%s) DO UPDATE SET %s;
             END
             $body$',
            'put_' || view_name, view_name, columns, columns, view_name, key_columns, assignments);
    END LOOP;
END
$$;

-- What an append reads before it judges, in one statement and so in one snapshot, for one department:
-- part 'now': the server's clock and the head of the ledger; 'subject': state and version; 'event': an event that has one of the ids already;
-- 'retraction': an event that takes one of the ids out of every fold.
CREATE FUNCTION lane.read_for_append(p_department uuid, p_event_ids uuid[], p_kinds text[], p_subject_ids uuid[])
RETURNS TABLE (part text, subject_kind text, id uuid, ledger_position bigint, moment timestamptz, content bytea)
LANGUAGE plpgsql AS $$
BEGIN
    PERFORM set_config('fill_ledger.departments', p_department::text, true);
    RETURN QUERY
        SELECT 'now', NULL, p_department, coalesce(head.ledger_position, 0), clock_timestamp(), head.chain_digest
        FROM (SELECT 1) AS always
        LEFT JOIN ledger.head ON head.department_id = p_department
        UNION ALL
        SELECT 'subject', state.subject_kind, state.subject_id, state.ledger_position, NULL,
               convert_to(state.state::text, 'UTF8')
        FROM unnest(p_kinds, p_subject_ids) AS asked (kind, subject_id)
        JOIN views.state ON state.department_id = p_department AND state.subject_kind = asked.kind
            AND state.subject_id = asked.subject_id
        UNION ALL
        SELECT 'event', event.event_type, event.event_id, event.ledger_position, event.recorded_at, event.canonical
        FROM ledger.event WHERE event.department_id = p_department AND event.event_id = ANY (p_event_ids)
        UNION ALL
        SELECT 'retraction', 'event', subject.subject_id, subject.ledger_position, NULL, NULL
        FROM ledger.event_subject AS subject
        WHERE subject.department_id = p_department AND subject.subject_kind = 'event'
            AND subject.subject_id = ANY (p_event_ids) AND subject.folds;
END
$$;

-- Append events of one department and fold them into the views, all or nothing, in the caller's transaction.
-- FL001: a subject read has changed meanwhile; read, judge and try again. Unique violation: an id was taken meanwhile.
-- FL004: the department was never registered.
CREATE FUNCTION lane.append(
    p_department uuid,
    p_read_kinds text[], p_read_ids uuid[], p_read_positions bigint[],
    p_event_ids uuid[], p_event_types text[], p_type_versions smallint[],
    p_occurred_at timestamptz[], p_effective_at timestamptz[],
    p_stream_ids uuid[], p_stream_numbers bigint[], p_canonical bytea[],
    p_subject_events integer[], p_subject_kinds text[], p_subject_ids uuid[], p_subject_folds boolean[],
    p_states json, p_views json,
    p_sealed_keys json, p_sealed_records json, p_outbox json
) RETURNS TABLE (ledger_position bigint, recorded_at timestamptz, chain_digest bytea)
LANGUAGE plpgsql AS $$
#variable_conflict use_column
DECLARE
    v_head ledger.head;
    v_base bigint;
    v_now timestamptz;
    v_link bytea;
    v_links bytea[] := '{}';
    v_payloads bytea[] := '{}';
    v_payload bytea;
    v_changed text;
    v_view record;
BEGIN
    PERFORM set_config('fill_ledger.departments', p_department::text, true);
    SELECT array_agg(sha256(canonical) ORDER BY place) INTO v_payloads
    FROM unnest(p_canonical) WITH ORDINALITY AS given (canonical, place);

    LOOP
        SELECT * INTO v_head FROM ledger.head WHERE department_id = p_department FOR UPDATE;
        EXIT WHEN FOUND;
        IF NOT lookup.is_department(p_department) THEN
            RAISE EXCEPTION 'there is no department %', p_department USING ERRCODE = 'FL004';
        END IF;
        INSERT INTO ledger.head VALUES (p_department, 0, '-infinity', lane.genesis_digest(p_department))
        ON CONFLICT DO NOTHING;
    END LOOP;

    SELECT asked.kind INTO v_changed
    FROM unnest(p_read_kinds, p_read_ids, p_read_positions) AS asked (kind, subject_id, ledger_position)
    LEFT JOIN views.state AS known ON known.department_id = p_department AND known.subject_kind = asked.kind
        AND known.subject_id = asked.subject_id
    WHERE coalesce(known.ledger_position, 0) <> asked.ledger_position AND asked.kind <> 'event'
    LIMIT 1;
    IF FOUND THEN
        RAISE EXCEPTION 'a % has changed since it was read', v_changed USING ERRCODE = 'FL001';
    END IF;
    -- A retraction that found nothing to take back must not be written after the event it names: that one is folded.
    IF EXISTS (
        SELECT 1 FROM unnest(p_read_kinds, p_read_ids, p_read_positions) AS asked (kind, subject_id, ledger_position)
        WHERE asked.kind = 'event' AND asked.ledger_position <> coalesce((
            SELECT known.ledger_position FROM ledger.event AS known
            WHERE known.department_id = p_department AND known.event_id = asked.subject_id), 0)
    ) THEN
        RAISE EXCEPTION 'an event to be retracted has come meanwhile' USING ERRCODE = 'FL001';
    END IF;
    -- A retraction that came meanwhile changes whether the event it names may be folded.
    IF EXISTS (
        SELECT 1 FROM ledger.event_subject AS known
        WHERE known.department_id = p_department AND known.subject_kind = 'event'
            AND known.subject_id = ANY (p_event_ids) AND known.folds
            AND NOT known.subject_id = ANY (
                SELECT read.id FROM unnest(p_read_kinds, p_read_ids) AS read (kind, id) WHERE read.kind = 'event')
    ) THEN
        RAISE EXCEPTION 'an event was retracted meanwhile' USING ERRCODE = 'FL001';
    END IF;

    v_base := v_head.ledger_position;
    -- Entries of one batch are told apart by microseconds of `effective_at`; none may lie after its recording.
    v_now := greatest(clock_timestamp(), v_head.recorded_at, (SELECT max(moment) FROM unnest(p_effective_at) AS given (moment)));
    v_link := v_head.chain_digest;
    FOR place IN 1 .. cardinality(p_event_ids) LOOP
        v_link := lane.link_digest(v_link, v_base + place, v_now, v_payloads[place]);
        v_links[place] := v_link;
    END LOOP;

    INSERT INTO ledger.event (
        department_id, ledger_position, event_id, event_type, type_version, occurred_at, effective_at, recorded_at,
        stream_id, stream_number, canonical, payload_digest, chain_digest)
    SELECT p_department, v_base + place, event_id, event_type, type_version, occurred_at, effective_at, v_now,
        stream_id, stream_number, canonical, payload_digest, link
    FROM unnest(p_event_ids, p_event_types, p_type_versions, p_occurred_at, p_effective_at, p_stream_ids,
            p_stream_numbers, p_canonical, v_payloads, v_links)
        WITH ORDINALITY AS given (event_id, event_type, type_version, occurred_at, effective_at, stream_id,
            stream_number, canonical, payload_digest, link, place);

    INSERT INTO ledger.event_subject (
        department_id, subject_kind, subject_id, effective_at, event_id, ledger_position, folds)
    SELECT p_department, kind, subject_id, p_effective_at[place], p_event_ids[place], v_base + place, folds
    FROM unnest(p_subject_events, p_subject_kinds, p_subject_ids, p_subject_folds)
        AS given (place, kind, subject_id, folds);

    UPDATE ledger.head SET ledger_position = v_base + cardinality(p_event_ids), recorded_at = v_now,
        chain_digest = v_link
    WHERE department_id = p_department;

    INSERT INTO views.state (department_id, subject_kind, subject_id, ledger_position, state)
    SELECT p_department, subject_kind, subject_id, v_base + place, state
    FROM json_to_recordset(p_states) AS given (subject_kind text, subject_id uuid, place integer, state json)
    ON CONFLICT (department_id, subject_kind, subject_id)
        DO UPDATE SET ledger_position = excluded.ledger_position, state = excluded.state;

    FOR v_view IN SELECT key, value FROM json_each(p_views) LOOP
        EXECUTE format('SELECT lane.%I($1)', 'put_' || v_view.key) USING v_view.value;
    END LOOP;

    INSERT INTO ledger.sealed_key (department_id, key_id, wrapped, master_key_id)
    SELECT p_department, key_id, wrapped, master_key_id FROM json_populate_recordset(NULL::ledger.sealed_key, p_sealed_keys);
    INSERT INTO ledger.sealed_record (department_id, record_id, key_id, digest, sealed, lookup_digest, erased_at)
    SELECT p_department, record_id, key_id, digest, sealed, lookup_digest, erased_at
    FROM json_populate_recordset(NULL::ledger.sealed_record, p_sealed_records);
    INSERT INTO ledger.outbox (department_id, source_event_id, purpose, to_department_id)
    SELECT p_department, source_event_id, purpose, to_department_id
    FROM json_populate_recordset(NULL::ledger.outbox, p_outbox)
    ON CONFLICT DO NOTHING;

    RETURN QUERY SELECT v_base + place, v_now, link FROM unnest(v_links) WITH ORDINALITY AS made (link, place);
END
$$;

-- Who stands behind a key. Crosses departments by nature, so it runs as the look-up role and returns what rights need.
CREATE FUNCTION lookup.access(p_key_digest bytea)
RETURNS TABLE (
    key_id uuid, principal_id uuid, role text, department_ids uuid[], station_id uuid, scopes text[],
    ends_at timestamptz, revoked_at timestamptz, deactivated_at timestamptz, checked_at timestamptz)
LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
BEGIN
    RETURN QUERY
        SELECT known.key_id, known.principal_id, known.role, known.department_ids, known.station_id, known.scopes,
            known.ends_at, known.revoked_at, known.principal_deactivated_at, clock_timestamp()
        FROM views.access_key AS known WHERE known.key_digest = p_key_digest;
END
$$;

-- The look-up behind the question, for many questions at once: everything the judgement needs, one row a question and
-- cylinder found (at most 20 a question, the station's own first, then those of departments its policies name). Sees a
-- neighbour's cylinder, so it runs as the look-up role; what leaves the service is decision fields.
-- `checked_at` is the server's clock, `asked_at` the same but never before what the department's ledger has recorded.
-- The settings keep the plan on indexes, whatever the statistics of a table just filled by an import say; LIMIT 1, where
-- the key is whole anyway, keeps each part a look-up of its own, never a join over all rows of a kind.
CREATE FUNCTION lookup.eligibility(
    p_key_digests bytea[], p_station_ids uuid[], p_subject_kinds text[], p_values text[], p_member_ids uuid[]
) RETURNS TABLE (
    question integer,
    key_id uuid, principal_id uuid, role text, department_ids uuid[], key_station_id uuid, scopes text[],
    key_ends_at timestamptz, key_revoked_at timestamptz, key_deactivated_at timestamptz, checked_at timestamptz,
    asked_at timestamptz, station_department_id uuid, department_position bigint,
    station_state json, department_state json, policy_state json, air_source_states json[], member_state json,
    owner_department_id uuid, cylinder_id uuid, cylinder_state json, tag_state json)
LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog
SET enable_seqscan = off SET enable_hashjoin = off SET enable_mergejoin = off
SET plan_cache_mode = force_generic_plan AS $$
#variable_conflict use_column
BEGIN
    RETURN QUERY
        SELECT asked.place::integer,
            access.key_id, access.principal_id, access.role, access.department_ids, access.station_id, access.scopes,
            access.ends_at, access.revoked_at, access.principal_deactivated_at, clock.checked_at,
            greatest(clock.checked_at, head.recorded_at), here.department_id, head.ledger_position,
            station.state, department.state, policy.state, air.states, member.state,
            found.department_id, found.cylinder_id, cylinder.state, found.tag_state
        FROM unnest(p_key_digests, p_station_ids, p_subject_kinds, p_values, p_member_ids)
            WITH ORDINALITY AS asked (key_digest, station_id, subject_kind, value, member_id, place)
        CROSS JOIN LATERAL (SELECT clock_timestamp() AS checked_at) AS clock
        LEFT JOIN LATERAL (
            SELECT * FROM views.access_key AS known WHERE known.key_digest = asked.key_digest LIMIT 1
        ) AS access ON true
        LEFT JOIN LATERAL (
            SELECT known.department_id FROM views.station AS known
            WHERE known.station_id = coalesce(access.station_id, asked.station_id) AND access.key_id IS NOT NULL
                AND (access.department_ids IS NULL OR known.department_id = ANY (access.department_ids))
            ORDER BY known.department_id LIMIT 1
        ) AS place ON true
        -- A controller whose station nobody registered still has a department, and so an answer.
        CROSS JOIN LATERAL (
            SELECT coalesce(
                place.department_id, CASE WHEN access.station_id IS NOT NULL THEN access.department_ids[1] END
            ) AS department_id
        ) AS here
        LEFT JOIN LATERAL (
            SELECT known.state FROM views.state AS known
            WHERE known.department_id = here.department_id AND known.subject_kind = 'station'
                AND known.subject_id = coalesce(access.station_id, asked.station_id)
            LIMIT 1
        ) AS station ON true
        LEFT JOIN LATERAL (
            SELECT known.ledger_position, known.recorded_at FROM ledger.head AS known
            WHERE known.department_id = here.department_id LIMIT 1
        ) AS head ON true
        LEFT JOIN LATERAL (
            SELECT known.state FROM views.state AS known
            WHERE known.department_id = '00000000-0000-4000-8000-000000000001'
                AND known.subject_kind = 'department' AND known.subject_id = here.department_id
            LIMIT 1
        ) AS department ON true
        LEFT JOIN LATERAL (
            SELECT known.state FROM views.state AS known
            WHERE known.department_id = here.department_id AND known.subject_kind = 'policy'
                AND known.subject_id = here.department_id
            LIMIT 1
        ) AS policy ON true
        LEFT JOIN LATERAL (
            SELECT array_agg(known.state ORDER BY known.subject_id) AS states
            FROM views.air_source AS source
            CROSS JOIN LATERAL (
                SELECT state.state, state.subject_id FROM views.state
                WHERE state.department_id = source.department_id AND state.subject_kind = 'air_source'
                    AND state.subject_id = source.air_source_id
                LIMIT 1
            ) AS known
            WHERE source.department_id = here.department_id
                AND source.station_id = coalesce(access.station_id, asked.station_id)
        ) AS air ON true
        LEFT JOIN LATERAL (
            SELECT known.state FROM views.state AS known
            WHERE known.department_id = here.department_id AND known.subject_kind = 'member'
                AND known.subject_id = asked.member_id
            LIMIT 1
        ) AS member ON true
        LEFT JOIN LATERAL (
            -- A cylinder given to another department stands here under its own id, without the directory's.
            SELECT entry.department_id, tag.state AS tag_state,
                coalesce(entry.cylinder_id, CASE WHEN entry.entry_kind <> 'tag' THEN entry.subject_id END) AS cylinder_id
            FROM views.directory AS entry
            LEFT JOIN LATERAL (
                SELECT known.state FROM views.state AS known
                WHERE asked.subject_kind = 'tag' AND known.department_id = entry.department_id
                    AND known.subject_kind = 'tag' AND known.subject_id = entry.subject_id
                LIMIT 1
            ) AS tag ON true
            WHERE entry.entry_kind = asked.subject_kind AND entry.value = asked.value
                AND here.department_id IS NOT NULL
            ORDER BY entry.department_id <> here.department_id,
                coalesce(strpos(policy.state::text, entry.department_id::text), 0) = 0, entry.department_id
            LIMIT 20
        ) AS found ON true
        LEFT JOIN LATERAL (
            SELECT known.state FROM views.state AS known
            WHERE known.department_id = found.department_id AND known.subject_kind = 'cylinder'
                AND known.subject_id = found.cylinder_id
            LIMIT 1
        ) AS cylinder ON true
        ORDER BY asked.place;
END
$$;

-- States of named subjects of any department, for decisions only.
CREATE FUNCTION lookup.states(p_departments uuid[], p_kinds text[], p_subject_ids uuid[])
RETURNS TABLE (department_id uuid, subject_kind text, subject_id uuid, ledger_position bigint, state json)
LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
#variable_conflict use_column
BEGIN
    RETURN QUERY
        SELECT known.department_id, known.subject_kind, known.subject_id, known.ledger_position, known.state
        FROM unnest(p_departments, p_kinds, p_subject_ids) AS asked (department_id, kind, subject_id)
        JOIN views.state AS known ON known.department_id = asked.department_id
            AND known.subject_kind = asked.kind AND known.subject_id = asked.subject_id;
END
$$;

-- Where a tag, serial, inventory number or cylinder id is known, in any department.
CREATE FUNCTION lookup.directory(p_entry_kinds text[], p_values text[])
RETURNS TABLE (department_id uuid, entry_kind text, subject_id uuid, value text, cylinder_id uuid)
LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
#variable_conflict use_column
BEGIN
    RETURN QUERY
        SELECT entry.department_id, entry.entry_kind, entry.subject_id, entry.value, entry.cylinder_id
        FROM unnest(p_entry_kinds, p_values) AS asked (entry_kind, value)
        JOIN views.directory AS entry ON entry.entry_kind = asked.entry_kind AND entry.value = asked.value;
END
$$;

-- Whether a ledger may be begun under this id: the county's own, or that of a department the county has registered.
CREATE FUNCTION lookup.is_department(p_department uuid) RETURNS boolean
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT p_department = '00000000-0000-4000-8000-000000000001' OR EXISTS (
        SELECT 1 FROM views.state
        WHERE department_id = '00000000-0000-4000-8000-000000000001' AND subject_kind = 'department'
            AND subject_id = p_department)
$$;

-- Departments that have something to tell others.
CREATE FUNCTION lookup.departments_with_outbox() RETURNS SETOF uuid
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT DISTINCT department_id FROM ledger.outbox WHERE delivered_at IS NULL
$$;

-- Every department that has a ledger, with its head.
CREATE FUNCTION lookup.heads() RETURNS TABLE (department_id uuid, ledger_position bigint, recorded_at timestamptz)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT department_id, ledger_position, recorded_at FROM ledger.head
$$;

RESET ROLE;

ALTER FUNCTION lookup.access(bytea) OWNER TO fill_ledger_lookup;
ALTER FUNCTION lookup.eligibility(bytea[], uuid[], text[], text[], uuid[]) OWNER TO fill_ledger_lookup;
ALTER FUNCTION lookup.states(uuid[], text[], uuid[]) OWNER TO fill_ledger_lookup;
ALTER FUNCTION lookup.directory(text[], text[]) OWNER TO fill_ledger_lookup;
ALTER FUNCTION lookup.is_department(uuid) OWNER TO fill_ledger_lookup;
ALTER FUNCTION lookup.departments_with_outbox() OWNER TO fill_ledger_lookup;
ALTER FUNCTION lookup.heads() OWNER TO fill_ledger_lookup;

-- New functions are open to everybody by default; these are for the service alone.
REVOKE EXECUTE ON ALL FUNCTIONS IN SCHEMA lane, lookup FROM PUBLIC;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA lane TO fill_ledger_service, fill_ledger_owner;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA lookup TO fill_ledger_service, fill_ledger_owner, fill_ledger_lookup;
