-- What the procedure measured, judged and noted as numbers, in engineering units with 95 % intervals, one a
-- row, in the order of `seq`.
--
-- session: id of the session
-- car: name of the car
-- date: UTC day on which the session began
-- seq: number of the event
-- at_s: when it was told, in s of the station's own clock; a measurement is of the time up to it
-- utc: the same moment in UTC, to the microsecond
-- step: the step of the procedure in which it happened, where there is one
-- kind: measured (a mean over a time), result (judged) or noted (a number for later steps)
-- name: the name that the procedure gave it
-- channel: the channel it was read from; none of a note
-- value: the estimate, in the unit; none where there were too few readings
-- low: lower end of its 95 % interval, in the unit; none of a note without one
-- high: upper end of its 95 % interval, in the unit; none of a note without one
-- unit: unit of all three, as a UCUM code
-- word: of a result proven, inside, outside or unknown
-- readings: of a measurement how many readings it averages
-- over_s: of a measurement the stretch of time averaged, in s
CREATE OR REPLACE TEMPORARY VIEW measured AS
SELECT
    session,
    car,
    date,
    seq,
    at_s,
    utc,
    step,
    kind,
    CASE WHEN kind = 'measured' THEN get_json_object(json, '$.event.name') ELSE subject END AS name,
    CASE WHEN kind = 'measured' THEN subject ELSE get_json_object(json, '$.event.finding.channel') END AS channel,
    value,
    CAST(coalesce(
        get_json_object(json, '$.event.estimate.low'),
        get_json_object(json, '$.event.finding.estimate.low'),
        get_json_object(json, '$.event.value.value.low')
    ) AS DOUBLE) AS low,
    CAST(coalesce(
        get_json_object(json, '$.event.estimate.high'),
        get_json_object(json, '$.event.finding.estimate.high'),
        get_json_object(json, '$.event.value.value.high')
    ) AS DOUBLE) AS high,
    unit,
    CASE WHEN kind = 'result' THEN word END AS word,
    CAST(get_json_object(json, '$.event.readings') AS BIGINT) AS readings,
    CAST(get_json_object(json, '$.event.over') AS DOUBLE) / 1e9 AS over_s
FROM events
WHERE kind IN ('measured', 'result') OR (kind = 'noted' AND value IS NOT NULL);
