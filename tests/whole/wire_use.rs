//! How much of the wire the driver uses, in virtual time: the same on every machine.

use holdgate_tests::report;
use model::Span;
use wire::kline::Timing;
use wire_use::{Case, Measured, measure, measure_for, measure_real};

const TIME: Span = Span::from_secs(20);

fn measured(name: &str) -> Measured {
    let case = Case::named(name).expect("there is such a case");
    measure_for(&case, 1, TIME).unwrap_or_else(|error| panic!("{name}: {error}"))
}

#[test]
fn every_case_reaches_its_floor_and_none_more_than_the_wire_has() {
    for case in Case::ALL {
        let one = measure_for(&case, 1, TIME).unwrap_or_else(|error| panic!("{}: {error}", case.name));
        report(&format!(
            "{}: {:.2} % of the wire, {:.2} exchanges a second",
            case.name,
            one.share(),
            one.rate()
        ));
        assert!(one.share() >= case.floor, "{}: {:.3} %", case.name, one.share());
        // A gap may be shorter by the whole nanoseconds in which character times are counted, never by more.
        assert!(one.share() <= 100.01, "{}: {:.3} % is more than there is", case.name, one.share());
    }
}

/// T = Nq Tb + (Nq-1) P4 + P2 + Nr Tb + (Nr-1) P1 + P3, Tb = 10 / baud (ISO 14230-2, clause 4.3), worked by hand with
/// P1 = 0: 6 and 7 characters at 10 400 Bd take 12.5 ms, with the default times 117.5 ms, with P2 = 0.5, P4 = 0.5 and
/// P3 = 1 ms 16.5 ms, with P3 = 0.5 ms alone 13.0 ms; 1 and 1 at 12 500 Bd take 1.6 ms, 1 and 7 take 6.4 ms.
#[test]
fn the_limit_is_the_one_worked_by_hand() {
    for (name, milliseconds, characters) in [
        ("default", 117.5, (6, 7)),
        ("half", 16.5, (6, 7)),
        ("least", 13.0, (6, 7)),
        ("single", 1.6, (1, 1)),
        ("single-block", 6.4, (1, 7)),
    ] {
        let one = measured(name);
        assert_eq!(one.characters, characters, "{name}");
        assert!((1e3 / one.limit - milliseconds).abs() < 1e-4, "{name}: {} ms", 1e3 / one.limit);
    }
}

#[test]
fn the_wire_and_the_tool_reckon_the_same_shortest_exchange() {
    let one = measured("default-block");
    let tb = Span::from_nanos(10 * 1_000_000_000 / 10_400);
    let shortest = Timing::DEFAULT.shortest_exchange(one.characters.0, one.characters.1, tb);
    assert!((1.0 / one.limit - shortest.as_secs_f64()).abs() < 1e-7, "{shortest}");
}

#[test]
fn while_an_output_is_held_it_is_refreshed_and_read() {
    // Every 2 s and every 0.8 s, by the descriptions; what is not a reading is a refresh.
    for (name, period) in [("half-held", 2.0), ("single-held", 0.8)] {
        let one = measured(name);
        let others = (one.exchanges - one.readings) as f64;
        assert!(others >= (TIME.as_secs_f64() / period).floor() - 1.0, "{name}: {others} refreshes");
        assert!(one.reading_share() >= 95.0, "{name}: {:.2} %", one.reading_share());
    }
}

#[test]
fn one_seed_twice_is_measured_the_same() {
    let case = Case::named("single-own").expect("there is such a case");
    assert_eq!(measure_for(&case, 7, TIME).unwrap(), measure_for(&case, 7, TIME).unwrap());
    assert_ne!(measure(&case, 7).unwrap(), measure(&case, 8).unwrap());
}

/// Rates on a busy machine are told, not judged; that the wire is used at all, without a fault of the frames, is.
#[test]
fn the_same_cases_run_in_real_time_over_a_port() {
    let _alone = holdgate_tests::garage::alone();
    for name in ["half", "single-block"] {
        let case = Case::named(name).expect("there is such a case");
        let real =
            measure_real(&case, 1, Span::from_secs(3)).unwrap_or_else(|error| panic!("{name}: {error}"));
        report(&format!(
            "{name} over a port: {:.2} exchanges a second, rehearsed {:.2}; late at a request {:.3} ms (99 %)",
            real.measured.rate(),
            measured(name).rate(),
            real.request_late.p99.as_millis_f64(),
        ));
        assert!(real.measured.exchanges > 3 && real.request_late.count > 0, "{name}: {real:?}");
        assert_eq!(real.character_late.count > 0, name == "half", "single bytes have no second: {real:?}");
        assert!(
            real.measured.span <= Span::from_secs(3) && real.measured.share() <= 100.01,
            "{name}: {real:?}"
        );
    }
}
