//! What a script may use up, and how a run is told to stop.

use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// The stack a thread needs that runs a script under the standard [`Limits`], in bytes.
///
/// The interpreter recurses; a stack that overflows ends the whole process, so the depth limits and this size
/// belong together. The tests run the deepest scripts that the limits allow on a stack of this size.
pub const STACK_BYTES: usize = 8 * 1024 * 1024;

/// Limits of one run. A script that reaches one ends as bad input and cannot catch it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Operations of the interpreter, over the whole run.
    pub operations: u64,
    /// How deep functions and closures may call each other.
    pub call_depth: usize,
    /// How deep expressions may nest, outside functions and within one.
    pub expression_depth: usize,
    /// Bytes of one text, and of all texts within one array or map.
    pub text_bytes: usize,
    /// Elements of one array, those of nested ones included. Sorting 99,000 elements takes milliseconds
    /// between two looks at the limits, so this stays at 10,000 or below.
    pub array_items: usize,
    /// Entries of one map, those of nested ones included.
    pub map_entries: usize,
    /// Variables at one time.
    pub variables: usize,
    /// Functions of one script, closures included.
    pub functions: usize,
    /// Bytes by which memory may grow over the run, as the meter counts them.
    pub memory_bytes: u64,
    /// Bytes of the script itself.
    pub script_bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            operations: 5_000_000,
            call_depth: 32,
            expression_depth: 48,
            text_bytes: 64 * 1024,
            array_items: 10_000,
            map_entries: 2_000,
            variables: 500,
            functions: 500,
            memory_bytes: 64 * 1024 * 1024,
            script_bytes: 512 * 1024,
        }
    }
}

/// A flag that stops a run from outside. Cloning gives another handle of the same flag.
#[derive(Debug, Clone, Default)]
pub struct Cancel(Arc<AtomicBool>);

impl Cancel {
    /// A flag that is not raised.
    pub fn new() -> Self {
        Self::default()
    }

    /// Stops the run at its next operation or host call. A host call that is under way is not interrupted:
    /// the answering side ends it.
    pub fn cancel(&self) {
        self.0.store(true, Ordering::Release);
    }

    /// Whether it has been raised.
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }
}

/// Tells how many bytes the calling thread holds. Only growth since the start of the run counts.
pub struct MemoryMeter(Box<dyn Fn() -> u64 + Send + Sync>);

impl MemoryMeter {
    /// A meter that asks this function, often: it should be a plain counter.
    pub fn new(read: impl Fn() -> u64 + Send + Sync + 'static) -> Self {
        Self(Box::new(read))
    }

    pub(crate) fn read(&self) -> u64 {
        (self.0)()
    }
}

impl fmt::Debug for MemoryMeter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("MemoryMeter")
    }
}
