//! What a person says beside any question: marks, measurements of their own, and the wish to begin or to end.

use std::collections::VecDeque;
use std::task::{Context, Poll};

use clock::Stop;
use link::Operator;
use model::{Event, Moment, Quantity, Unit, Wanted};

use super::beside::Beside;
use super::screen::Screen;
use super::typed::Typed;
use crate::amount::leading_number;

/// One thing that was said.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// Something to record.
    Record(Event),
    /// Keep what is read from now on, whatever is waited for.
    Start,
    /// End it.
    Stop,
}

/// What can be said, for whoever said something else.
pub const SAYINGS: &str =
    "type mark WORDS (or Enter alone), measure NAME VALUE UNIT [± U] [with INSTRUMENT], start or stop";

/// Understands one line. `None` for a line that says nothing of this kind; an error for one that begins so and does not
/// go on well.
pub fn understand(line: &str, how: &str) -> Option<Result<Said, String>> {
    let line = line.trim();
    let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    Some(match word {
        "mark" => Ok(Said::Record(marked(rest.trim(), how))),
        "measure" => measurement(rest).map(Said::Record),
        "start" if rest.is_empty() => Ok(Said::Start),
        "stop" if rest.is_empty() => Ok(Said::Stop),
        _ => return None,
    })
}

/// A mark.
pub fn marked(words: &str, how: &str) -> Event {
    Event::Marked { words: words.to_string(), how: how.to_string() }
}

/// A measurement by hand: `NAME VALUE UNIT [± U] [with INSTRUMENT]`. U is half of the 95 % interval, in the unit of the
/// value or with one of its own; `+/-` and `+-` stand for `±`.
pub fn measurement(text: &str) -> Result<Event, String> {
    let example = "write for example fuel pressure 2.9 bar ± 0.1 with gauge 3";
    let (said, instrument) = match text.split_once(" with ") {
        Some((said, instrument)) => {
            (said, Some(instrument.trim().to_string()).filter(|name| !name.is_empty()))
        }
        None => (text, None),
    };
    let said = said.replace("+/-", "±").replace("+-", "±");
    let (value, half) = match said.split_once('±') {
        Some((value, half)) => (value, Some(half.trim())),
        None => (said.as_str(), None),
    };
    let words: Vec<&str> = value.split_whitespace().collect();
    let at = words.iter().skip(1).position(|word| leading_number(word).is_some()).map(|i| i + 1);
    let Some(at) = at else {
        return Err(format!("'{}' has no name with a number after it: {example}", text.trim()));
    };
    let value =
        crate::amount::quantity(&words[at..].join(" ")).map_err(|error| format!("{error}: {example}"))?;
    let expanded =
        half.map(|half| expanded(half, &value)).transpose().map_err(|error| format!("{error}: {example}"))?;
    Ok(Event::MeasuredByHand { name: words[..at].join(" "), value, expanded, instrument })
}

/// Half of the interval in the unit of the value.
fn expanded(text: &str, value: &Quantity) -> Result<f64, String> {
    let (half, unit) = leading_number(text).ok_or_else(|| format!("'{text}' after ± is no number"))?;
    let half = match unit.trim() {
        "" => half,
        code => {
            let unit = Unit::new(code).map_err(|error| error.to_string())?;
            unit.convert_difference(half, &value.unit).map_err(|error| error.to_string())?
        }
    };
    if half > 0.0 { Ok(half) } else { Err(format!("'{text}' after ± is not above zero")) }
}

/// Where it can be said.
#[derive(Default)]
pub struct Voices {
    /// Lines as they are typed.
    pub typed: Option<Typed>,
    /// A line for every signal that marks the moment.
    pub signalled: Option<Typed>,
    /// What is said in a rehearsal, each at its moment.
    pub foretold: VecDeque<(Moment, Said)>,
    /// Every typed line is meant for us, Enter alone among them; otherwise only those that are nobody's answer.
    pub all_typed: bool,
    /// They are typed at a terminal: a line that comes while nothing is asked is nobody's answer. From a file an answer
    /// may stand there before it is asked for.
    pub at_terminal: bool,
}

/// What a typed line may be the answer to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Question {
    /// Nothing is asked.
    No,
    /// One whose answers never read like something that is said beside it.
    Plain,
    /// One for words, which may be any.
    Words,
}

impl std::fmt::Debug for Voices {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Voices")
    }
}

/// What is done with what is not to be recorded.
pub trait Wish {
    /// Keep what is read from now on.
    fn start(&mut self);
    /// End it.
    fn stop(&mut self);
    /// A line was not understood; this says why.
    fn puzzled(&mut self, why: &str);
}

/// Only the wish to end means anything: what runs has begun already.
pub struct StopOnly<S> {
    stop: Stop,
    screen: S,
}

impl<S> std::fmt::Debug for StopOnly<S> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("StopOnly")
    }
}

impl<S> StopOnly<S> {
    /// Stops here, and is puzzled there.
    pub fn new(stop: Stop, screen: S) -> Self {
        Self { stop, screen }
    }
}

/// Where a line for people goes.
pub trait Says {
    /// Says it.
    fn say(&mut self, text: &str);
}

impl Says for Screen {
    fn say(&mut self, text: &str) {
        Self::say(self, text);
    }
}

impl Says for Beside {
    fn say(&mut self, text: &str) {
        Self::say(self, text.to_string());
    }
}

impl<S: Says> Wish for StopOnly<S> {
    fn start(&mut self) {
        self.screen.say("it has begun already");
    }

    fn stop(&mut self) {
        self.stop.raise("stop");
    }

    fn puzzled(&mut self, why: &str) {
        self.screen.say(why);
    }
}

/// An operator who may say something beside any question.
pub struct Accompanied<O> {
    inner: O,
    voices: Voices,
    wish: Box<dyn Wish + Send>,
    asked: Question,
    /// Lines that came before a question was asked and are not its answer.
    before: VecDeque<String>,
}

impl<O> std::fmt::Debug for Accompanied<O> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Accompanied")
    }
}

impl<O: Operator> Accompanied<O> {
    /// Gives an operator voices.
    pub fn new(inner: O, voices: Voices, wish: Box<dyn Wish + Send>) -> Self {
        Self { inner, voices, wish, asked: Question::No, before: VecDeque::new() }
    }

    /// Whether a line that is typed now is nobody's answer.
    fn is_ours(&self) -> impl Fn(&str) -> bool + use<O> {
        let Voices { all_typed, at_terminal, .. } = self.voices;
        let asked = self.asked;
        move |line| {
            let said = || understand(line, "").is_some();
            all_typed
                || match asked {
                    Question::No => at_terminal || said(),
                    Question::Plain => said(),
                    Question::Words => false,
                }
        }
    }

    /// Whether a typed line is there that is nobody's answer. While something is asked an answer stands before what
    /// was typed after it; while nothing is, it stands in nobody's way.
    fn typed_is_ours(&self) -> bool {
        let Some(typed) = &self.voices.typed else { return false };
        let ours = self.is_ours();
        if self.asked == Question::No { typed.any_is(ours) } else { typed.first_is(ours) }
    }

    /// The next typed line that is nobody's answer.
    fn typed_line(&mut self) -> Option<String> {
        if let Some(line) = self.before.pop_front() {
            return Some(line);
        }
        if !self.typed_is_ours() {
            return None;
        }
        self.voices.typed.as_ref()?.take_such(self.is_ours())
    }

    /// The next line with how it came.
    fn next_line(&mut self) -> Option<(String, &'static str)> {
        if let Some(line) = self.voices.signalled.as_ref().and_then(Typed::take) {
            return Some((line, "signal"));
        }
        self.typed_line().map(|line| (line, "typed"))
    }

    fn take(&mut self, said: Said) -> Option<Event> {
        match said {
            Said::Record(event) => return Some(event),
            Said::Start => self.wish.start(),
            Said::Stop => self.wish.stop(),
        }
        None
    }
}

impl<O: Operator> Operator for Accompanied<O> {
    fn caution(&mut self, now: Moment, lines: &[String]) {
        self.inner.caution(now, lines);
    }

    fn remark(&mut self, now: Moment, text: &str) {
        self.inner.remark(now, text);
    }

    fn ask(&mut self, now: Moment, act: &str, target: &str, words: &str, wanted: &Wanted) {
        // What was typed before the question was there is no answer to it, and is still said.
        let ours = self.is_ours();
        if let Some(typed) = &self.voices.typed {
            self.before.extend(std::iter::from_fn(|| typed.take_such(&ours)));
        }
        self.asked = if *wanted == Wanted::Text { Question::Words } else { Question::Plain };
        self.inner.ask(now, act, target, words, wanted);
    }

    fn instruct(&mut self, now: Moment, act: &str, target: &str, words: &str) {
        self.inner.instruct(now, act, target, words);
    }

    fn call(&mut self, now: Moment, text: &str) {
        self.inner.call(now, text);
    }

    fn answer(&mut self, now: Moment) -> Option<String> {
        if self.typed_is_ours() {
            return None;
        }
        let answer = self.inner.answer(now);
        if answer.is_some() {
            self.asked = Question::No;
        }
        answer
    }

    fn given_up(&mut self, now: Moment) {
        self.asked = Question::No;
        self.inner.given_up(now);
    }

    fn poll_answered(&mut self, context: &mut Context<'_>) -> Poll<()> {
        self.inner.poll_answered(context)
    }

    fn next_answer(&self) -> Option<Moment> {
        self.inner.next_answer()
    }

    fn said(&mut self, now: Moment) -> Option<Event> {
        while let Some((_, said)) = self.voices.foretold.pop_front_if(|(at, _)| *at <= now) {
            if let Some(event) = self.take(said) {
                return Some(event);
            }
        }
        let refused = self.voices.typed.as_ref().map_or(0, Typed::refused);
        if refused > 0 {
            self.wish.puzzled(&format!("{refused} lines were not taken: too many were waiting"));
        }
        while let Some((line, how)) = self.next_line() {
            if line.trim().is_empty() {
                return Some(marked("", how));
            }
            match understand(&line, how) {
                Some(Ok(said)) => {
                    if let Some(event) = self.take(said) {
                        return Some(event);
                    }
                }
                Some(Err(why)) => self.wish.puzzled(&why),
                None => self.wish.puzzled(&format!("'{}' is not understood: {SAYINGS}", line.trim())),
            }
        }
        None
    }

    fn poll_said(&mut self, context: &mut Context<'_>) -> Poll<()> {
        let mut ready = !self.before.is_empty() || self.typed_is_ours();
        // Whichever speaks first wakes; a source that is at its end, or whose lines are answers, does not.
        if let Some(signalled) = &self.voices.signalled {
            ready |= signalled.poll_ready(context).is_ready() && signalled.first_is(|_| true);
        }
        if let Some(typed) = self.voices.typed.as_ref().filter(|_| !ready) {
            typed.wake_at_next(context);
            // A line may have come before the waker was noted.
            ready = typed.has_refused() || self.typed_is_ours();
        }
        if ready { Poll::Ready(()) } else { Poll::Pending }
    }

    fn next_said(&self) -> Option<Moment> {
        self.voices.foretold.front().map(|(at, _)| *at)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex};

    use super::*;
    use crate::sides::person::Person;
    use crate::sides::unrecorded::Unrecorded;

    #[derive(Clone, Default)]
    struct Wishes(Arc<Mutex<Vec<String>>>);

    impl Wish for Wishes {
        fn start(&mut self) {
            self.0.lock().unwrap().push("start".into());
        }
        fn stop(&mut self) {
            self.0.lock().unwrap().push("stop".into());
        }
        fn puzzled(&mut self, why: &str) {
            self.0.lock().unwrap().push(why.into());
        }
    }

    fn by_hand(text: &str) -> (String, String, Option<f64>, Option<String>) {
        match measurement(text).unwrap() {
            Event::MeasuredByHand { name, value, expanded, instrument } => {
                (name, value.to_string(), expanded, instrument)
            }
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_measurement_has_a_name_a_value_with_its_unit_an_interval_and_an_instrument() {
        let some = |text: &str| Some(text.to_string());
        let read = by_hand("fuel pressure 2.9 bar ± 0.1 with gauge 3");
        assert_eq!(read, ("fuel pressure".into(), "2.9 bar".into(), Some(0.1), some("gauge 3")));
        assert_eq!(by_hand("gap 0,7 mm +- 50 um"), ("gap".into(), "0.7 mm".into(), Some(0.05), None));
        assert_eq!(by_hand("oil 95Cel"), ("oil".into(), "95 °C".into(), None, None));
        for bad in [
            "",
            "2.9 bar",
            "pressure",
            "pressure 2.9",
            "pressure 2.9 bar ± x",
            "p 2 bar ± -1",
            "p 1 bar ± 1 Cel",
        ] {
            assert!(measurement(bad).unwrap_err().contains("for example"), "{bad}");
        }
    }

    #[test]
    fn among_answers_only_what_is_nobodys_answer_is_taken() {
        let typed = Typed::default();
        let wishes = Wishes::default();
        let voices = Voices { typed: Some(typed.clone()), ..Voices::default() };
        let mut person = Accompanied::new(Unrecorded, voices, Box::new(wishes.clone()));
        let now = Moment::ZERO;
        for line in ["mark fan on", "2", "mark later"] {
            typed.put(line);
        }
        assert_eq!(person.said(now), Some(marked("fan on", "typed")));
        assert_eq!(
            person.said(now),
            Some(marked("later", "typed")),
            "nothing is asked: nothing stands before it"
        );
        assert_eq!(person.said(now), None);
        // While something is, an answer does.
        person.ask(now, "", "", "", &Wanted::Done);
        typed.put("mark later");
        assert_eq!(person.said(now), None, "an answer stands before it");
        assert_eq!(typed.take().as_deref(), Some("2"));
        // Where words are asked for, they are the answer whatever they are.
        assert_eq!(person.said(now), Some(marked("later", "typed")));
        person.ask(now, "", "", "", &Wanted::Text);
        typed.put("mark it as worn");
        assert_eq!(person.said(now), None);
        // Nobody waits for an answer any more.
        person.given_up(now);
        assert_eq!(person.said(now), Some(marked("it as worn", "typed")));
        typed.put("measure this");
        assert_eq!(person.said(now), None);
        assert!(wishes.0.lock().unwrap()[0].contains("for example"));
    }

    /// A person whose answers come from the same lines, as at the terminal.
    fn at_terminal(typed: &Typed, wishes: &Wishes) -> Accompanied<Person> {
        let voices = Voices { typed: Some(typed.clone()), at_terminal: true, ..Voices::default() };
        let person = Person::new(typed.clone(), true, Stop::new());
        Accompanied::new(person, voices, Box::new(wishes.clone()))
    }

    #[test]
    fn a_stray_line_at_the_terminal_silences_nothing() {
        let (typed, wishes, now) = (Typed::default(), Wishes::default(), Moment::ZERO);
        let mut person = at_terminal(&typed, &wishes);
        ["", "what now", "mark fan on", "stop"].iter().for_each(|line| typed.put(line));
        let mut context = Context::from_waker(std::task::Waker::noop());
        assert!(person.poll_said(&mut context).is_ready());
        assert_eq!(person.said(now), Some(marked("", "typed")));
        assert_eq!(person.said(now), Some(marked("fan on", "typed")));
        assert_eq!(person.said(now), None);
        let heard = wishes.0.lock().unwrap().clone();
        assert!(heard[0].contains("'what now' is not understood") && heard[1] == "stop", "{heard:?}");
        assert!(person.poll_said(&mut context).is_pending());
    }

    #[test]
    fn what_was_typed_before_a_question_is_said_and_never_its_answer() {
        let (typed, wishes, now) = (Typed::default(), Wishes::default(), Moment::ZERO);
        for wanted in [Wanted::Done, Wanted::Text] {
            let mut person = at_terminal(&typed, &wishes);
            ["yes", "mark fan on", "stop"].iter().for_each(|line| typed.put(line));
            person.ask(now, "", "", "", &wanted);
            assert_eq!(person.answer(now), None, "{wanted:?}");
            let mut context = Context::from_waker(std::task::Waker::noop());
            assert!(person.poll_said(&mut context).is_ready());
            assert_eq!(person.said(now), Some(marked("fan on", "typed")), "{wanted:?}");
            assert_eq!(person.said(now), None);
            typed.put("12,5");
            assert!(person.poll_said(&mut context).is_pending());
            assert_eq!(person.answer(now).as_deref(), Some("12,5"));
        }
        let heard = wishes.0.lock().unwrap().clone();
        assert_eq!(heard.iter().filter(|one| *one == "stop").count(), 2, "{heard:?}");
    }

    #[test]
    fn a_question_asked_anew_forgets_answers_and_keeps_what_was_said() {
        let (typed, wishes, now) = (Typed::default(), Wishes::default(), Moment::ZERO);
        let mut person = at_terminal(&typed, &wishes);
        person.ask(now, "", "", "", &Wanted::Done);
        ["done", "mark fan on"].iter().for_each(|line| typed.put(line));
        person.ask(now, "", "", "", &Wanted::Done);
        assert_eq!(person.answer(now), None);
        assert_eq!(person.said(now), Some(marked("fan on", "typed")));
        assert_eq!(person.said(now), None);
        assert_eq!(wishes.0.lock().unwrap().len(), 0);
    }

    #[test]
    fn lines_beyond_what_can_wait_are_told() {
        let (typed, wishes, now) = (Typed::default(), Wishes::default(), Moment::ZERO);
        let voices = Voices { typed: Some(typed.clone()), ..Voices::default() };
        let mut person = Accompanied::new(Unrecorded, voices, Box::new(wishes.clone()));
        (0..super::super::typed::MOST_LINES + 3).for_each(|_| typed.put("yes"));
        assert_eq!(person.said(now), None);
        assert_eq!(person.said(now), None);
        assert_eq!(*wishes.0.lock().unwrap(), ["3 lines were not taken: too many were waiting"]);
        // Those that were taken are answers still.
        assert_eq!(std::iter::from_fn(|| typed.take()).count(), super::super::typed::MOST_LINES);
    }

    #[test]
    fn where_nobody_is_asked_every_line_is_taken_and_enter_alone_is_a_mark() {
        let (typed, signalled) = (Typed::default(), Typed::default());
        let wishes = Wishes::default();
        let voices = Voices {
            typed: Some(typed.clone()),
            signalled: Some(signalled.clone()),
            all_typed: true,
            at_terminal: false,
            foretold: VecDeque::from([(Moment(5), Said::Record(marked("then", "foretold")))]),
        };
        let mut person = Accompanied::new(Unrecorded, voices, Box::new(wishes.clone()));
        let now = Moment::ZERO;
        ["", "hello", "start", "stop"].iter().for_each(|line| typed.put(line));
        signalled.put("");
        assert_eq!(person.next_said(), Some(Moment(5)));
        assert_eq!(person.said(now), Some(marked("", "signal")));
        assert_eq!(person.said(now), Some(marked("", "typed")));
        assert_eq!(person.said(now), None);
        let heard = wishes.0.lock().unwrap().clone();
        assert!(heard[0].contains("'hello' is not understood"), "{heard:?}");
        assert_eq!(heard[1..], ["start", "stop"]);
        assert_eq!(person.said(Moment(5)), Some(marked("then", "foretold")));
        assert_eq!(person.next_said(), None);
    }
}
