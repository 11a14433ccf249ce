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

SELECT lane.make_put_function('finding');

RESET ROLE;
