//! Signals: every wish of the system or its user to end the program.

use model::{Place, Problem, ProblemKind};

/// Raises the latch at every wish of the system or its user to end: Ctrl-C, a closed terminal, a polite kill. A
/// second one changes nothing: the release has its own time budget.
async fn listen(raise: &clock::Stop, ready: std::sync::mpsc::Sender<()>) {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        match (signal(SignalKind::interrupt()), signal(SignalKind::terminate()), signal(SignalKind::hangup()))
        {
            (Ok(mut interrupt), Ok(mut terminate), Ok(mut hangup)) => loop {
                // Whoever waits for it has it after the first round.
                ready.send(()).ok();
                tokio::select! {
                    biased;
                    _ = interrupt.recv() => raise.raise("Ctrl-C"),
                    _ = terminate.recv() => raise.raise("a request to end the program"),
                    _ = hangup.recv() => raise.raise("the closing of its terminal"),
                }
            },
            _ => tracing::error!("signals cannot be listened for"),
        }
    }
    #[cfg(not(unix))]
    ready.send(()).ok();
    #[cfg(not(unix))]
    while tokio::signal::ctrl_c().await.is_ok() {
        raise.raise("Ctrl-C");
    }
}

/// A latch that Ctrl-C raises, from the moment this returns. It has a thread and a runtime of its own: real input
/// beside a paused clock would make it jump. Without it nothing may begin: a run that cannot be stopped could keep
/// an output held.
pub(super) fn interrupted() -> Result<clock::Stop, Problem> {
    let stop = clock::Stop::new();
    let raise = stop.clone();
    let (ready, is_ready) = std::sync::mpsc::channel();
    let listener = std::thread::Builder::new().name("signals".into()).spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        match runtime {
            Ok(runtime) => runtime.block_on(listen(&raise, ready)),
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
    Ok(stop)
}
