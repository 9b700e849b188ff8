//! Memory counted by thread, so that a script can be stopped before it takes the machine's.
//!
//! A binary installs [`Counting`] as its global allocator; [`allocated_by_this_thread`] then tells how much
//! the calling thread has taken and not given back. Memory freed on another thread than the one that took it
//! is subtracted there, so a thread's figure may be negative; what counts is its growth.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

thread_local! {
    static BYTES: Cell<i64> = const { Cell::new(0) };
}

/// The system's allocator, counting.
#[derive(Debug, Default)]
pub struct Counting;

fn add(bytes: i64) {
    // A thread that is being torn down has no counter any more; its memory goes uncounted.
    let _ = BYTES.try_with(|count| count.set(count.get().wrapping_add(bytes)));
}

// SAFETY: every call is passed on unchanged to the system's allocator, which keeps the contract; counting
// touches only a thread-local cell that needs no allocation of its own.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        // SAFETY: the caller keeps the contract of `alloc`.
        let pointer = unsafe { System.alloc(layout) };
        if !pointer.is_null() {
            add(layout.size() as i64);
        }
        pointer
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        add(-(layout.size() as i64));
        // SAFETY: the caller keeps the contract of `dealloc`.
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        // SAFETY: the caller keeps the contract of `alloc_zeroed`.
        let pointer = unsafe { System.alloc_zeroed(layout) };
        if !pointer.is_null() {
            add(layout.size() as i64);
        }
        pointer
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, new_size: usize) -> *mut u8 {
        // SAFETY: the caller keeps the contract of `realloc`.
        let moved = unsafe { System.realloc(pointer, layout, new_size) };
        if !moved.is_null() {
            add(new_size as i64 - layout.size() as i64);
        }
        moved
    }
}

/// Bytes that the calling thread has taken and not given back. Zero growth for ever when [`Counting`] is not
/// the global allocator.
pub fn allocated_by_this_thread() -> i64 {
    BYTES.try_with(Cell::get).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[global_allocator]
    static COUNTING: Counting = Counting;

    #[test]
    fn growth_is_counted_on_the_thread_that_grows() {
        let before = allocated_by_this_thread();
        let mut block = std::hint::black_box(vec![1_u8; 1 << 20]);
        assert_eq!(allocated_by_this_thread() - before, 1 << 20);
        block.reserve_exact(1 << 20);
        assert_eq!(allocated_by_this_thread() - before, 2 << 20);
        drop(block);
        assert_eq!(allocated_by_this_thread() - before, 0);
        let elsewhere = std::thread::spawn(|| {
            let before = allocated_by_this_thread();
            let block = std::hint::black_box(vec![0_u8; 4 << 20]);
            (allocated_by_this_thread() - before, block.len())
        });
        assert_eq!(elsewhere.join().unwrap(), (4 << 20, 4 << 20));
        // What remains here is the joined thread's own bookkeeping, not its block.
        assert!(allocated_by_this_thread() - before < 64 << 10);
    }
}
