-- Every reading and every gap, one a row, each with its time in UTC and its standard uncertainty.
--
-- The standard uncertainty `u` of one reading combines its three parts as the root of the sum of squares (JCGM
-- 100:2008, 5.1.2, from memory). One count is a rectangle: its standard uncertainty is its width divided by the root
-- of 12 (4.3.7 and F.2.2.1, from memory). Averaging lessens the noise, lessens the resolution only where
-- there is noise enough to reach the neighbouring counts, and never lessens the shared part.
--
-- session: id of the session
-- car: name of the car
-- date: UTC day on which the session began
-- channel: id of the channel
-- at_s: middle of the interval in which the controller must have read it, in s of the station's own clock; of a gap its middle
-- utc: the same moment in UTC, to the microsecond, by the newest anchor at or before it; may jump at an anchor
-- half_s: half of that interval, in s, rounded outward to 10 us
-- raw: the count as it came over the wire; none in a gap
-- value: the middle of the count's interval, in the unit; none in a gap
-- unit: unit of value, noise, resolution, shared and u, as a UCUM code
-- noise: standard deviation of the noise of one reading, in the unit
-- resolution: width of one count, in the unit
-- shared: standard uncertainty that all readings of the channel share, in the unit
-- u: standard uncertainty of one reading, in the unit; none in a gap
-- quality: of a reading good, implausible, saturated or invalid; of a gap its reason: no_answer, damaged, refused, link_down or lost
-- is_gap: whether the row is a reading that did not come
CREATE OR REPLACE TEMPORARY VIEW samples AS
WITH ties AS (
    -- What ties the station's clock to UTC: the anchors, and for what lies before them the first event.
    SELECT session, seq, at_ns, utc
    FROM (
        SELECT
            session, CAST(seq AS BIGINT) AS seq, at_ns, utc, kind,
            row_number() OVER (PARTITION BY session ORDER BY seq) AS place
        FROM base_events
    ) AS numbered
    WHERE kind = 'anchor' OR place = 1
),
stretches AS (
    SELECT
        session, at_ns, utc,
        lag(at_ns) OVER (PARTITION BY session ORDER BY at_ns, seq) AS before_ns,
        lead(at_ns) OVER (PARTITION BY session ORDER BY at_ns, seq) AS until_ns
    FROM ties
)
SELECT
    s.session AS session,
    CAST(s.car AS STRING) AS car,
    CAST(s.date AS DATE) AS date,
    s.channel AS channel,
    CAST(s.tick AS DOUBLE) / 1e5 AS at_s,
    -- A tick is 10 us. Whole microseconds are counted, because fractions of a second would be rounded; they are a
    -- DOUBLE, which keeps them exactly for 285 years, because DuckDB multiplies intervals only by whole numbers of 32 bits.
    t.utc + INTERVAL '0.000001' SECOND * CAST(s.tick * 10 - CAST(floor(t.at_ns / 1e3) AS BIGINT) AS DOUBLE) AS utc,
    CAST(s.half_ticks AS DOUBLE) / 1e5 AS half_s,
    s.raw AS raw,
    s.value AS value,
    s.unit AS unit,
    s.noise AS noise,
    s.resolution AS resolution,
    s.shared AS shared,
    sqrt(s.noise * s.noise + s.resolution * s.resolution / 12e0 + s.shared * s.shared) AS u,
    s.quality AS quality,
    s.raw IS NULL AS is_gap
FROM base_samples AS s
LEFT JOIN stretches AS t
    ON t.session = s.session
    AND (t.before_ns IS NULL OR s.tick * 10000 >= t.at_ns)
    AND (t.until_ns IS NULL OR s.tick * 10000 < t.until_ns);
