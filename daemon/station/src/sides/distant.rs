//! Somebody at the other end of a Unix socket, as the driver's operator: simulated hands, or another program. Each
//! line either way is one JSON object.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::task::{Context, Poll};

use clock::Stop;
use link::{Live, Operator, Viewer};
use model::{Judgement, Moment, Place, Problem, ProblemKind, Wanted};
use serde::{Deserialize, Serialize};

use super::typed::Typed;

/// What an operator is told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Told {
    /// Cautions.
    Caution {
        /// One a line.
        lines: Vec<String>,
    },
    /// A line.
    Remark {
        /// It.
        text: String,
    },
    /// A question, which wants an answer.
    Ask {
        /// What to do.
        act: String,
        /// With what.
        target: String,
        /// In words.
        words: String,
        /// What kind of answer.
        wanted: Wanted,
    },
    /// What to do, without an answer.
    Instruct {
        /// What to do.
        act: String,
        /// With what.
        target: String,
        /// In words.
        words: String,
    },
    /// A loud call.
    Call {
        /// It.
        text: String,
    },
    /// What the readout shows.
    Readout {
        /// What the judge says of the gate that is waited for.
        judgement: Judgement,
        /// The newest readings of its first channel, oldest first.
        recent: Vec<f64>,
    },
}

/// What an operator says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said {
    /// The answer to what was asked last.
    pub answer: String,
}

/// Lines that may wait for the other side, one readout among them; any other readout is left out.
const ROOM: usize = 256;

/// Somebody at the other end of a socket.
#[derive(Debug, Clone)]
pub struct Distant {
    tell: SyncSender<Told>,
    said: Typed,
    stop: Stop,
    asked: bool,
    /// Whether a readout waits for the other side: one at a time, so that words always find room.
    shown: Arc<AtomicBool>,
}

impl Distant {
    /// Connects to whoever listens.
    pub fn connect(socket: &Path, stop: Stop) -> Result<Self, Problem> {
        let problem = |error: std::io::Error| {
            let place = Place::Path { path: socket.display().to_string() };
            let cure = "start whoever is to answer first, for example holdgate bench-car --hands";
            Problem::new(ProblemKind::Argument, place, format!("nobody answers there: {error}"), cure)
        };
        let stream = UnixStream::connect(socket).map_err(problem)?;
        let said = Typed::read(BufReader::new(stream.try_clone().map_err(problem)?)).map_err(problem)?;
        let (tell, told) = sync_channel::<Told>(ROOM);
        let mut stream = stream;
        let shown = Arc::new(AtomicBool::new(false));
        let waits = shown.clone();
        let writer = move || {
            for one in told {
                if matches!(one, Told::Readout { .. }) {
                    waits.store(false, Ordering::Release);
                }
                let line = serde_json::to_string(&one).map_err(std::io::Error::from);
                if let Err(error) = line.and_then(|line| writeln!(stream, "{line}")) {
                    tracing::warn!(%error, "the operator is gone");
                    break;
                }
            }
        };
        std::thread::Builder::new().name("operator".into()).spawn(writer).map_err(problem)?;
        Ok(Self { tell, said, stop, asked: false, shown })
    }

    fn tell(&self, told: Told) {
        if let Err(error) = self.tell.try_send(told) {
            tracing::warn!(%error, "the operator does not listen");
        }
    }
}

impl Operator for Distant {
    fn caution(&mut self, _: Moment, lines: &[String]) {
        self.tell(Told::Caution { lines: lines.to_vec() });
    }

    fn remark(&mut self, _: Moment, text: &str) {
        self.tell(Told::Remark { text: text.into() });
    }

    fn ask(&mut self, _: Moment, act: &str, target: &str, words: &str, wanted: &Wanted) {
        // An answer to a question that is over is none to this one.
        self.said.forget();
        self.asked = true;
        let (act, target, words) = (act.into(), target.into(), words.into());
        self.tell(Told::Ask { act, target, words, wanted: wanted.clone() });
    }

    fn instruct(&mut self, _: Moment, act: &str, target: &str, words: &str) {
        self.tell(Told::Instruct { act: act.into(), target: target.into(), words: words.into() });
    }

    fn call(&mut self, _: Moment, text: &str) {
        self.tell(Told::Call { text: text.into() });
    }

    fn answer(&mut self, _: Moment) -> Option<String> {
        let Some(line) = self.said.take() else {
            // The engine must not run on to the prompt's limit with nobody there.
            if self.said.is_closed() && std::mem::take(&mut self.asked) {
                self.stop.raise("the loss of its operator: nobody is there to answer");
            }
            return None;
        };
        match serde_json::from_str::<Said>(&line) {
            Ok(said) => {
                self.asked = false;
                Some(said.answer)
            }
            Err(error) => {
                tracing::warn!(%error, line, "that is no answer");
                None
            }
        }
    }

    fn poll_answered(&mut self, context: &mut Context<'_>) -> Poll<()> {
        if self.said.is_closed() && !self.asked { Poll::Pending } else { self.said.poll_ready(context) }
    }

    fn next_answer(&self) -> Option<Moment> {
        None
    }
}

impl Viewer for Distant {
    fn show(&mut self, live: &Live<'_>) {
        if let Some(judgement) = live.judgement
            && !self.shown.swap(true, Ordering::AcqRel)
        {
            let (judgement, recent) = (judgement.clone(), live.recent.to_vec());
            // The next readout says more than this one would late.
            if self.tell.try_send(Told::Readout { judgement, recent }).is_err() {
                self.shown.store(false, Ordering::Release);
            }
        }
    }
}

/// Reads what an operator is told, line by line, until the other side is gone.
pub fn read_told(from: impl BufRead, mut each: impl FnMut(Told) -> bool) {
    for line in from.lines() {
        let told = line.map_err(|error| error.to_string());
        match told.and_then(|line| serde_json::from_str(&line).map_err(|error| error.to_string())) {
            Ok(told) => {
                if !each(told) {
                    return;
                }
            }
            Err(error) => {
                tracing::warn!(error, "the driver's side is gone, or says what is not understood");
                return;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::future::poll_fn;
    use std::os::unix::net::UnixListener;

    use super::*;

    #[test]
    fn an_operator_who_goes_while_asked_stops_the_run() {
        let folder = tempfile::tempdir().unwrap();
        let listener = UnixListener::bind(folder.path().join("s")).unwrap();
        let stop = Stop::new();
        let mut distant = Distant::connect(&folder.path().join("s"), stop.clone()).unwrap();
        let (mut theirs, _) = listener.accept().unwrap();
        let now = Moment::ZERO;
        distant.ask(now, "look", "", "look", &Wanted::Done);
        writeln!(theirs, r#"{{"answer":"done"}}"#).unwrap();
        clock::block_on(poll_fn(|context| distant.poll_answered(context))).unwrap();
        assert_eq!(distant.answer(now).as_deref(), Some("done"));
        assert!(!stop.is_raised());
        distant.ask(now, "look", "", "look", &Wanted::Done);
        drop(theirs);
        clock::block_on(poll_fn(|context| distant.poll_answered(context))).unwrap();
        assert_eq!(distant.answer(now), None);
        assert!(stop.is_raised());
    }
}
