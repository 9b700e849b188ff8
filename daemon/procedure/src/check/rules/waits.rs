//! Waits: a limit, times that go together, and windows that the channel can tell.

use model::{ChannelId, Span};
use rhai::Position;
use signal::interval::{DITHER_SPREAD, half_width_95};
use signal::settle::{CHANGE_READINGS, STEADY_READINGS};

use super::rates::{Turn, readings};
use crate::check::finding::Kind;
use crate::check::gate::{Gate, Leaf, Said, Wanted};
use crate::check::ground::ReadingFact;
use crate::check::value::Shape;
use crate::check::walk::{Arg, Walker, amount};
use crate::host::gate_spec::Shape as Of;

impl Walker<'_> {
    /// `wait(gate)`, `try_wait(gate)`.
    pub(super) fn wait(&mut self, args: &[Arg<'_>], _at: Position) {
        let Some(arg) = args.first() else { return };
        let gate = match arg.value.only() {
            Some(Shape::Gate(gate)) => gate.clone(),
            _ => {
                let seen = "what is waited for is known only when the procedure runs";
                self.undecided(Kind::Limit, arg.at, seen, "");
                return;
            }
        };
        match gate.limit {
            Said::Is(_) => {}
            Said::Not => self.mistake(
                Kind::Limit,
                arg.at,
                "the wait has no limit and might never end",
                "say how long: wait(….limit(2.minutes))",
            ),
            Said::Later => {
                let seen = "how long is waited at the most is known only when the procedure runs";
                self.undecided(Kind::Limit, arg.at, seen, "");
            }
        }
        self.dwell(&gate, arg.at);
        let channels: Vec<ChannelId> = gate.leaves.iter().filter_map(|leaf| leaf.channel.clone()).collect();
        for leaf in &gate.leaves {
            self.window_in_time(&gate, leaf, arg.at);
            let Some((id, fact)) =
                leaf.channel.as_ref().and_then(|id| self.ground.readings.get_key_value(id))
            else {
                continue;
            };
            let Some(period) = self.period(id, &channels, Turn::First) else { continue };
            self.enough_readings(&gate, leaf, id, period, arg.at);
            self.resolved(&gate, leaf, id, fact, period, arg.at);
        }
    }

    fn dwell(&mut self, gate: &Gate, at: Position) {
        if let (Said::Is(dwell), Said::Is(limit)) = (gate.dwell, gate.limit)
            && dwell > limit
        {
            let seen = format!("the limit of {limit} is shorter than the dwell of {dwell}");
            self.mistake(Kind::Time, at, seen, "give it more time, or a shorter dwell");
        }
    }

    /// A change is told from a window of readings that is nearly full: four fifths of it must have passed before
    /// the dwell begins.
    fn window_in_time(&mut self, gate: &Gate, leaf: &Leaf, at: Position) {
        let (Some(over), Said::Is(limit)) = (leaf.window(), gate.limit) else { return };
        let dwell = gate.dwell.or(Span::ZERO).unwrap_or(Span::ZERO);
        if leaf.is_trend() && over > limit {
            let seen = format!("a change over {over} cannot be told within {limit}");
            self.mistake(Kind::Time, at, seen, "give it more time, or a shorter window: .over(…)");
        } else if leaf.is_trend() && over - over / 5 + dwell > limit {
            let seen = format!("a change over {over}, for {dwell}, cannot be told within {limit}");
            self.mistake(Kind::Time, at, seen, "give it more time, or a shorter window or dwell");
        } else if over > limit {
            let seen = format!("the window of {over} is longer than the wait of {limit} and never full");
            self.hint(Kind::Time, at, seen, "give it more time, or a shorter window: .over(…)");
        }
    }

    fn enough_readings(&mut self, gate: &Gate, leaf: &Leaf, id: &ChannelId, period: Span, at: Position) {
        if let Some(fresh) = leaf.freshness()
            && fresh < period
        {
            let seen =
                format!("'{id}' is read every {period} here, so none of its readings is newer than {fresh}");
            self.mistake(Kind::Rate, at, seen, "allow older ones, .fresh(…), or poll fewer channels");
        }
        let need = match leaf.wanted {
            Wanted::Trend { shape: Of::Steady, .. } => STEADY_READINGS,
            Wanted::Trend { shape: Of::Rising | Of::Falling, .. } => CHANGE_READINGS,
            _ => 1,
        };
        if let Some(over) = leaf.window() {
            let have = readings(over, period);
            if have < need {
                let seen = format!(
                    "{over} hold {have} readings of '{id}', read every {period} here, and {need} are needed"
                );
                let long = period * i64::try_from(need).unwrap_or(1);
                self.mistake(Kind::Rate, at, seen, format!("give it {long} or more: .over(…)"));
            }
        }
        if let Said::Is(limit) = gate.limit
            && limit < period
        {
            let seen = format!("'{id}' is read every {period} here, and the wait ends after {limit}");
            self.mistake(Kind::Rate, at, seen, "give it more time");
        }
    }

    fn resolved(
        &mut self,
        gate: &Gate,
        leaf: &Leaf,
        id: &ChannelId,
        fact: &ReadingFact,
        period: Span,
        at: Position,
    ) {
        let Some(over) = leaf.window() else { return };
        let Some(unit) = self.ground.facts.channels.get(id).cloned() else { return };
        let told = |width: f64| amount(&unit, Some(width));
        let q = fact.resolution;
        let n = readings(over, period);
        let spread = fact.noise.hypot(q / 12f64.sqrt());
        let dithered = q == 0.0 || (spread >= DITHER_SPREAD * q && n >= STEADY_READINGS);
        match leaf.wanted {
            Wanted::Within { width: Some(width) } if width > 0.0 => {
                if width < q && !dithered {
                    let seen =
                        format!("the window is {} wide, and one count of '{id}' is {}", told(width), told(q));
                    self.mistake(Kind::Resolution, at, seen, "make it wider than one count");
                } else if gate.proven {
                    let rectangle = if dithered { 0.0 } else { q / 2.0 };
                    let normal = if dithered { spread / (n as f64).sqrt() } else { fact.noise };
                    let narrowest = 2.0 * half_width_95(rectangle, normal.hypot(fact.shared));
                    if width < narrowest {
                        let seen = format!(
                            "the window is {} wide, and '{id}' can prove none narrower than {}",
                            told(width),
                            told(narrowest)
                        );
                        self.mistake(Kind::Resolution, at, seen, "make it wider, or leave out .proven()");
                    }
                }
            }
            Wanted::Trend { shape, by: Some(by) } if by > 0.0 => {
                // The change over a window from the line through n readings of this spread (JCGM 100:2008, H.3,
                // for evenly spaced readings): its standard deviation is s sqrt(12/n).
                let doubt = half_width_95(0.0, spread * (12.0 / n as f64).sqrt());
                let what = if matches!(shape, Of::Steady) { "steadiness to" } else { "a change of" };
                if by < q {
                    let seen = format!("{what} {} is finer than one count of '{id}', {}", told(by), told(q));
                    self.mistake(Kind::Resolution, at, seen, "give one count or more");
                } else if dithered && by < doubt && !matches!(shape, Of::Changed) {
                    let seen = format!(
                        "{what} {} over {over} is finer than '{id}' can tell there, {}",
                        told(by),
                        told(doubt)
                    );
                    self.mistake(
                        Kind::Resolution,
                        at,
                        seen,
                        "give a wider band, or a longer window: .over(…)",
                    );
                }
            }
            _ => {}
        }
    }
}
