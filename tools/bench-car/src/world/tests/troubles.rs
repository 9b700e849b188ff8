use super::bench::{Bench, MS, SECOND, message, payload};
use crate::{ControllerFault, Happened, Ignored, WorldConfig};

#[test]
fn busy_is_answered_so_often_and_carries_nothing_out() {
    let mut bench = Bench::set_up(WorldConfig::default());
    bench.world.controller_fault(bench.now, ControllerFault::Busy { times: 2 });
    for _ in 0..2 {
        assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 40]), [0x7F, 0x30, 0x21]);
        assert_eq!(bench.world.truth().held, None);
    }
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 40]), [0x70, 0x51, 0x07, 40]);
}

/// ISO 14230-3 4.4 (READ): 78 is followed by the answer proper; after it P2 reaches up to P3max.
#[test]
fn pending_comes_so_often_before_the_answer() {
    let mut bench = Bench::set_up(WorldConfig::default());
    bench.world.controller_fault(bench.now, ControllerFault::Pending { times: 3 });
    bench.patience = SECOND;
    assert_eq!(bench.ask(&[0x30, 0x51, 0x07, 40]), [0x7F, 0x30, 0x78]);
    assert_eq!(bench.world.truth().held, None, "not yet carried out");
    for _ in 0..2 {
        assert_eq!(payload(&bench.listen().expect("again")), [0x7F, 0x30, 0x78]);
    }
    assert_eq!(payload(&bench.listen().expect("the answer")), [0x70, 0x51, 0x07, 40]);
    assert_eq!(bench.world.truth().held, Some(40));
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
    assert!(bench.violations().is_empty());
}

#[test]
fn wrong_checksums_lost_and_late_answers() {
    let mut bench = Bench::set_up(WorldConfig::default());
    bench.world.controller_fault(bench.now, ControllerFault::CorruptChecksums { times: 1 });
    let wrong = bench.exchange(&message(0x2A, &[0x3E])).expect("an answer");
    let sum = wrong[..4].iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte));
    assert_ne!(wrong[4], sum);

    bench.world.controller_fault(bench.now, ControllerFault::LoseAnswers { times: 1 });
    assert_eq!(bench.exchange(&message(0x2A, &[0x30, 0x51, 0x07, 40])), None);
    assert_eq!(bench.world.truth().held, Some(40), "carried out all the same");
    assert!(matches!(bench.world.log().last(), Some(Happened::Withheld { .. })));

    let late = ControllerFault::SlowAnswers { by: 200 * MS, times: 1 };
    bench.world.controller_fault(bench.now, late);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
    let asked = bench.world.truth().last_request.expect("asked");
    assert!(bench.now - asked > 225 * MS);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
}

#[test]
fn silence_refusal_and_mending() {
    let mut bench = Bench::open(WorldConfig::default());
    bench.world.controller_fault(bench.now, ControllerFault::Silent { lasting: SECOND });
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None);
    assert_eq!(bench.ignored(), [Ignored::Silent]);
    bench.wait(SECOND);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
    bench.world.controller_fault(bench.now, ControllerFault::Refuse { service: 0x21, code: 0x10 });
    assert_eq!(bench.ask(&[0x21, 0xA1]), [0x7F, 0x21, 0x10]);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
    bench.world.controller_fault(bench.now, ControllerFault::Mend);
    assert_eq!(bench.ask(&[0x21, 0xA1])[0], 0x61);
}

#[test]
fn a_cut_cable_silences_and_a_joined_one_goes_on() {
    let mut bench = Bench::open(WorldConfig::default());
    bench.world.cut(bench.now, true);
    assert_eq!(bench.exchange(&message(0x2A, &[0x3E])), None);
    bench.world.cut(bench.now, false);
    assert_eq!(bench.ask(&[0x3E]), [0x7E]);
}
