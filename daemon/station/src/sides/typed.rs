//! What a person types: read on a thread of its own, awaited by whoever asks.

use std::collections::VecDeque;
use std::io::BufRead;
use std::sync::{Arc, Mutex, MutexGuard};
use std::task::{Context, Poll, Waker};

#[derive(Debug, Default)]
struct Inner {
    lines: VecDeque<String>,
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

    /// Adds a line.
    pub(crate) fn put(&self, line: &str) {
        let mut inner = self.inner();
        inner.lines.push_back(line.to_string());
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
