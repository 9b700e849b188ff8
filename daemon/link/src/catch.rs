//! Turns a panic of a future into a value, so that what it held can still be released.

use std::any::Any;
use std::future::Future;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::Pin;
use std::task::{Context, Poll};

/// A future whose panics are caught.
pub(crate) struct Catch<F>(pub(crate) Pin<Box<F>>);

impl<F: Future> Future for Catch<F> {
    type Output = Result<F::Output, String>;

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Self::Output> {
        let future = self.0.as_mut();
        // What the future leaves half done is not read again: its owner builds the machines anew.
        match catch_unwind(AssertUnwindSafe(|| future.poll(context))) {
            Ok(poll) => poll.map(Ok),
            Err(panic) => Poll::Ready(Err(words(&*panic))),
        }
    }
}

fn words(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(ToString::to_string);
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "a panic without words".into())
}
