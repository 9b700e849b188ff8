//! What a person types: read on a thread of its own, awaited by whoever asks.

use std::collections::VecDeque;
use std::io::BufRead;
use std::sync::{Arc, Mutex, MutexGuard};
use std::task::{Context, Poll, Waker};

/// Lines that may wait to be taken: more than anybody types, and little memory (our choice, no published source).
pub(super) const MOST_LINES: usize = 4_096;

#[derive(Debug, Default)]
struct Inner {
    lines: VecDeque<String>,
    refused: usize,
    closed: bool,
    waker: Option<Waker>,
}

/// Lines as they are typed. Copies share them.
#[derive(Debug, Clone, Default)]
pub struct Typed(Arc<Mutex<Inner>>);

impl Typed {
    /// Reads lines until there are no more. The thread ends with them or with the program: a read of a terminal
    /// cannot be broken off.
    pub fn read(mut from: impl BufRead + Send + 'static) -> std::io::Result<Self> {
        let typed = Self::default();
        let reader = typed.clone();
        std::thread::Builder::new().name("typed".into()).spawn(move || {
            let mut line = String::new();
            loop {
                line.clear();
                match from.read_line(&mut line) {
                    Ok(0) => break,
                    Ok(_) => reader.put(line.trim_end_matches(['\r', '\n'])),
                    Err(error) => {
                        tracing::warn!(%error, "what is typed can no longer be read");
                        break;
                    }
                }
            }
            reader.close();
        })?;
        Ok(typed)
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().expect("nothing panics while it holds this lock")
    }

    /// Adds a line. One for which there is no room is refused and counted.
    pub(crate) fn put(&self, line: &str) {
        let mut inner = self.inner();
        if inner.lines.len() < MOST_LINES {
            inner.lines.push_back(line.to_string());
        } else {
            inner.refused += 1;
        }
        if let Some(waker) = inner.waker.take() {
            waker.wake();
        }
    }

    /// Says that no more comes.
    pub(super) fn close(&self) {
        let mut inner = self.inner();
        inner.closed = true;
        if let Some(waker) = inner.waker.take() {
            waker.wake();
        }
    }

    /// The next line, if there is one.
    pub fn take(&self) -> Option<String> {
        self.inner().lines.pop_front()
    }

    /// Whether there is a line, and the next one is such.
    pub fn first_is(&self, such: impl FnOnce(&str) -> bool) -> bool {
        self.inner().lines.front().is_some_and(|line| such(line))
    }

    /// Whether any line that waits is such.
    pub fn any_is(&self, such: impl Fn(&str) -> bool) -> bool {
        self.inner().lines.iter().any(|line| such(line))
    }

    /// The first line that is such, wherever it stands.
    pub fn take_such(&self, such: impl Fn(&str) -> bool) -> Option<String> {
        let mut inner = self.inner();
        let at = inner.lines.iter().position(|line| such(line))?;
        inner.lines.remove(at)
    }

    /// How many lines were refused since this was last asked.
    pub fn refused(&self) -> usize {
        std::mem::take(&mut self.inner().refused)
    }

    /// Whether lines were refused.
    pub fn has_refused(&self) -> bool {
        self.inner().refused > 0
    }

    /// Notes whom the next line wakes.
    pub fn wake_at_next(&self, context: &Context<'_>) {
        self.inner().waker = Some(context.waker().clone());
    }

    /// Whether nothing more will come.
    pub fn is_closed(&self) -> bool {
        let inner = self.inner();
        inner.closed && inner.lines.is_empty()
    }

    /// Forgets what was typed before anybody asked.
    pub fn forget(&self) {
        self.inner().lines.clear();
    }

    /// Ready when there is a line, or when there will be none.
    pub fn poll_ready(&self, context: &mut Context<'_>) -> Poll<()> {
        let mut inner = self.inner();
        if !inner.lines.is_empty() || inner.closed {
            return Poll::Ready(());
        }
        inner.waker = Some(context.waker().clone());
        Poll::Pending
    }
}

#[cfg(test)]
mod tests {
    use std::future::poll_fn;

    use super::*;

    #[test]
    fn lines_come_in_order_and_the_end_is_told() {
        let typed = Typed::read(std::io::Cursor::new("yes\r\n12,5\nlast")).unwrap();
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        let mut lines = Vec::new();
        while !typed.is_closed() {
            runtime.block_on(poll_fn(|context| typed.poll_ready(context)));
            lines.extend(typed.take());
        }
        assert_eq!(lines, ["yes", "12,5", "last"]);
        assert_eq!(typed.take(), None);
    }
}
