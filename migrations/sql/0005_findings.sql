-- What persons make of findings, and how findings are found again.

SET LOCAL ROLE fill_ledger_owner;

-- Of the review that holds, null where there is none. `standing` is 'open', 'reviewed' or 'cleared' from here on.
ALTER TABLE views.finding
    ADD COLUMN reviewed_at timestamptz,
    ADD COLUMN cause text;
CREATE INDEX finding_by_station ON views.finding (department_id, station_id, found_at, finding_id);
CREATE INDEX finding_by_member ON views.finding (department_id, member_id, found_at, finding_id);
CREATE INDEX finding_by_severity ON views.finding (department_id, severity, found_at, finding_id);
CREATE INDEX finding_by_event ON views.finding (department_id, event_id);
-- Few are reviewed: only those are in the index.
CREATE INDEX finding_by_cause ON views.finding (department_id, cause, found_at, finding_id) WHERE cause IS NOT NULL;

-- Columns were added: the function that puts rows is made anew from the table as it is now.
DO $$
DECLARE
    columns text;
    assignments text;
BEGIN
    SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum),
           string_agg(format('%I = excluded.%I', attname, attname), ', ' ORDER BY attnum)
               FILTER (WHERE NOT attnum = ANY (key.indkey))
    INTO columns, assignments
    FROM pg_attribute
    JOIN pg_index AS key ON key.indrelid = attrelid AND key.indisprimary
    WHERE attrelid = 'views.finding'::regclass AND attnum > 0 AND NOT attisdropped;
    EXECUTE format(
        'CREATE OR REPLACE FUNCTION lane.put_finding(p_rows json) RETURNS void LANGUAGE plpgsql AS $body$
         BEGIN
             INSERT INTO views.finding (%s)
             SELECT %s FROM json_populate_recordset(NULL::views.finding, p_rows)
             ON CONFLICT (department_id, finding_id) DO UPDATE SET %s;
         END
         $body$',
        columns, columns, assignments);
END
$$;

RESET ROLE;
