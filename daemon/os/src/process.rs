//! What this program has cost.

use std::time::Duration;

/// The time that all threads of this program have had of the processors so far. `None` where the system does not
/// tell it.
pub fn cpu_time() -> Option<Duration> {
    #[cfg(target_os = "linux")]
    {
        let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
        Some(Duration::new(u64::try_from(time.tv_sec).ok()?, u32::try_from(time.tv_nsec).ok()?))
    }
    #[cfg(not(target_os = "linux"))]
    None
}

/// The most memory that this program has had resident so far, in bytes. `None` where the system does not tell it.
pub fn peak_resident() -> Option<u64> {
    #[cfg(target_os = "linux")]
    {
        // VmHWM, in kibibytes (proc_pid_status(5) of the Linux manual pages).
        let status = std::fs::read_to_string("/proc/self/status").ok()?;
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
        let kibibytes: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
        Some(kibibytes * 1_024)
    }
    #[cfg(not(target_os = "linux"))]
    None
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests {
    use super::*;

    #[test]
    fn the_peak_grows_with_what_is_touched_and_never_falls() {
        let before = peak_resident().unwrap();
        const MORE: usize = 64 << 20;
        let much = std::hint::black_box(vec![1_u8; MORE]);
        let after = peak_resident().unwrap();
        assert!(after >= MORE as u64 && after >= before, "{before} {after}");
        drop(much);
        // The kernel counts by the processor and gathers now and then, so the figure may move by some pages.
        assert!(peak_resident().unwrap() >= MORE as u64);
    }

    /// User and system time in ticks: fields 14 and 15 of /proc/self/stat (proc(5) of the Linux manual pages).
    fn ticks() -> u64 {
        let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
        let after_name = stat.rsplit(')').next().unwrap();
        after_name.split_whitespace().skip(11).take(2).map(|field| field.parse::<u64>().unwrap()).sum()
    }

    #[test]
    fn work_is_counted_as_the_kernel_counts_it() {
        let outer = ticks();
        let before = cpu_time().unwrap();
        let inner = ticks();
        let mut sum = 0_u64;
        while ticks() < inner + 10 {
            sum = std::hint::black_box((0..200_000_u64).fold(sum, |a, b| a ^ b));
        }
        let inner = ticks() - inner;
        let spent = u64::try_from((cpu_time().unwrap() - before).as_millis()).unwrap();
        let outer = ticks() - outer;
        // A tick is 10 ms in what the kernel shows to programs (sysconf(_SC_CLK_TCK) is 100 on Linux, time(7)); each
        // of the two fields is cut to whole ticks.
        assert!(
            inner * 10 <= spent + 20 && spent <= outer * 10 + 20,
            "{inner} ticks, {spent} ms, {outer} ticks"
        );
    }
}
