//! Gates as far as they are known before the script runs.

use model::{ChannelId, Span};

use crate::defaults::{FRESH, LEVEL_WINDOW, TREND_WINDOW};
use crate::host::gate_spec::Shape;

/// What was said of something that may be said once.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) enum Said {
    /// Nothing yet.
    #[default]
    Not,
    /// This.
    Is(Span),
    /// Something that is known only when the script runs.
    Later,
}

impl Said {
    /// The span, or the one that holds where nothing is said; none where it is known later.
    pub(super) fn or(self, otherwise: Span) -> Option<Span> {
        match self {
            Self::Not => Some(otherwise),
            Self::Is(span) => Some(span),
            Self::Later => None,
        }
    }
}

/// What one channel is asked for. Numbers are in the channel's unit, and missing where they are known later.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Wanted {
    /// To lie above or below a level.
    Level,
    /// To lie between two levels.
    Within { width: Option<f64> },
    /// To change by no more, to rise, to fall or to move by so much.
    Trend { shape: Shape, by: Option<f64> },
}

/// One channel of a gate.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Leaf {
    /// The channel, where its name is known and the car has it.
    pub(super) channel: Option<ChannelId>,
    pub(super) wanted: Wanted,
    pub(super) over: Said,
    pub(super) fresh: Said,
}

impl Leaf {
    pub(super) fn is_trend(&self) -> bool {
        matches!(self.wanted, Wanted::Trend { .. })
    }

    /// The window of readings that is judged, where it is known.
    pub(super) fn window(&self) -> Option<Span> {
        self.over.or(if self.is_trend() { TREND_WINDOW } else { LEVEL_WINDOW })
    }

    /// How old the newest reading may be, where that is known.
    pub(super) fn freshness(&self) -> Option<Span> {
        self.fresh.or(FRESH)
    }
}

/// A condition with what makes it a gate, as far as the script has said it.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Gate {
    pub(super) leaves: Vec<Leaf>,
    /// Made of others: words on one channel's window have no place on it.
    pub(super) joined: bool,
    /// More is in it than is known.
    pub(super) vague: bool,
    pub(super) proven: bool,
    pub(super) dwell: Said,
    pub(super) dropout: Said,
    pub(super) limit: Said,
}

impl Gate {
    pub(super) fn of(leaf: Leaf) -> Self {
        Self { leaves: vec![leaf], ..Self::default() }
    }

    /// The word that only a whole gate can have, where one was said.
    pub(super) fn word_of_its_own(&self) -> Option<&'static str> {
        let said = [
            (self.proven, "proven"),
            (self.dwell != Said::Not, "dwell"),
            (self.dropout != Said::Not, "dropout"),
            (self.limit != Said::Not, "limit"),
        ];
        said.into_iter().find(|(yes, _)| *yes).map(|(_, word)| word)
    }
}
