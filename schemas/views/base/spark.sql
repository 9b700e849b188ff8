-- Names the recorded tables for Spark SQL, so that the views can be read in. The archive is the folder `archive`
-- where Spark runs; write another path in all four places if yours lies elsewhere.

-- Parquet keeps the time of an event in nanoseconds, which Spark reads as whole numbers once it is allowed to.
SET spark.sql.legacy.parquet.nanosAsLong = true;

-- The name of a car is a text, also where it looks like a number.
SET spark.sql.sources.partitionColumnTypeInference.enabled = false;

-- Every time below is UTC.
SET spark.sql.session.timeZone = UTC;

CREATE OR REPLACE TEMPORARY VIEW base_samples
USING parquet
OPTIONS (path 'archive/car=*/date=*/*/samples.parquet', basePath 'archive');

CREATE OR REPLACE TEMPORARY VIEW base_events_as_recorded
USING parquet
OPTIONS (path 'archive/car=*/date=*/*/events.parquet', basePath 'archive');

-- The time of an event becomes a timestamp in whole microseconds.
CREATE OR REPLACE TEMPORARY VIEW base_events AS
SELECT * EXCEPT (utc), timestamp_micros(utc DIV 1000) AS utc
FROM base_events_as_recorded;
