//! Signals: every wish of the system or its user to end the program.

use model::{Place, Problem, ProblemKind};

use crate::sides::typed::Typed;

/// What signals bring about.
pub(super) struct Listened {
    /// Raised at every wish of the system or its user to end: Ctrl-C, a closed terminal, a polite kill.
    pub(super) stop: clock::Stop,
    /// An empty line for every signal that marks the moment (SIGUSR1, where there are such).
    pub(super) marks: Typed,
}

/// Raises the latch at every wish to end, and marks. A second wish changes nothing: the release has its own time budget.
async fn listen(raise: &clock::Stop, marks: &Typed, ready: std::sync::mpsc::Sender<()>) {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        let all = [
            SignalKind::interrupt(),
            SignalKind::terminate(),
            SignalKind::hangup(),
            SignalKind::user_defined1(),
        ];
        match all.map(signal) {
            [Ok(mut interrupt), Ok(mut terminate), Ok(mut hangup), Ok(mut mark)] => loop {
                // Whoever waits for it has it after the first round.
                ready.send(()).ok();
                tokio::select! {
                    biased;
                    _ = interrupt.recv() => raise.raise("Ctrl-C"),
                    _ = terminate.recv() => raise.raise("a request to end the program"),
                    _ = hangup.recv() => raise.raise("the closing of its terminal"),
                    _ = mark.recv() => marks.put(""),
                }
            },
            _ => tracing::error!("signals cannot be listened for"),
        }
    }
    #[cfg(not(unix))]
    ready.send(()).ok();
    #[cfg(not(unix))]
    let _ = marks;
    #[cfg(not(unix))]
    while tokio::signal::ctrl_c().await.is_ok() {
        raise.raise("Ctrl-C");
    }
}

/// A latch that Ctrl-C raises, from the moment this returns. Without it nothing may begin: a run that cannot be stopped
/// could keep an output held.
pub(super) fn interrupted() -> Result<clock::Stop, Problem> {
    listened().map(|listened| listened.stop)
}

/// Listens for signals from the moment this returns, on a thread and a runtime of its own: real input beside a paused
/// clock would make it jump.
pub(super) fn listened() -> Result<Listened, Problem> {
    let (stop, marks) = (clock::Stop::new(), Typed::default());
    let (raise, marked) = (stop.clone(), marks.clone());
    let (ready, is_ready) = std::sync::mpsc::channel();
    let listener = std::thread::Builder::new().name("signals".into()).spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        match runtime {
            Ok(runtime) => runtime.block_on(listen(&raise, &marked, ready)),
            Err(error) => tracing::error!(%error, "Ctrl-C cannot be listened for"),
        }
    });
    let failed = |seen: String| {
        let cure = "free memory, or raise the limits of open files and threads";
        Problem::new(
            ProblemKind::Program,
            Place::Program,
            format!("Ctrl-C cannot be listened for{seen}"),
            cure,
        )
    };
    listener.map_err(|error| failed(format!(": {error}")))?;
    // A listener that could not begin has dropped its end.
    is_ready.recv().map_err(|_| failed(String::new()))?;
    Ok(Listened { stop, marks })
}
