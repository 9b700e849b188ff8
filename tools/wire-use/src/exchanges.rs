//! Exchanges in the controller's own log, and the time that each of them could not do without.

use std::collections::BTreeMap;

use bench_car::Happened;
use model::{Moment, Span};

use crate::case::Gaps;

/// One exchange as the controller saw it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exchange {
    /// The request's bytes.
    pub request: Vec<u8>,
    /// End of the last character of the request.
    pub asked: Moment,
    /// Start of the first character of the answer.
    pub answering: Moment,
    /// End of the last character of the answer.
    pub answered: Moment,
    /// How many characters the answer had.
    pub characters: usize,
}

/// How much of the wire was used.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Exchanges from the end of the first answer in the window to the end of the last.
    pub exchanges: u64,
    /// From the end of the first answer in the window to the end of the last.
    pub span: Span,
    /// What those exchanges could not do without.
    pub needed: Span,
    /// How many of them were the request that fills the wire; the others refresh a hold or keep a session.
    pub readings: u64,
    /// Characters of that request, and of its answer.
    pub characters: (usize, usize),
    /// The controller's own mean P2 in that request's exchanges.
    pub p2: Span,
    /// The controller's own mean P1 in that request's exchanges.
    pub p1: Span,
    /// The most exchanges a second that the formula allows for that request alone.
    pub limit: f64,
}

impl Measured {
    /// Exchanges a second on the line.
    pub fn rate(&self) -> f64 {
        self.exchanges as f64 / self.span.as_secs_f64()
    }

    /// Exchanges a second of the request that fills the wire.
    pub fn reading_rate(&self) -> f64 {
        self.readings as f64 / self.span.as_secs_f64()
    }

    /// The share of the wire's time that exchanges could not do without, in per cent: every exchange counts with
    /// its own length.
    pub fn share(&self) -> f64 {
        100.0 * self.needed.as_secs_f64() / self.span.as_secs_f64()
    }

    /// Readings a second against the most that the wire could do if nothing else were said on it, in per cent.
    pub fn reading_share(&self) -> f64 {
        100.0 * self.reading_rate() / self.limit
    }
}

/// The exchanges of a controller's log, oldest first; what was not answered is none.
pub fn exchanges(log: &[Happened]) -> Vec<Exchange> {
    let mut found = Vec::new();
    let mut asked: Option<(i64, &Vec<u8>)> = None;
    for happened in log {
        match happened {
            Happened::Request { at, bytes } => asked = Some((*at, bytes)),
            Happened::Sent { start, end, bytes } => {
                if let Some((at, request)) = asked.take() {
                    found.push(Exchange {
                        request: request.clone(),
                        asked: Moment(at),
                        answering: Moment(*start),
                        answered: Moment(*end),
                        characters: bytes.len(),
                    });
                }
            }
            _ => {}
        }
    }
    found
}

/// How much of the wire was used between two moments; none with fewer than two exchanges between them. The request
/// that fills the wire is the most frequent one.
pub fn measured(all: &[Exchange], from: Moment, to: Moment, gaps: Gaps, baud: u32) -> Option<Measured> {
    let inside: Vec<&Exchange> = all.iter().filter(|one| one.answered > from && one.answered <= to).collect();
    let (first, rest) = inside.split_first()?;
    let last = rest.last()?;
    let mut counts: BTreeMap<&[u8], usize> = BTreeMap::new();
    rest.iter().for_each(|one| *counts.entry(&one.request).or_default() += 1);
    let (filling, readings) = counts.into_iter().max_by_key(|(_, count)| *count)?;
    let needed = rest.iter().map(|one| needed(one, gaps, baud)).sum::<f64>();
    let own = rest.iter().filter(|one| one.request == filling);
    let answer = own.clone().next()?.characters;
    let (mut p2, mut p1, mut alone) = (0.0, 0.0, 0.0);
    for one in own {
        let character = 10.0 / f64::from(baud);
        let answering = one.answered.since(one.answering).as_secs_f64();
        p2 += one.answering.since(one.asked).as_secs_f64();
        p1 +=
            (answering - character * one.characters as f64) / one.characters.saturating_sub(1).max(1) as f64;
        alone += self::needed(one, gaps, baud);
    }
    // Character times are whole nanoseconds on the line and not in the formula: the mean may miss zero by a hair.
    let mean = |sum: f64| Span::from_secs_f64((sum / readings as f64).max(0.0));
    Some(Measured {
        exchanges: rest.len() as u64,
        span: last.answered.since(first.answered),
        needed: Span::from_secs_f64(needed),
        readings: readings as u64,
        characters: (filling.len(), answer),
        p2: mean(p2),
        p1: mean(p1),
        limit: readings as f64 / alone,
    })
}

/// What an exchange cannot do without, in seconds: `Nq Tb + (Nq-1) P4 + P2 + Nr Tb + (Nr-1) P1 + P3`, where the
/// last three but P3 are the time from the end of the request to the end of the answer, as the controller took it.
fn needed(one: &Exchange, gaps: Gaps, baud: u32) -> f64 {
    let characters = one.request.len();
    let request = characters as f64 * 10.0 / f64::from(baud)
        + characters.saturating_sub(1) as f64 * gaps.character.as_secs_f64();
    request + one.answered.since(one.asked).as_secs_f64() + gaps.request.as_secs_f64()
}
