use proptest::prelude::*;

use super::*;

/// Runs the schedule against a wire on which item `i` takes `costs[i]`; counts exchanges and, for each item,
/// the longest time between two starts.
fn run(schedule: &mut Schedule, costs: &[Span], from: Moment, length: Span) -> (Vec<u32>, Vec<Span>) {
    let (mut now, end) = (from, from + length);
    let mut counts = vec![0; costs.len()];
    let mut last = vec![from; costs.len()];
    let mut longest = vec![Span::ZERO; costs.len()];
    while now < end {
        let Some(i) = schedule.pick(now) else {
            match schedule.next_due() {
                Some(due) => now = due.max(now + Span(1)),
                None => break,
            }
            continue;
        };
        schedule.begun(i, now);
        longest[i] = longest[i].max(now.since(last[i]));
        last[i] = now;
        counts[i] += 1;
        now += costs[i];
        schedule.took(i, costs[i]);
    }
    (counts, longest)
}

const MS: fn(i64) -> Span = Span::from_millis;

#[test]
fn what_fits_is_served_at_its_period() {
    let costs = [MS(20), MS(30)];
    let mut schedule = Schedule::new(&costs);
    schedule.want(0, Some(MS(100)), Moment::ZERO);
    schedule.want(1, Some(MS(200)), Moment::ZERO);
    let (counts, _) = run(&mut schedule, &costs, Moment::ZERO, Span::from_secs(20));
    assert!((199..=201).contains(&counts[0]) && (99..=101).contains(&counts[1]), "{counts:?}");
}

#[test]
fn what_is_over_asked_degrades_in_proportion() {
    let costs = [MS(50), MS(50), MS(50)];
    let mut schedule = Schedule::new(&costs);
    // Asked: 20 + 10 + 10 a second; the wire does 20. Each gets half.
    schedule.want(0, Some(MS(50)), Moment::ZERO);
    schedule.want(1, Some(MS(100)), Moment::ZERO);
    schedule.want(2, Some(MS(100)), Moment::ZERO);
    let (counts, _) = run(&mut schedule, &costs, Moment::ZERO, Span::from_secs(100));
    assert!(counts.iter().sum::<u32>() >= 1_999, "the wire was idle: {counts:?}");
    assert!((950..=1_050).contains(&counts[0]), "{counts:?}");
    assert!((475..=525).contains(&counts[1]) && (475..=525).contains(&counts[2]), "{counts:?}");
}

#[test]
fn a_gates_own_channels_come_first_and_the_others_go_on() {
    let costs = [MS(100), MS(100)];
    let mut schedule = Schedule::new(&costs);
    schedule.want(0, Some(MS(100)), Moment::ZERO);
    schedule.want(1, Some(MS(100)), Moment::ZERO);
    schedule.boost(&[1]);
    let (counts, _) = run(&mut schedule, &costs, Moment::ZERO, Span::from_secs(100));
    assert!((760..=840).contains(&counts[1]) && (160..=240).contains(&counts[0]), "{counts:?}");
}

#[test]
fn costs_found_at_other_times_leave_no_idle_wire_once_they_are_forgotten() {
    let (slow, quick) = ([MS(120); 9], [MS(15); 9]);
    // At first the items are still due as the slow times said.
    for (forgets, busy) in [(true, 0.96), (false, 0.0)] {
        let mut schedule = Schedule::new(&slow);
        (0..9).for_each(|i| schedule.want(i, Some(MS(1)), Moment::ZERO));
        run(&mut schedule, &slow, Moment::ZERO, Span::from_secs(20));
        if forgets {
            schedule.expect(&quick);
        }
        let (counts, _) = run(&mut schedule, &quick, Moment::ZERO + Span::from_secs(20), Span::from_secs(5));
        let share = f64::from(counts.iter().sum::<u32>()) * 0.015 / 5.0;
        assert!(share >= busy && (forgets || share < 0.9), "forgets: {forgets}, used {share}");
    }
}

proptest! {
    #[test]
    fn nothing_starves_and_a_wanted_wire_is_never_idle(
        items in prop::collection::vec((1..400_i64, 1..2_000_i64, any::<bool>()), 1..8)
    ) {
        let costs: Vec<Span> = items.iter().map(|(cost, _, _)| MS(*cost)).collect();
        let mut schedule = Schedule::new(&costs);
        let boosted: Vec<usize> = (0..items.len()).filter(|i| items[*i].2).collect();
        for (i, (_, period, _)) in items.iter().enumerate() {
            schedule.want(i, Some(MS(*period)), Moment::ZERO);
        }
        schedule.boost(&boosted);
        let stretch = schedule.stretch();
        let all: Span = costs.iter().fold(Span::ZERO, |a, b| a + *b);
        let (counts, longest) = run(&mut schedule, &costs, Moment::ZERO, Span::from_secs(600));
        for (i, (_, period, boosted)) in items.iter().enumerate() {
            let by = if *boosted { stretch.0 } else { stretch.1 };
            // Twice the stretched period, and once round of everything else: non-preemptive service.
            let bound = Span((MS(*period).0 as f64 * by * 2.0) as i64) + all * 2;
            prop_assert!(longest[i] <= bound, "item {i} waited {} with {counts:?}", longest[i]);
        }
        let busy: i64 = counts.iter().zip(&costs).map(|(n, cost)| i64::from(*n) * cost.0).sum();
        let asked: f64 = items.iter().map(|(cost, period, _)| *cost as f64 / *period as f64).sum();
        let share = busy as f64 / Span::from_secs(600).0 as f64;
        prop_assert!(share >= asked.min(1.0) * 0.97 - 0.01, "asked {asked}, used {share}");
    }
}
