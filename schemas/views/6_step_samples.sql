-- Every reading and every gap with the step of the procedure in which its middle falls. A step counts from
-- the moment of its beginning up to, not including, that of its end.
--
-- session: id of the session
-- car: name of the car
-- date: UTC day on which the session began
-- step: id of the step; none between steps
-- step_seq: number of the event with which the step began, which tells two turns of one step apart; none between steps
-- into_s: time since the step began, in s; none between steps
-- channel: id of the channel
-- at_s: middle of the interval in which the controller must have read it, in s of the station's own clock
-- utc: the same moment in UTC, to the microsecond
-- raw: the count as it came over the wire; none in a gap
-- value: the middle of the count's interval, in the unit; none in a gap
-- unit: unit of value and u, as a UCUM code
-- u: standard uncertainty of one reading, in the unit; none in a gap
-- quality: of a reading good, implausible, saturated or invalid; of a gap its reason
-- is_gap: whether the row is a reading that did not come
CREATE OR REPLACE TEMPORARY VIEW step_samples AS
SELECT
    s.session AS session,
    s.car AS car,
    s.date AS date,
    p.step AS step,
    p.seq AS step_seq,
    s.at_s - p.from_s AS into_s,
    s.channel AS channel,
    s.at_s AS at_s,
    s.utc AS utc,
    s.raw AS raw,
    s.value AS value,
    s.unit AS unit,
    s.u AS u,
    s.quality AS quality,
    s.is_gap AS is_gap
FROM samples AS s
LEFT JOIN steps AS p
    ON p.session = s.session
    AND s.at_s >= p.from_s
    AND (p.to_s IS NULL OR s.at_s < p.to_s);
