//! Whoever hears what a capture does.

use crate::sides::said::Says;
use crate::sides::tape::Ear;

/// Hears every event that is recorded, and lines for people.
pub(super) trait Voice: Ear + Says {}

impl<V: Ear + Says> Voice for V {}
