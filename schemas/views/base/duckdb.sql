-- Names the recorded tables for DuckDB, so that the views can be read in. The archive is the folder `archive`
-- where DuckDB runs; write another path in both places if yours lies elsewhere.

CREATE OR REPLACE TEMPORARY VIEW base_samples AS
SELECT *
FROM read_parquet(
    'archive/car=*/date=*/*/samples.parquet',
    hive_partitioning = true,
    hive_types = {'car': VARCHAR, 'date': DATE}
);

-- The time of an event becomes a timestamp of UTC in whole microseconds, whatever zone DuckDB is set to.
CREATE OR REPLACE TEMPORARY VIEW base_events AS
SELECT * REPLACE (make_timestamp(epoch_ns(utc) // 1000) AS utc)
FROM read_parquet(
    'archive/car=*/date=*/*/events.parquet',
    hive_partitioning = true,
    hive_types = {'car': VARCHAR, 'date': DATE}
);

-- The views read an event's JSON by the name that this has in Spark.
CREATE OR REPLACE TEMPORARY MACRO get_json_object(text, path) AS json_extract_string(text, path);
