use proptest::prelude::*;

use super::*;

const S: fn(i64) -> Span = Span::from_secs;
const MS: fn(i64) -> Span = Span::from_millis;
const LEAD: Span = Span::from_millis(100);

fn spec() -> HoldSpec {
    HoldSpec {
        output: OutputId::new("idle_valve").unwrap(),
        engage: vec![0x30, 0x51, 0x07, 40],
        engage_answer: Expected { begins: vec![0x51, 0x07], length: 4 },
        release: vec![0x30, 0x51, 0x00],
        release_answer: Expected { begins: vec![0x51, 0x00], length: 3 },
        at_most: S(10),
        refresh: Some(S(2)),
        controller_timeout: Some(S(5)),
        effect: Some(0),
        reading: true,
    }
}

fn held(spec: HoldSpec) -> Hold {
    let mut hold = Hold::new(spec);
    assert_eq!(hold.need(Moment::ZERO, LEAD), Some(Need::Engage));
    hold.engaging(Moment::ZERO);
    hold.spoke(Moment::ZERO);
    hold.engaged(Moment::ZERO + MS(80));
    assert_eq!(hold.take_events(), [HoldEvent::Engaged(Moment::ZERO + S(10))]);
    hold
}

fn next(hold: &Hold) -> Option<Deadline> {
    hold.deadlines(LEAD).into_iter().flatten().min()
}

#[test]
fn the_release_leaves_in_time_for_the_end_of_the_window() {
    let mut hold = held(HoldSpec { refresh: None, ..spec() });
    let deadline = next(&hold).unwrap();
    assert_eq!(deadline, Deadline::new(Moment::ZERO + S(10) - LEAD, Reason::HoldRelease));
    assert_eq!(hold.need(deadline.at - Span(1), LEAD), None);
    assert_eq!(hold.need(deadline.at, LEAD), Some(Need::Release));
    assert_eq!(hold.take_events(), [HoldEvent::Releasing(ReleaseCause::WindowOver)]);
}

#[test]
fn a_refresh_that_is_overdue_does_not_hide_the_end_of_the_window() {
    let hold = held(spec());
    let end = Deadline::new(Moment::ZERO + S(10) - LEAD, Reason::HoldRelease);
    assert_eq!(hold.deadlines(LEAD)[0], Some(end));
    assert_eq!(hold.deadlines(LEAD)[1].unwrap().reason, Reason::HoldRefresh);
}

#[test]
fn silence_that_is_broken_starts_anew_and_one_that_never_comes_proves_nothing() {
    let mut hold = held(spec());
    hold.release(Moment::ZERO + S(3), ReleaseCause::ScopeLeft);
    hold.spoke(Moment::ZERO + S(5));
    assert_eq!(hold.need(Moment::ZERO + S(6), LEAD), Some(Need::Silence));
    let mut now = Moment::ZERO + S(6);
    while !hold.is_done() {
        now += S(4);
        hold.spoke(now);
        hold.need(now, LEAD);
        assert!(now < Moment::ZERO + S(80));
    }
    assert_eq!(hold.take_events().last(), Some(&HoldEvent::Released(ReleaseProof::None)));
}

#[test]
fn it_is_refreshed_on_time() {
    let mut hold = held(spec());
    assert_eq!(next(&hold).unwrap().reason, Reason::HoldRefresh);
    assert_eq!(hold.need(Moment::ZERO + MS(2_080), LEAD), Some(Need::Refresh));
    hold.engaged(Moment::ZERO + MS(2_200));
    assert_eq!(hold.need(Moment::ZERO + MS(4_100), LEAD), None);
}

#[test]
fn a_release_is_proven_by_answer_and_effect() {
    let mut hold = held(spec());
    hold.release(Moment::ZERO + S(3), ReleaseCause::ScopeLeft);
    hold.release_answered(Moment::ZERO + MS(3_100), true);
    assert_eq!(hold.need(Moment::ZERO + MS(3_100), LEAD), Some(Need::Effect));
    hold.effect(Moment::ZERO + MS(3_200), true);
    assert!(!hold.is_done(), "the channel still shows it held");
    hold.effect(Moment::ZERO + MS(3_300), false);
    let events = hold.take_events();
    assert_eq!(events.last(), Some(&HoldEvent::Released(ReleaseProof::ControllerAndEffect)));
}

#[test]
fn an_effect_that_never_shows_repeats_the_release_then_falls_silent() {
    let mut hold = held(spec());
    hold.release(Moment::ZERO + S(3), ReleaseCause::ScopeLeft);
    hold.release_answered(Moment::ZERO + MS(3_100), true);
    assert_eq!(hold.need(Moment::ZERO + MS(4_600), LEAD), Some(Need::Release));
    hold.spoke(Moment::ZERO + MS(4_700));
    assert_eq!(hold.need(Moment::ZERO + S(6), LEAD), Some(Need::Silence));
    let deadline = next(&hold).unwrap();
    assert_eq!(deadline, Deadline::new(Moment::ZERO + MS(4_700 + 5_250), Reason::ControllerTimeout));
    assert_eq!(hold.need(deadline.at, LEAD), None);
    assert_eq!(hold.take_events().last(), Some(&HoldEvent::Released(ReleaseProof::ControllerTimeout)));
}

#[test]
fn without_a_controller_timeout_nothing_is_proven() {
    let mut hold = held(HoldSpec { controller_timeout: None, ..spec() });
    hold.release(Moment::ZERO + S(3), ReleaseCause::LinkLost);
    assert_eq!(hold.need(Moment::ZERO + S(6), LEAD), None);
    assert_eq!(hold.take_events().last(), Some(&HoldEvent::Released(ReleaseProof::None)));
}

#[test]
fn what_the_controller_refused_was_never_held() {
    let mut hold = Hold::new(spec());
    hold.engaging(Moment::ZERO);
    hold.refused(Moment::ZERO + MS(80));
    assert!(hold.is_done() && !hold.may_be_held());
}

#[test]
fn a_refusal_after_an_unreadable_answer_proves_nothing() {
    let mut hold = Hold::new(spec());
    hold.engaging(Moment::ZERO);
    hold.doubt();
    hold.refused(Moment::ZERO + MS(300));
    assert_eq!(hold.need(Moment::ZERO + MS(300), LEAD), Some(Need::Release));
}

#[derive(Debug, Clone)]
enum Move {
    Wait(i64),
    Engaging,
    Engaged,
    Refused,
    Spoke,
    Release,
    Answered(bool),
    Effect(bool),
}

fn moves() -> impl Strategy<Value = Vec<Move>> {
    let one = prop_oneof![
        (0..4_000_i64).prop_map(Move::Wait),
        Just(Move::Engaging),
        Just(Move::Engaged),
        Just(Move::Refused),
        Just(Move::Spoke),
        Just(Move::Release),
        any::<bool>().prop_map(Move::Answered),
        any::<bool>().prop_map(Move::Effect),
    ];
    prop::collection::vec(one, 0..60)
}

proptest! {
    #[test]
    fn whatever_happens_a_hold_ends_and_asks_for_release_before_its_window_does(moves in moves(), proofless in any::<bool>()) {
        let timeout = if proofless { None } else { Some(S(5)) };
        let mut hold = Hold::new(HoldSpec { controller_timeout: timeout, ..spec() });
        let mut now = Moment::ZERO;
        for one in moves {
            match one {
                Move::Wait(ms) => now += MS(ms),
                Move::Engaging => hold.engaging(now),
                Move::Engaged => hold.engaged(now),
                Move::Refused => hold.refused(now),
                Move::Spoke => hold.spoke(now),
                Move::Release => hold.release(now, ReleaseCause::Stop),
                Move::Answered(yes) => hold.release_answered(now, yes),
                Move::Effect(held) => hold.effect(now, held),
            }
            let need = hold.need(now, LEAD);
            if hold.may_be_held() && now >= hold.window_end() - LEAD {
                prop_assert!(hold.is_releasing(), "past its window and not releasing: {need:?}");
            }
        }
        // Left alone, it ends: nothing waits for ever.
        hold.release(now, ReleaseCause::Stop);
        for _ in 0..20 {
            if hold.is_done() { break }
            let deadline = next(&hold);
            prop_assert!(deadline.is_some(), "waits without a deadline");
            now = now.max(deadline.unwrap().at);
            hold.need(now, LEAD);
        }
        prop_assert!(hold.is_done());
    }
}
