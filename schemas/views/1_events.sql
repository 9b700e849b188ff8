-- Everything that happened, one event a row, in the order of `seq` within its session.
--
-- session: id of the session
-- car: name of the car
-- date: UTC day on which the session began
-- seq: counts from 1 within the session
-- at_s: when, in s of the station's own clock, which never jumps
-- utc: the same moment in UTC, to the microsecond, by the newest anchor at or before it; may jump at an anchor
-- kind: what kind of event
-- step: the step of the procedure in which it happened, where there is one
-- subject: what it is about: the step, channel, output or key; of a session's start the procedure
-- word: how it came out, in one word: of a session or step its ending
-- value: the number told, in the unit
-- unit: unit of the number, as a UCUM code
-- json: the whole event (schemas/events.schema.json)
CREATE OR REPLACE TEMPORARY VIEW events AS
SELECT
    session,
    CAST(car AS STRING) AS car,
    CAST(date AS DATE) AS date,
    CAST(seq AS BIGINT) AS seq,
    CAST(at_ns AS DOUBLE) / 1e9 AS at_s,
    utc,
    kind,
    step,
    subject,
    word,
    value,
    unit,
    json
FROM base_events;
