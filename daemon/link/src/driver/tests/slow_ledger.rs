//! A disk that takes its time: the wire goes on meanwhile, and nothing is taken over before the entry is safe.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use model::{Command, Ending, Event, Reply, Span};

use super::controller::Say;
use super::sides::pick;
use super::trail::Mark;
use super::world::{Told, World, refusal};
use super::{ENGAGE, MS, S, channel, valve};

/// A world whose controller answers as usual until the script says so, and with `then` from there on.
fn world(takes: Span, then: impl FnMut() -> Say + Send + 'static) -> (World, Arc<AtomicBool>) {
    let begun = Arc::new(AtomicBool::new(false));
    let (seen, mut then) = (begun.clone(), then);
    let world = World::with(move |_, _| if seen.load(Ordering::Acquire) { then() } else { Say::Usual });
    (World { ledger_takes: Some(takes), ..world }, begun)
}

fn never_sent(told: &Told) {
    assert_eq!(told.trail.first_byte_of(&ENGAGE), None);
    assert!(told.ledger.is_empty(), "what never engaged is struck out");
    assert!(pick(&told.events, |e| matches!(e, Event::HoldIntended { .. }).then_some(())).is_empty());
}

#[test]
fn readings_go_on_while_the_ledger_is_written_and_the_hold_comes_after() {
    let (world, _) = world(S(1), || Say::Usual);
    let told = world.run(|script| {
        script.link_up();
        script.ask(Command::Poll { channels: vec![channel("rpm")], period: MS(100) });
        assert!(matches!(script.engage(S(5), vec![]), Reply::Engaged { .. }));
        script.pause(S(1));
        assert!(matches!(script.release(), Reply::Released { .. }));
    });
    let intended = pick(&told.events, |e| matches!(e, Event::HoldIntended { .. }).then_some(()))[0].0;
    let meanwhile = told.samples.iter().filter(|s| s.at < intended && s.at > intended - S(1)).count();
    assert!(meanwhile >= 5, "{meanwhile} readings in the second of writing");
    let marks = told.trail.marks();
    let written = marks.iter().position(|mark| *mark == Mark::Intended(valve(), true)).unwrap();
    assert!(told.trail.first_byte_of(&ENGAGE).unwrap() > written);
    assert_eq!((told.end.ending, told.ledger.len()), (Ending::Passed, 0));
}

#[test]
fn a_stop_while_the_ledger_is_written_takes_nothing_over() {
    let stop = clock::Stop::new();
    let raise = stop.clone();
    let (world, begun) = world(S(1), move || {
        raise.raise("a hand");
        Say::Usual
    });
    let told = World { stop, ..world }.run(move |script| {
        script.link_up();
        begun.store(true, Ordering::Release);
        let reply = script.engage(S(5), vec![]);
        assert!(matches!(reply, Reply::Over { ending: Ending::Stopped, .. }), "{reply:?}");
    });
    assert_eq!(told.end.ending, Ending::Stopped);
    never_sent(&told);
    let marks = told.trail.marks();
    let written = marks.iter().position(|mark| *mark == Mark::Intended(valve(), true)).unwrap();
    assert!(marks[written..].contains(&Mark::Cleared(valve())));
}

#[test]
fn a_link_that_goes_while_the_ledger_is_written_takes_nothing_over() {
    let (world, begun) = world(S(10), || Say::Nothing);
    let told = world.run(move |script| {
        script.link_up();
        begun.store(true, Ordering::Release);
        let words = refusal(&script.engage(S(5), vec![]));
        assert!(words.contains("the link is down"), "{words}");
    });
    never_sent(&told);
}

#[test]
fn a_disk_that_never_finishes_does_not_keep_a_stopped_run_from_ending() {
    let stop = clock::Stop::new();
    let raise = stop.clone();
    let (world, begun) = world(S(100_000), move || {
        raise.raise("a hand");
        Say::Usual
    });
    let told = World { stop, ..world }.run(move |script| {
        script.link_up();
        begun.store(true, Ordering::Release);
        assert!(matches!(script.engage(S(5), vec![]), Reply::Over { .. }));
    });
    assert!(told.end.length < S(60), "{}", told.end.length);
    never_sent(&told);
}

#[test]
fn a_window_is_moved_outwards_only_once_that_is_written() {
    let (world, _) = world(S(1), || Say::Usual);
    let told = world.run(|script| {
        script.link_up();
        assert!(matches!(script.engage(S(5), vec![]), Reply::Engaged { .. }));
        let reply = script.ask(Command::Extend { output: valve(), by: S(10) });
        assert!(matches!(reply, Reply::Engaged { .. }), "{reply:?}");
        script.pause(S(8));
        assert!(matches!(script.release(), Reply::Released { .. }));
        // One whose window ends while the disk is at work has ended.
        assert!(matches!(script.engage(MS(900), vec![]), Reply::Engaged { .. }));
        let reply = script.ask(Command::Extend { output: valve(), by: S(10) });
        assert!(matches!(reply, Reply::Over { .. }), "{reply:?}");
    });
    let extended = pick(&told.events, |e| matches!(e, Event::HoldExtended { .. }).then_some(()));
    assert_eq!(extended.len(), 1);
    assert!(told.ledger.is_empty());
}

#[test]
fn what_is_back_and_cannot_be_struck_out_is_told_by_the_ending() {
    let world = World { striking_works: false, ..World::new() };
    let told = world.run(|script| {
        script.link_up();
        assert!(matches!(script.engage(S(5), vec![]), Reply::Engaged { .. }));
        assert!(matches!(script.release(), Reply::Released { .. }));
    });
    assert_eq!(told.end.ending, Ending::Undecided);
    assert!(told.end.why.is_some_and(|why| why.contains("struck out")));
}
