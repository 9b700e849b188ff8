//! What a gate takes for granted where its writer does not say it (our choice, no published source).

use model::Span;

/// The window in which a level is judged, unless `.over(…)` says otherwise.
pub const LEVEL_WINDOW: Span = Span::from_secs(2);
/// The window in which steadiness and change are judged, unless `.over(…)` says otherwise.
pub const TREND_WINDOW: Span = Span::from_secs(10);
/// How old the newest reading may be, unless `.fresh(…)` says otherwise.
pub const FRESH: Span = Span::from_secs(2);
/// How long data may be unknown before a dwell starts again, unless `.dropout(…)` says otherwise.
pub const DROPOUT: Span = Span::from_secs(1);
