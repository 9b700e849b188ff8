-- Channels side by side, although each was read at its own moments: for every good reading of a channel the
-- newest good reading of every other channel of the session at or before it. A row is missing only where the
-- other channel had no good reading yet. The age tells how far the two lie apart; a gap between them
-- shows as a great age. Ask for one `channel`, and for the others you need, rather than for everything.
--
-- session: id of the session
-- car: name of the car
-- date: UTC day on which the session began
-- channel: id of the channel
-- at_s: when it was read, in s of the station's own clock
-- utc: the same moment in UTC, to the microsecond
-- value: what it read, in its own unit
-- unit: that unit, as a UCUM code
-- other: id of the other channel
-- other_value: what that read, in its own unit
-- other_unit: that unit, as a UCUM code
-- other_age_s: how much earlier the other was read, in s; 0 where both came in one answer
CREATE OR REPLACE TEMPORARY VIEW aligned AS
WITH good AS (
    SELECT session, car, date, channel, at_s, utc, value, unit FROM samples WHERE quality = 'good'
),
present AS (
    SELECT DISTINCT session, channel FROM good
),
pairs AS (
    SELECT a.session AS session, a.channel AS channel, b.channel AS other
    FROM present AS a
    JOIN present AS b ON b.session = a.session AND b.channel <> a.channel
),
both_sides AS (
    SELECT
        p.session AS session, p.channel AS channel, p.other AS other, g.car AS car, g.date AS date,
        g.at_s AS at_s, g.utc AS utc, g.value AS value, g.unit AS unit, 1 AS place,
        CAST(NULL AS DOUBLE) AS other_s, CAST(NULL AS DOUBLE) AS other_value, CAST(NULL AS STRING) AS other_unit
    FROM pairs AS p
    JOIN good AS g ON g.session = p.session AND g.channel = p.channel
    UNION ALL
    SELECT
        p.session, p.channel, p.other, g.car, g.date,
        g.at_s, g.utc, CAST(NULL AS DOUBLE), CAST(NULL AS STRING), 0,
        g.at_s, g.value, g.unit
    FROM pairs AS p
    JOIN good AS g ON g.session = p.session AND g.channel = p.other
),
-- At one moment the other's reading comes first, so that it counts. Readings of the other number the rows after
-- them, and all rows of one number have one reading of the other: this stands for "the last that is there".
numbered AS (
    SELECT
        *,
        count(other_s) OVER (
            PARTITION BY session, channel, other ORDER BY at_s, place
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS nth
    FROM both_sides
),
carried AS (
    SELECT
        session, car, date, channel, at_s, utc, value, unit, other, place,
        max(other_s) OVER (PARTITION BY session, channel, other, nth) AS other_s,
        max(other_value) OVER (PARTITION BY session, channel, other, nth) AS other_value,
        max(other_unit) OVER (PARTITION BY session, channel, other, nth) AS other_unit
    FROM numbered
)
SELECT
    session,
    car,
    date,
    channel,
    at_s,
    utc,
    value,
    unit,
    other,
    other_value,
    other_unit,
    at_s - other_s AS other_age_s
FROM carried
WHERE place = 1 AND other_s IS NOT NULL;
