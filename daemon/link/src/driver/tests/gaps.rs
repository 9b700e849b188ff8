//! Readings that did not come are rows; exchanges are handed over where somebody wants them.

use model::{Command, Event, Gap, GapReason, Moment, Span};
use wire::frame::{Addressing, Header, Message};

use super::controller::Say;
use super::sides::pick;
use super::world::{Told, World};
use super::{MS, READ, S, channel};

/// What a controller says to readings that it hears in these times; everything else it serves as usual.
fn minded(times: Vec<(Moment, Moment)>, say: Say) -> World {
    World::with(move |now, request| {
        let in_time = times.iter().any(|(from, to)| (*from..*to).contains(&now));
        if in_time && request == READ { say.clone() } else { Say::Usual }
    })
}

fn poll(world: World, time: Span) -> Told {
    world.run(move |script| {
        script.ask(Command::Poll { channels: vec![channel("rpm")], period: MS(200) });
        script.pause(time);
    })
}

fn of(told: &Told, why: GapReason) -> Vec<&Gap> {
    told.gaps.iter().filter(|gap| gap.why == why && gap.channel == channel("rpm")).collect()
}

fn from(gap: &Gap) -> Moment {
    gap.at - gap.half
}

fn to(gap: &Gap) -> Moment {
    gap.at + gap.half
}

/// No reading lies inside a gap of its own channel, and no two gaps of one channel lie over each other.
fn check(told: &Told) {
    for gap in &told.gaps {
        let inside = told
            .samples
            .iter()
            .find(|sample| sample.channel == gap.channel && sample.at > from(gap) && sample.at < to(gap));
        assert_eq!(inside, None, "a reading in {gap:?}");
    }
    for id in ["rpm", "valve_held"] {
        let mut own: Vec<&Gap> = told.gaps.iter().filter(|gap| gap.channel == channel(id)).collect();
        own.sort_by_key(|gap| gap.at);
        // A middle that is rounded to a nanosecond may lap by as much.
        assert!(own.windows(2).all(|two| to(two[0]) <= from(two[1]) + Span(2)), "{own:#?}");
    }
}

#[test]
fn a_controller_that_falls_silent_leaves_one_gap_for_what_it_was_asked_and_pieces_while_the_link_is_down() {
    let told = poll(minded(vec![(Moment::ZERO + S(4), Moment::ZERO + S(9))], Say::Nothing), S(15));
    check(&told);
    let unanswered = of(&told, GapReason::NoAnswer);
    assert!(!unanswered.is_empty(), "{:?}", told.gaps);
    // Both channels of the request were not read.
    let both = told.gaps.iter().filter(|gap| gap.at == unanswered[0].at).count();
    assert_eq!(both, 2, "{:?}", told.gaps);
    let links = pick(&told.events, |event| match event {
        Event::LinkUp { .. } => Some(true),
        Event::LinkDown { .. } => Some(false),
        _ => None,
    });
    let down = links.iter().find(|(_, up)| !up).expect("the link goes down").0;
    let up = links.iter().find(|(when, up)| *up && *when > down).expect("and comes back").0;
    // The request that failed ends where the silence of the link begins; pieces follow each other without a break.
    assert!(to(unanswered[0]) <= down && down.since(to(unanswered[0])) < MS(1), "{unanswered:?} {down:?}");
    let mut end = down;
    for piece in of(&told, GapReason::LinkDown).into_iter().filter(|gap| gap.at > down && gap.at < up) {
        assert!((from(piece).since(end)).0.abs() <= 2, "{piece:?} does not follow {end:?}");
        assert!(piece.half <= MS(501), "a piece of {}", piece.half * 2);
        end = to(piece);
    }
    assert!(up.since(end).0.abs() <= 2, "{end:?} {up:?}");
}

#[test]
fn before_the_link_first_comes_up_what_is_wanted_is_a_gap() {
    let told = poll(World::new(), S(3));
    check(&told);
    let first = told.samples.iter().map(|sample| sample.at).min().expect("it is read");
    let early = of(&told, GapReason::LinkDown);
    assert!(!early.is_empty() && early.iter().all(|gap| to(gap) <= first), "{early:?}");
    assert_eq!(told.gaps.len(), early.len() * 2, "nothing else is missing");
}

#[test]
fn an_answer_that_is_damaged_at_every_try_is_a_gap_and_one_that_is_mended_by_a_retry_is_none() {
    let told = poll(minded(vec![(Moment::ZERO + S(4), Moment::ZERO + S(6))], Say::Spoiled), S(10));
    check(&told);
    assert!(!of(&told, GapReason::Damaged).is_empty(), "{:?}", told.gaps);
    let mut once = true;
    let told = poll(
        World::with(move |now, request| {
            let spoil = now > Moment::ZERO + S(4) && request == READ && std::mem::take(&mut once);
            if spoil { Say::Spoiled } else { Say::Usual }
        }),
        S(8),
    );
    assert!(pick(&told.events, |event| matches!(event, Event::WireFaulted { .. }).then_some(())).len() == 1);
    assert!(of(&told, GapReason::Damaged).is_empty(), "the retry gave the reading: {:?}", told.gaps);
}

#[test]
fn every_refused_attempt_is_one_gap_and_they_are_few() {
    // 22: conditions not correct (ISO 14230-3, 4.4, from memory).
    let told = poll(minded(vec![(Moment::ZERO + S(4), Moment::ZERO + S(24))], Say::Refuse(0x22)), S(30));
    check(&told);
    let refused = of(&told, GapReason::Refused);
    let attempts = pick(&told.events, |event| matches!(event, Event::Refused { .. }).then_some(())).len();
    assert_eq!(refused.len(), attempts);
    // Left alone for two seconds after each: about ten in twenty seconds.
    assert!((5..=11).contains(&attempts), "{attempts}");
    // From the turn of the request to the end of its answer.
    assert!(refused.iter().all(|gap| gap.half > Span::ZERO && gap.half * 2 < MS(400)), "{refused:?}");
}

#[test]
fn what_nobody_wants_any_more_is_no_gap() {
    let told = World::new().run(|script| {
        script.ask(Command::Poll { channels: vec![channel("rpm")], period: MS(200) });
        script.pause(S(3));
        script.ask(Command::Rest { channels: vec![channel("rpm")] });
        script.pause(S(5));
    });
    let last = told.samples.iter().map(|sample| sample.at).max().expect("it was read");
    assert!(told.gaps.iter().all(|gap| gap.at < last), "{:?}", told.gaps);
}

#[test]
fn every_attempt_is_handed_over_where_a_trace_is_wanted_and_none_where_not() {
    let world = || {
        let mut turn = 0;
        World::with(move |_, request| {
            turn += usize::from(request == READ);
            match (request == READ).then_some(turn) {
                Some(7) => Say::Spoiled,
                Some(9) => Say::Nothing,
                Some(12) => Say::Refuse(0x22),
                _ => Say::Usual,
            }
        })
    };
    assert!(poll(world(), S(8)).exchanges.is_empty());
    let told = poll(World { traces: true, ..world() }, S(8));
    // Every request that the controller heard, or was to hear, in its order and as it was on the wire.
    let header = Header::addressed(Addressing::Physical, 0x2A, 0xF1);
    let heard: Vec<Vec<u8>> = told.controller.requests();
    let framed: Vec<Vec<u8>> =
        heard.iter().map(|data| Message { header, data: data.clone() }.encode().unwrap()).collect();
    let traced: Vec<&Vec<u8>> = told.exchanges.iter().map(|one| &one.request).collect();
    assert!(framed.iter().all(|request| traced.contains(&request)), "{framed:02X?} {traced:02X?}");
    assert!(told.exchanges.windows(2).all(|two| two[0].at + two[0].took <= two[1].at), "one after another");
    // The keep-alives, the farewell and the set-up are among them; faults stand on what failed.
    let faults: Vec<_> = told.exchanges.iter().filter_map(|one| one.fault).collect();
    let told_of = pick(&told.events, |event| match event {
        Event::WireFaulted { fault, .. } => Some(*fault),
        _ => None,
    });
    assert_eq!(faults, told_of.iter().map(|(_, fault)| *fault).collect::<Vec<_>>());
    assert!(faults.len() >= 2, "{faults:?}");
    let good = told.exchanges.iter().filter(|one| one.fault.is_none() && !one.answer.is_empty());
    for one in good {
        let message = Message::decode(&one.answer).expect("an answer without a fault is a message");
        assert!(message.is_some(), "{one:02X?}");
    }
}
