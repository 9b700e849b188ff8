//! The readings as flat columns, so that outside programs write the very same ones.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

use record::{Row, SessionHead};

/// A tick of the record, in nanoseconds: outside programs are given the times as they come and as they are kept.
const TICK: i64 = 10_000;

/// Writes one little-endian file a column: `channel` (index, i32), `tick`, `half_ticks`, `at_ns`, `half_ns`, `raw` (i64)
/// and `value` (f64), and `channels.json` with what is the same in all rows of a channel.
pub(crate) fn write(folder: &Path, head: &SessionHead, rows: &[Row]) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    let mut columns = Vec::new();
    for name in ["channel", "tick", "half_ticks", "at_ns", "half_ns", "raw", "value"] {
        columns.push(BufWriter::new(File::create(folder.join(name))?));
    }
    let [channel, tick, half_ticks, at_ns, half_ns, raw, value] = &mut columns[..] else {
        unreachable!("there are as many files as names")
    };
    for row in rows {
        let Row::Sample(sample) = row else { continue };
        let number = head.channels.iter().position(|c| c.id == sample.channel).unwrap_or_default();
        let middle = (sample.at.0 + TICK / 2).div_euclid(TICK);
        let half = (sample.time_uncertainty.0 + (sample.at.0 - middle * TICK).abs() + TICK - 1) / TICK;
        channel.write_all(&(number as i32).to_le_bytes())?;
        tick.write_all(&middle.to_le_bytes())?;
        half_ticks.write_all(&half.to_le_bytes())?;
        at_ns.write_all(&sample.at.0.to_le_bytes())?;
        half_ns.write_all(&sample.time_uncertainty.0.to_le_bytes())?;
        raw.write_all(&sample.raw.to_le_bytes())?;
        value.write_all(&sample.value.to_le_bytes())?;
    }
    columns.iter_mut().try_for_each(|column| column.flush())?;
    let same: Vec<_> = head
        .channels
        .iter()
        .map(|c| {
            serde_json::json!({
                "id": c.id, "unit": c.unit.code(), "noise": c.noise, "resolution": c.resolution, "shared": c.shared,
            })
        })
        .collect();
    fs::write(folder.join("channels.json"), serde_json::Value::from(same).to_string())
}
