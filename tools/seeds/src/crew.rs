//! Many runs on all processors, with the same result as on one.

use std::num::NonZeroUsize;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use crate::case::Case;
use crate::run::{Setup, Verdict};

/// Runs every seed of every case with this many runs at a time; the verdicts come in the order of the cases
/// and their seeds. `done` is told after each run how many are done, and of how many.
pub fn run_all(
    setup: &Setup,
    cases: &[Case],
    at_a_time: NonZeroUsize,
    done: impl Fn(usize, usize) + Sync,
) -> Vec<Vec<Verdict>> {
    let jobs: Vec<(usize, u64)> =
        cases.iter().enumerate().flat_map(|(case, c)| c.seeds.iter().map(move |seed| (case, seed))).collect();
    let next = AtomicUsize::new(0);
    let verdicts: Mutex<Vec<(usize, Verdict)>> = Mutex::new(Vec::with_capacity(jobs.len()));
    thread::scope(|scope| {
        for _ in 0..at_a_time.get().min(jobs.len()) {
            scope.spawn(|| {
                while let Some((case, seed)) = jobs.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let verdict = setup.run(&cases[*case], *seed);
                    let mut all = verdicts.lock().expect("nothing panics while it adds a verdict");
                    all.push((*case, verdict));
                    done(all.len(), jobs.len());
                }
            });
        }
    });
    let mut by_case: Vec<Vec<Verdict>> = vec![Vec::new(); cases.len()];
    for (case, verdict) in verdicts.into_inner().expect("every thread has ended well") {
        by_case[case].push(verdict);
    }
    by_case.iter_mut().for_each(|case| case.sort_by_key(|verdict| verdict.seed));
    by_case
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_at_a_time_give_what_one_gives() {
        let setup = Setup::new("hold-demo", station::bench::Variant::Pressure).unwrap();
        let cases = [
            Case::healthy("1..4".parse().unwrap()),
            Case::faulty("weak-battery=0.5", "2..3".parse().unwrap()).unwrap(),
        ];
        let run = |at_a_time| {
            let mut all = run_all(&setup, &cases, NonZeroUsize::new(at_a_time).unwrap(), |_, _| ());
            all.iter_mut().flatten().for_each(|verdict| verdict.speed = 0.0);
            all
        };
        let one = run(1);
        assert_eq!(one[0].iter().map(|verdict| verdict.seed).collect::<Vec<_>>(), [1, 2, 3]);
        assert_eq!(one[1].len(), 1);
        assert_eq!(one, run(2));
    }
}
