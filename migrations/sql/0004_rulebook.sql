-- The rulebook: specifications, permits, standards of air and figures of rules as dated events of the county ledger.

SET LOCAL ROLE fill_ledger_owner;

-- (views.fill.attributed_by may be 'marks' from here on: the serial keyed in from the cylinder.)
ALTER TABLE views.fill
    ADD COLUMN settled_psi integer,  -- what the end reading comes to at 70 F
    ADD COLUMN air_delivered_l integer,  -- litres of free air at 70 F and 14.7 psia
    ADD COLUMN permit_nonce text;  -- of the genuine permit that the fill quotes
CREATE INDEX fill_by_permit ON views.fill (department_id, permit_nonce) WHERE permit_nonce IS NOT NULL;

-- Makes the function that puts rows into a view, as 0003 did, from the table as it is now: called for every view that got
-- further columns. Nobody but the owner may.
CREATE FUNCTION lane.make_put_function(p_view text) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    columns text;
    key_columns text;
    assignments text;
BEGIN
    SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum),
           string_agg(format('%I = excluded.%I', attname, attname), ', ' ORDER BY attnum)
               FILTER (WHERE NOT attnum = ANY (key.indkey)),
           string_agg(quote_ident(attname), ', ' ORDER BY array_position(key.indkey::int2[], attnum))
               FILTER (WHERE attnum = ANY (key.indkey))
    INTO columns, assignments, key_columns
    FROM pg_attribute
    JOIN pg_index AS key ON key.indrelid = attrelid AND key.indisprimary
    WHERE attrelid = format('views.%I', p_view)::regclass AND attnum > 0 AND NOT attisdropped;
    EXECUTE format(
        'CREATE OR REPLACE FUNCTION lane.%I(p_rows json) RETURNS void LANGUAGE plpgsql AS $body$
         BEGIN
             INSERT INTO views.%I (%s)
             SELECT %s FROM json_populate_recordset(NULL::views.%I, p_rows)
             ON CONFLICT (%s) DO UPDATE SET %s;
         END
         $body$',
        'put_' || p_view, p_view, columns, columns, p_view, key_columns, assignments);
END
$$;
SELECT lane.make_put_function('fill');

-- It returns more columns now, which no replacing allows. A process of the earlier release reads the new one as well.
-- squawk-ignore ban-drop-function
DROP FUNCTION lookup.eligibility(bytea[], uuid[], text[], text[], uuid[]);

-- The look-up behind the question, for many questions at once: everything the judgement needs, one row a question and
-- cylinder found (at most 20 a question, the station's own first, then those of departments its policies name). Sees a
-- neighbour's cylinder, so it runs as the look-up role; what leaves the service is decision fields. Of the rulebook it
-- tells the position only: it is long (11 kB as shipped), the same for every question, and a process keeps what it read of it.
-- `checked_at` is the server's clock, `asked_at` the same but never before what the department's ledger has recorded.
-- The settings keep the plan on indexes, whatever the statistics of a table just filled by an import say; LIMIT 1, where
-- the key is whole anyway, keeps each part a look-up of its own, never a join over all rows of a kind.
CREATE FUNCTION lookup.eligibility(
    p_key_digests bytea[], p_station_ids uuid[], p_subject_kinds text[], p_values text[], p_member_ids uuid[]
) RETURNS TABLE (
    question integer,
    key_id uuid, principal_id uuid, role text, department_ids uuid[], key_station_id uuid, scopes text[],
    key_ends_at timestamptz, key_revoked_at timestamptz, key_deactivated_at timestamptz, checked_at timestamptz,
    asked_at timestamptz, station_department_id uuid, department_position bigint, rulebook_position bigint,
    county_position bigint,
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
            rulebook.ledger_position, county.ledger_position,
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
            SELECT known.ledger_position FROM ledger.head AS known
            WHERE known.department_id = '00000000-0000-4000-8000-000000000001' LIMIT 1
        ) AS county ON true
        LEFT JOIN LATERAL (
            SELECT known.ledger_position FROM views.state AS known
            WHERE known.department_id = '00000000-0000-4000-8000-000000000001'
                AND known.subject_kind = 'rulebook'
                AND known.subject_id = '00000000-0000-4000-8000-000000000001'
            LIMIT 1
        ) AS rulebook ON true
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

-- How far the rulebook has come; null where none was installed.
CREATE FUNCTION lookup.rulebook_position() RETURNS bigint
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog AS $$
    SELECT ledger_position FROM views.state
    WHERE department_id = '00000000-0000-4000-8000-000000000001' AND subject_kind = 'rulebook'
        AND subject_id = '00000000-0000-4000-8000-000000000001'
$$;

-- What an append reads before it judges fills, in one round trip: further parts 'permit': a fill, not taken back, that
-- quotes one of these permits, named by its nonce; 'rulebook': how far the rulebook has come.
CREATE FUNCTION lane.read_for_append(
    p_department uuid, p_event_ids uuid[], p_kinds text[], p_subject_ids uuid[], p_permit_nonces text[])
RETURNS TABLE (part text, subject_kind text, id uuid, ledger_position bigint, moment timestamptz, content bytea)
LANGUAGE plpgsql AS $$
BEGIN
    RETURN QUERY SELECT * FROM lane.read_for_append(p_department, p_event_ids, p_kinds, p_subject_ids);
    RETURN QUERY
        SELECT 'permit', fill.permit_nonce, fill.event_id, NULL::bigint, NULL::timestamptz, NULL::bytea
        FROM views.fill
        WHERE fill.department_id = p_department AND fill.permit_nonce = ANY (p_permit_nonces) AND NOT fill.retracted
        UNION ALL
        SELECT 'rulebook', NULL, NULL, lookup.rulebook_position(), NULL, NULL;
END
$$;

RESET ROLE;

ALTER FUNCTION lookup.eligibility(bytea[], uuid[], text[], text[], uuid[]) OWNER TO fill_ledger_lookup;
ALTER FUNCTION lookup.rulebook_position() OWNER TO fill_ledger_lookup;

REVOKE EXECUTE ON ALL FUNCTIONS IN SCHEMA lane, lookup FROM PUBLIC;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA lane TO fill_ledger_service, fill_ledger_owner;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA lookup TO fill_ledger_service, fill_ledger_owner, fill_ledger_lookup;
REVOKE EXECUTE ON FUNCTION lane.make_put_function(text) FROM fill_ledger_service;
