//! What the record costs: bytes and time of table and journal. `compare.py` beside this runs it next to outside
//! programs that write the same readings.

mod data;
mod dump;

use std::error::Error;
use std::path::PathBuf;

use clap::Parser;
use clock::Clock;
use model::{Ending, Moment};
use record::{Archive, Row, write_samples};

use data::{Readings, Recipe};

/// Measures the record on invented readings and prints one line of JSON.
#[derive(Parser)]
struct Arguments {
    /// Channels.
    #[arg(long, default_value_t = 12)]
    channels: usize,
    /// Channels told in one answer.
    #[arg(long, default_value_t = 12)]
    together: usize,
    /// Cycles over all channels a second.
    #[arg(long, default_value_t = 50.0)]
    rate: f64,
    /// Readings in all, about.
    #[arg(long, default_value_t = 2_400_000)]
    rows: usize,
    /// Seed of the readings.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How often the table is written; the fastest counts.
    #[arg(long, default_value_t = 5)]
    times: usize,
    /// Folder for the files, on the disk to be measured.
    #[arg(long)]
    folder: PathBuf,
}

#[expect(clippy::print_stdout, reason = "printing is what it is for")]
fn main() -> Result<(), Box<dyn Error>> {
    let wanted = Arguments::parse();
    std::fs::create_dir_all(&wanted.folder)?;
    let recipe = Recipe {
        channels: wanted.channels,
        together: wanted.together,
        rate: wanted.rate,
        cycles: wanted.rows.div_ceil(wanted.channels),
        seed: wanted.seed,
    };
    let readings = Readings::new(recipe);
    let head = readings.head();
    let rows: Vec<Row> = readings.flatten().collect();
    let count = rows.len() as f64;
    dump::write(&wanted.folder.join("columns"), &head, &rows)?;

    let clock = Clock::real();
    let path = wanted.folder.join("samples.parquet");
    let (mut table_seconds, mut table_bytes) = (f64::INFINITY, 0);
    for _ in 0..wanted.times {
        if path.exists() {
            std::fs::remove_file(&path)?;
        }
        let start = clock.now();
        table_bytes = write_samples(&path, &head, &rows)?.bytes;
        table_seconds = table_seconds.min(clock.now().since(start).as_secs_f64());
    }

    let root = tempfile::tempdir_in(&wanted.folder)?;
    let (archive, _) = Archive::open(root.path())?;
    let mut writer = archive.begin(head)?;
    let journal = writer.path().join("journal");
    let start = clock.now();
    let mut last = Moment(0);
    for row in &rows {
        match row {
            Row::Sample(sample) => writer.sample(sample),
            Row::Gap(gap) => writer.gap(gap),
        }
        last = row.at();
        writer.tick(last);
    }
    writer.sync()?;
    let journal_seconds = clock.now().since(start).as_secs_f64();
    let journal_bytes = std::fs::metadata(&journal)?.len();
    let start = clock.now();
    let closed = writer.close(Ending::Passed)?;
    let close_seconds = clock.now().since(start).as_secs_f64();

    let line = serde_json::json!({
        "rows": count,
        "engine_seconds": last.0 as f64 / 1e9,
        "table_bytes": table_bytes,
        "table_rows_per_s": count / table_seconds,
        "journal_bytes": journal_bytes,
        "journal_bytes_per_cycle": journal_bytes as f64 / (count / wanted.channels as f64),
        "journal_rows_per_s": count / journal_seconds,
        "close_rows_per_s": count / close_seconds,
        "session_bytes": closed.bytes,
    });
    println!("{line}");
    Ok(())
}
