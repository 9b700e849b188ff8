//! Live values in the terminal: what a gate over the watched channels says, as lines or as big digits.

use std::io::Write;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;

use link::{Live, Viewer};
use model::judgement::Finding;
use model::{Place, Problem, ProblemKind, Word};

use super::big::digits;

/// How the values are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout {
    /// The first channel in big digits.
    pub big: bool,
    /// The picture is drawn over the one before.
    pub in_place: bool,
    /// The bell rings when a window is entered or left.
    pub bell: bool,
}

/// A channel's window is asked for; without one its value alone is shown.
pub type HasWindow = Vec<bool>;

/// The viewer that draws them, on a thread of its own.
pub struct Readout {
    queue: SyncSender<String>,
    layout: Layout,
    windows: HasWindow,
    inside: Vec<Option<bool>>,
    /// A window was entered or left, and no picture has told it yet.
    ringing: bool,
}

impl std::fmt::Debug for Readout {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Readout").field("layout", &self.layout).finish_non_exhaustive()
    }
}

impl Readout {
    /// A readout of channels, of which some have windows.
    pub fn start(
        mut out: impl Write + Send + 'static,
        layout: Layout,
        windows: HasWindow,
    ) -> Result<(Self, JoinHandle<()>), Problem> {
        // The newest picture is the only one worth showing; one that finds no room is left out.
        let (queue, pictures) = sync_channel::<String>(1);
        let draw = move || {
            for picture in pictures {
                if let Err(error) = out.write_all(picture.as_bytes()).and_then(|()| out.flush()) {
                    tracing::debug!(%error, "the screen is gone");
                }
            }
        };
        let thread = std::thread::Builder::new().name("readout".into()).spawn(draw).map_err(|error| {
            let seen = format!("the readout's thread cannot be started: {error}");
            let cure = "free memory or raise the limit of threads";
            Problem::new(ProblemKind::Program, Place::Program, seen, cure)
        })?;
        let inside = vec![None; windows.len()];
        Ok((Self { queue, layout, windows, inside, ringing: false }, thread))
    }

    fn picture(&mut self, link_up: bool, findings: &[Finding]) -> String {
        let mut text = String::new();
        if self.layout.in_place {
            // Home, and everything below is cleared (ECMA-48, CUP and ED).
            text.push_str("\u{1b}[H\u{1b}[J");
        }
        if !link_up {
            text.push_str("NO LINK: what follows is not known now\n");
        }
        for (i, finding) in findings.iter().enumerate() {
            let window = self.windows.get(i).copied().unwrap_or(false);
            if self.layout.big && i == 0 {
                let value = finding.estimate.as_ref().map_or_else(|| "-".into(), number);
                digits(&value).iter().for_each(|row| text.push_str(&format!("{row}\n")));
            }
            text.push_str(&line(finding, window));
            text.push('\n');
            self.ringing |= window && self.changed(i, finding.word) && self.layout.bell;
        }
        if self.ringing {
            text.push('\u{7}');
        }
        text
    }

    /// Whether a window was entered or left. What is unknown is neither.
    fn changed(&mut self, i: usize, word: Word) -> bool {
        let now = match word {
            Word::Proven | Word::Inside => true,
            Word::Outside => false,
            Word::Unknown => return false,
        };
        self.inside[i].replace(now).is_some_and(|before| before != now)
    }
}

/// A value with no more digits than its interval bears.
fn number(estimate: &model::Estimate) -> String {
    let half = (estimate.high - estimate.low) / 2.0;
    let digits = if half > 0.0 { (-half.log10()).ceil().clamp(0.0, 6.0) as usize } else { 3 };
    format!("{:.digits$}", estimate.value)
}

fn line(finding: &Finding, window: bool) -> String {
    let value = match &finding.estimate {
        Some(estimate) => estimate.to_string(),
        None => format!("no value ({})", finding.because),
    };
    let way = match (window, finding.word, finding.gap) {
        (false, ..) => String::new(),
        (true, Word::Proven | Word::Inside, _) => {
            format!("   IN THE WINDOW ({}, {})", finding.target, finding.word)
        }
        (true, Word::Outside, Some(gap)) if gap > 0.0 => format!("   UP by {gap:.3} ({})", finding.target),
        (true, Word::Outside, Some(gap)) => format!("   DOWN by {:.3} ({})", -gap, finding.target),
        (true, ..) => format!("   unknown ({})", finding.target),
    };
    format!("{:<20} {value}{way}", finding.channel.as_str())
}

impl Viewer for Readout {
    fn show(&mut self, live: &Live<'_>) {
        if let Some(judgement) = live.judgement {
            let picture = self.picture(live.link_up, &judgement.findings);
            // A picture may be left out, its bell may not.
            if self.queue.try_send(picture).is_ok() {
                self.ringing = false;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use model::{ChannelId, Estimate, Unit};

    use super::*;

    fn finding(word: Word, value: f64, gap: f64) -> Finding {
        let unit = Unit::new("V").unwrap();
        Finding {
            channel: ChannelId::new("throttle").unwrap(),
            word,
            estimate: Some(Estimate { value, low: value - 0.02, high: value + 0.02, unit }),
            target: "within 0.45 to 0.55 V".into(),
            gap: Some(gap),
            age: None,
            because: String::new(),
        }
    }

    #[test]
    fn the_window_or_the_way_to_it_is_told_and_the_bell_rings_on_change() {
        let layout = Layout { big: true, in_place: false, bell: true };
        let (mut readout, _) = Readout::start(std::io::sink(), layout, vec![true]).unwrap();
        let low = readout.picture(true, &[finding(Word::Outside, 0.412, 0.05)]);
        assert!(low.contains("UP by 0.050") && low.contains("██") && !low.contains('\u{7}'), "{low}");
        let there = readout.picture(true, &[finding(Word::Inside, 0.5, 0.0)]);
        assert!(there.contains("IN THE WINDOW") && there.contains('\u{7}'), "{there}");
        readout.ringing = false;
        let still = readout.picture(true, &[finding(Word::Proven, 0.5, 0.0)]);
        assert!(!still.contains('\u{7}'));
        assert!(readout.picture(false, &[finding(Word::Outside, 0.6, -0.05)]).contains("DOWN by 0.050"));
        // Two digits of half an interval of 0.02 V: no more are shown than the sensor resolves.
        assert_eq!(number(finding(Word::Inside, 0.41234, 0.0).estimate.as_ref().unwrap()), "0.41");
    }
}
