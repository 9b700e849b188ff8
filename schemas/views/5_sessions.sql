-- The sessions of the archive, one a row.
--
-- Tags, the job and what was noted afterwards stand in each session's `session.json`.
--
-- session: id of the session
-- car: name of the car
-- date: UTC day on which it began
-- procedure: the procedure it ran, where there was one
-- began: first moment recorded, in UTC, to the microsecond
-- ended: last moment recorded, in UTC, to the microsecond
-- length_s: from the first moment to the last, in s of the station's own clock, which never jumps
-- ending: how it ended, in one word; none where the record breaks off
-- readings: number of readings
-- gaps: number of gaps
-- channels: number of channels that have readings or gaps
-- events: number of events
CREATE OR REPLACE TEMPORARY VIEW sessions AS
WITH told AS (
    SELECT
        session, car, date,
        min(at_s) AS first_s,
        max(at_s) AS last_s,
        min_by(utc, at_s) AS began,
        max_by(utc, at_s) AS ended,
        max(CASE WHEN kind = 'session_started' THEN subject END) AS procedure,
        max(CASE WHEN kind = 'session_ended' THEN word END) AS ending,
        count(*) AS events
    FROM events
    GROUP BY session, car, date
),
read_in AS (
    SELECT
        session,
        min(at_s) AS first_s,
        max(at_s) AS last_s,
        min_by(utc, at_s) AS began,
        max_by(utc, at_s) AS ended,
        count(CASE WHEN NOT is_gap THEN 1 END) AS readings,
        count(CASE WHEN is_gap THEN 1 END) AS gaps,
        count(DISTINCT channel) AS channels
    FROM samples
    GROUP BY session
)
SELECT
    t.session AS session,
    t.car AS car,
    t.date AS date,
    t.procedure AS procedure,
    CASE WHEN r.first_s < t.first_s THEN r.began ELSE t.began END AS began,
    CASE WHEN r.last_s > t.last_s THEN r.ended ELSE t.ended END AS ended,
    greatest(t.last_s, coalesce(r.last_s, t.last_s)) - least(t.first_s, coalesce(r.first_s, t.first_s)) AS length_s,
    t.ending AS ending,
    coalesce(r.readings, 0) AS readings,
    coalesce(r.gaps, 0) AS gaps,
    coalesce(r.channels, 0) AS channels,
    t.events AS events
FROM told AS t
LEFT JOIN read_in AS r ON r.session = t.session;
