-- Stretches of time in which a channel was asked for and not read, one a row.
--
-- session: id of the session
-- car: name of the car
-- date: UTC day on which the session began
-- channel: id of the channel
-- from_s: beginning of the gap, in s of the station's own clock
-- to_s: end of the gap, in s of the station's own clock
-- length_s: its length, in s
-- utc: middle of the gap in UTC, to the microsecond
-- why: no_answer, damaged, refused, link_down or lost
CREATE OR REPLACE TEMPORARY VIEW gaps AS
SELECT
    session,
    car,
    date,
    channel,
    at_s - half_s AS from_s,
    at_s + half_s AS to_s,
    2 * half_s AS length_s,
    utc,
    quality AS why
FROM samples
WHERE is_gap;
