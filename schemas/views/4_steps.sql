-- The steps of each procedure, one a row, in the order of `seq`; one that is run twice has two rows.
--
-- session: id of the session
-- car: name of the car
-- date: UTC day on which the session began
-- seq: number of the event with which it began or was skipped
-- step: id of the step
-- title: its title for people; none where it was skipped
-- from_s: when it began, in s of the station's own clock
-- to_s: when it ended, in s of the station's own clock; none where the record breaks off in it
-- length_s: how long it took, in s; 0 where it was skipped
-- ending: how it ended, in one word, or skipped; none where the record breaks off in it
-- reason: why it was skipped
CREATE OR REPLACE TEMPORARY VIEW steps AS
WITH turns AS (
    SELECT
        session, car, date, seq, at_s, kind, subject, json,
        lead(kind) OVER (PARTITION BY session, subject ORDER BY seq) AS next_kind,
        lead(at_s) OVER (PARTITION BY session, subject ORDER BY seq) AS next_s,
        lead(word) OVER (PARTITION BY session, subject ORDER BY seq) AS next_word
    FROM events
    WHERE kind IN ('step_started', 'step_ended', 'step_skipped')
),
bounds AS (
    SELECT
        session, car, date, seq, kind, subject, json, at_s,
        CASE
            WHEN kind = 'step_skipped' THEN at_s
            WHEN next_kind = 'step_ended' THEN next_s
        END AS to_s,
        CASE
            WHEN kind = 'step_skipped' THEN 'skipped'
            WHEN next_kind = 'step_ended' THEN next_word
        END AS ending
    FROM turns
    WHERE kind <> 'step_ended'
)
SELECT
    session,
    car,
    date,
    seq,
    subject AS step,
    get_json_object(json, '$.event.title') AS title,
    at_s AS from_s,
    to_s,
    to_s - at_s AS length_s,
    ending,
    get_json_object(json, '$.event.reason') AS reason
FROM bounds;
