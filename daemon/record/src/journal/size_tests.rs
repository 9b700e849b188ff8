//! What a journal costs, everything counted: frames, checksums, and a sync every 250 ms.

use std::path::Path;
use std::sync::Arc;

use model::{ChannelId, Moment, Quality, Sample, Span, Uncertainty};
use rand::{RngExt, SeedableRng};

use crate::archive::Archive;
use crate::disk::sim::{Fault, SimDisk};
use crate::head::ChannelHead;
use crate::testing::head;

const CHANNELS: usize = 12;

/// Bytes of the journal for each row of twelve channels that come with one answer. Of the channels `restless` move
/// by several counts from row to row, a third of the others by one at times, the rest hardly at all; the answers come
/// with a jitter of some hundred microseconds.
fn bytes_a_row(rows: i64, every: Span, restless: usize) -> f64 {
    let mut dice = rand_pcg::Pcg64::seed_from_u64(12);
    let mut head = head("s1");
    let like = head.channels[0].clone();
    let id = |i: usize| ChannelId::new(&format!("channel-{i}")).unwrap();
    head.channels = (0..CHANNELS).map(|i| ChannelHead { id: id(i), ..like.clone() }).collect();
    let disk = SimDisk::new(Fault::Never);
    let (archive, _) = Archive::open_on(Arc::new(disk.clone()), Path::new("/")).unwrap();
    let mut writer = archive.begin(head).unwrap();
    let journal = |disk: &SimDisk| disk.files(Path::new("/.open/s1"))["journal"].len();
    let empty = journal(&disk);
    let mut counts = [500_i64; CHANNELS];
    for row in 0..rows {
        let half = Span(400_000 + dice.random_range(-60_000..60_000));
        let at = Moment(row * every.0 + dice.random_range(-300_000..300_000));
        for (i, count) in counts.iter_mut().enumerate() {
            let step = match i {
                i if i < restless => dice.random_range(-20..=20),
                i if i % 3 == 0 => dice.random_range(-1..=1),
                _ => i64::from(dice.random_range(0..50) == 0),
            };
            *count += step;
            writer.sample(&Sample {
                channel: id(i),
                at,
                time_uncertainty: half,
                raw: *count,
                value: *count as f64 * like.factor,
                uncertainty: Uncertainty {
                    noise: like.noise,
                    resolution: like.resolution,
                    shared: like.shared,
                },
                quality: Quality::Good,
            });
        }
        writer.tick(at);
    }
    writer.sync().unwrap();
    (journal(&disk) - empty) as f64 / rows as f64
}

#[test]
fn a_row_of_twelve_channels_costs_at_most_twenty_bytes() {
    let fast = Span::from_millis(20);
    let figures = [
        ("50 rows/s, three channels restless", bytes_a_row(3_000, fast, 3), 20.0),
        ("50 rows/s, all channels restless", bytes_a_row(3_000, fast, 12), 30.0),
        ("5 rows/s, three channels restless", bytes_a_row(500, Span::from_millis(200), 3), 80.0),
    ];
    for (what, bytes, most) in figures {
        println!("journal, 12 channels, a sync every 250 ms, {what}: {bytes:.1} bytes a row");
        assert!(bytes <= most, "{what}: {bytes}");
    }
}
