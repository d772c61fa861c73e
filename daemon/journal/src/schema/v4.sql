-- The job that is under way, with a sum of its own: an earlier version finds its lockouts as sound as ever.
ALTER TABLE kept ADD COLUMN job TEXT;
-- Jobs as they are on record; and, from before there were such records, as they can be told from the rest.
DROP VIEW jobs;
CREATE VIEW jobs AS
    WITH
    -- A start or a stop of the service is one for every machine: from there nothing is known until it is said anew.
    news (seq, wall_ms, machine, kind, state) AS (
        SELECT seq, wall_ms, machine, kind, json_extract(body, '$.state')
        FROM record WHERE kind IN ('outlet', 'state') AND machine IS NOT NULL
        UNION ALL
        SELECT record.seq, record.wall_ms, known.machine, 'forgotten', NULL
        FROM record, (SELECT DISTINCT machine FROM record WHERE kind = 'outlet' AND machine IS NOT NULL) AS known
        WHERE record.kind IN ('start', 'stop')
    ),
    -- Of each machine, how often it was forgotten so far.
    runs AS (
        SELECT *, count(*) FILTER (WHERE kind = 'forgotten') OVER (PARTITION BY machine ORDER BY seq) AS run FROM news
    ),
    -- What was said last, in this run, of its outlet and of its doing.
    said AS (
        SELECT *,
            max(seq) FILTER (WHERE kind = 'outlet') OVER (PARTITION BY machine, run ORDER BY seq) AS outlet_seq,
            max(seq) FILTER (WHERE kind = 'state') OVER (PARTITION BY machine, run ORDER BY seq) AS state_seq
        FROM runs
    ),
    spans AS (
        SELECT said.seq, said.machine, said.wall_ms,
            lead(said.wall_ms) OVER (PARTITION BY said.machine ORDER BY said.seq) AS until_ms,
            coalesce(outlet.state = 'on' AND doing.state = 'busy', 0) AS works
        FROM said
        LEFT JOIN news AS outlet ON outlet.seq = said.outlet_seq
        LEFT JOIN news AS doing ON doing.seq = said.state_seq
    ),
    -- Spans of work with none of anything else between them have the same number.
    numbered AS (
        SELECT *, count(*) FILTER (WHERE NOT works) OVER (PARTITION BY machine ORDER BY seq) AS job FROM spans
    ),
    found AS (
        SELECT min(seq) AS seq,
            strftime('%Y-%m-%dT%H:%M:%fZ', min(wall_ms) / 1000.0, 'unixepoch') AS at,
            machine,
            CASE WHEN count(until_ms) = count(*)
                THEN strftime('%Y-%m-%dT%H:%M:%fZ', max(until_ms) / 1000.0, 'unixepoch') END AS until,
            CASE WHEN count(until_ms) = count(*) THEN (max(until_ms) - min(wall_ms)) / 1000.0 END AS seconds
        FROM numbered WHERE works GROUP BY machine, job
    ),
    recorded_since AS (
        SELECT machine, min(json_extract(body, '$.began')) AS began
        FROM record WHERE kind = 'job' AND machine IS NOT NULL GROUP BY machine
    )
    SELECT seq, json_extract(body, '$.began') AS at, machine, json_extract(body, '$.ended') AS until,
        json_extract(body, '$.lasted_s') AS seconds,
        json_extract(body, '$.how') AS how,
        json_extract(body, '$.by') AS by_input,
        json_extract(body, '$.joules') AS joules
    FROM record WHERE kind = 'job' AND machine IS NOT NULL
    UNION ALL
    SELECT found.seq, found.at, found.machine, found.until, found.seconds, NULL, NULL, NULL
    FROM found LEFT JOIN recorded_since USING (machine)
    WHERE recorded_since.began IS NULL OR found.at < recorded_since.began;
