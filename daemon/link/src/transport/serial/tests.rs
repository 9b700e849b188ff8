//! The transport over pseudo-terminals, in real time: what each end is given is awaited, never slept for.

use std::ffi::OsStr;
use std::fs::File;
use std::future::poll_fn;
use std::io::{Read, Write};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::OpenOptionsExt;
use std::path::PathBuf;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::tcgetattr;

use super::*;
use crate::transport::Factory;

/// Longer than anything here takes; a test that waits for it has failed.
const PATIENCE: Span = Span::from_secs(20);

/// Waits until something can be done with a file.
fn ready(file: &File, what: PollFlags) -> PollFlags {
    let mut fds = [PollFd::new(file, what)];
    let patience = Timespec { tv_sec: PATIENCE.0 / 1_000_000_000, tv_nsec: 0 };
    assert_eq!(poll(&mut fds, Some(&patience)).unwrap(), 1, "nothing came of it");
    fds[0].revents()
}

/// The other end of the wire.
struct Peer {
    file: File,
    path: PathBuf,
}

impl Peer {
    fn new() -> Self {
        let end = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&end).unwrap();
        unlockpt(&end).unwrap();
        let name = ptsname(&end, Vec::new()).unwrap();
        Self { file: end.into(), path: PathBuf::from(OsStr::from_bytes(name.as_bytes())) }
    }

    fn address(&self) -> String {
        self.path.display().to_string()
    }

    fn wait(&self, what: PollFlags) -> PollFlags {
        ready(&self.file, what)
    }

    fn read(&mut self, count: usize) -> Vec<u8> {
        let mut all = Vec::new();
        while all.len() < count {
            self.wait(PollFlags::IN);
            let mut space = [0; 64];
            let read = self.file.read(&mut space).unwrap();
            all.extend_from_slice(&space[..read]);
        }
        all
    }

    fn write(&mut self, bytes: &[u8]) {
        self.file.write_all(bytes).unwrap();
    }
}

fn kind() -> Serial<impl Fn(&Path) -> Span> {
    Serial::kind(|_| Span::from_millis(3))
}

fn open(path: &Path, clock: &Clock) -> Result<Box<dyn Transport>, Problem> {
    kind().open(&path.display().to_string(), clock)
}

/// Reads until so many characters are there.
async fn read(
    port: &mut dyn Transport,
    clock: &Clock,
    count: usize,
) -> Result<Vec<Received>, TransportError> {
    let mut all = Vec::new();
    let until = clock.now() + PATIENCE;
    while all.len() < count {
        tokio::select! {
            biased;
            read = poll_fn(|context| port.poll_read(context, clock.now(), &mut all)) => read?,
            () = clock.sleep_until(until) => panic!("only {} of {count} characters came", all.len()),
        }
    }
    Ok(all)
}

fn bytes(received: &[Received]) -> Vec<u8> {
    received.iter().map(|one| one.byte).collect()
}

/// Runs on the driver's kind of runtime: one thread, everything enabled.
fn on_a_runtime<T>(body: impl AsyncFnOnce(Clock) -> T) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(body(Clock::real()))
}

#[test]
fn every_character_passes_both_ways_unchanged() {
    on_a_runtime(async |clock| {
        let mut peer = Peer::new();
        let mut port = open(&peer.path, &clock).unwrap();
        let every: Vec<u8> = (0..=255).collect();
        for byte in &every {
            port.write(clock.now(), &[*byte]).unwrap();
        }
        assert_eq!(peer.read(256), every);
        peer.write(&every);
        let received = read(&mut *port, &clock, 256).await.unwrap();
        assert_eq!(bytes(&received), every);
        assert!(received.iter().all(|one| !one.broken));
    });
}

#[test]
fn nothing_is_dated_before_the_opening_or_what_was_read_or_purged_or_after_its_reading() {
    on_a_runtime(async |clock| {
        let mut peer = Peer::new();
        let mut earlier = clock.now();
        let mut port = open(&peer.path, &clock).unwrap();
        for round in 0..20 {
            let sent = clock.now();
            peer.write(&[round, 1, 2, 3]);
            let received = read(&mut *port, &clock, 4).await.unwrap();
            assert!(received.is_sorted_by_key(|one| one.end) && received[0].end >= earlier);
            assert!((sent..=clock.now()).contains(&received[3].end));
            earlier = received[3].end;
            if round % 2 == 0 {
                earlier = clock.now();
                port.purge(earlier).unwrap();
            }
        }
    });
}

#[test]
fn odd_rates_reach_the_other_end_and_are_read_back() {
    on_a_runtime(async |clock| {
        let peer = Peer::new();
        let mut port = open(&peer.path, &clock).unwrap();
        for baud in [10_400, 12_500, 9_600, 360, 500_000] {
            assert_eq!(port.set_baud(clock.now(), baud).unwrap(), baud);
            let there = tcgetattr(&peer.file).unwrap();
            assert_eq!((there.input_speed(), there.output_speed()), (baud, baud));
        }
        let refused = port.set_baud(clock.now(), 0).unwrap_err();
        assert_eq!(refused.to_string(), "the port cannot set its rate: 0 is no rate");
        assert_eq!(tcgetattr(&peer.file).unwrap().output_speed(), 500_000);
    });
}

#[test]
fn a_closed_other_end_is_a_port_that_is_gone_for_good() {
    on_a_runtime(async |clock| {
        let mut peer = Peer::new();
        let mut port = open(&peer.path, &clock).unwrap();
        peer.write(&[0x55]);
        assert_eq!(bytes(&read(&mut *port, &clock, 1).await.unwrap()), [0x55]);
        drop(peer);
        let Err(TransportError::Gone(why)) = read(&mut *port, &clock, 1).await else { panic!("not gone") };
        let gone = TransportError::Gone(why);
        assert_eq!(port.write(clock.now(), &[1]), Err(gone.clone()));
        assert_eq!(port.set_baud(clock.now(), 9_600), Err(gone.clone()));
        assert_eq!(port.purge(clock.now()), Err(gone.clone()));
        assert_eq!(read(&mut *port, &clock, 1).await, Err(gone));
    });
}

#[test]
fn whatever_is_asked_first_finds_out_that_the_port_is_gone() {
    on_a_runtime(async |clock| {
        type Ask = fn(&mut dyn Transport) -> Result<(), TransportError>;
        let asks: [Ask; 3] = [
            |port| port.write(Moment::ZERO, &[1]),
            |port| port.set_baud(Moment::ZERO, 9_600).map(|_| ()),
            |port| port.purge(Moment::ZERO),
        ];
        for ask in asks {
            let peer = Peer::new();
            let mut port = open(&peer.path, &clock).unwrap();
            drop(peer);
            assert!(matches!(ask(&mut *port), Err(TransportError::Gone(_))));
        }
    });
}

#[test]
fn a_second_opening_is_refused_and_harms_nothing() {
    on_a_runtime(async |clock| {
        let mut peer = Peer::new();
        let mut port = open(&peer.path, &clock).unwrap();
        port.set_baud(clock.now(), 12_500).unwrap();
        peer.write(b"x");
        let refused = open(&peer.path, &clock).err().expect("two had the same port");
        let address = peer.address();
        assert_eq!(
            refused.to_string(),
            format!("{address}: it is used by another program (close that program, or choose another port)")
        );
        assert_eq!(tcgetattr(&peer.file).unwrap().output_speed(), 12_500);
        assert_eq!(bytes(&read(&mut *port, &clock, 1).await.unwrap()), *b"x");
    });
}

#[test]
fn a_foreign_lock_on_the_device_keeps_us_out() {
    on_a_runtime(async |clock| {
        let peer = Peer::new();
        let foreign = File::options().read(true).write(true).open(&peer.path).unwrap();
        foreign.try_lock().unwrap();
        assert!(open(&peer.path, &clock).err().unwrap().seen.contains("used by another program"));
        foreign.unlock().unwrap();
        assert!(open(&peer.path, &clock).is_ok());
    });
}

/// How often this process has the device open.
#[cfg(target_os = "linux")]
fn times_open(device: &Path) -> usize {
    let open = std::fs::read_dir("/proc/self/fd").unwrap();
    open.filter(|entry| entry.as_ref().is_ok_and(|e| e.path().read_link().is_ok_and(|to| to == device)))
        .count()
}

#[test]
fn a_port_that_was_dropped_can_be_opened_again_and_again() {
    on_a_runtime(async |clock| {
        let mut peer = Peer::new();
        for round in 0..50 {
            let mut port = open(&peer.path, &clock).unwrap();
            port.write(clock.now(), &[round]).unwrap();
            assert_eq!(peer.read(1), [round]);
            #[cfg(target_os = "linux")]
            assert_eq!(times_open(&peer.path), 2);
            drop(port);
            // Nobody is left at this end: the other one sees it hang up.
            assert!(peer.wait(PollFlags::HUP).contains(PollFlags::HUP));
            #[cfg(target_os = "linux")]
            assert_eq!(times_open(&peer.path), 0);
        }
    });
}

#[test]
fn purging_forgets_what_came_and_nothing_that_comes() {
    on_a_runtime(async |clock| {
        let mut peer = Peer::new();
        // Opened before the port is exclusive: it tells when something has come without taking it.
        let flags = rustix::fs::OFlags::NOCTTY.bits().cast_signed();
        let watch = File::options().read(true).custom_flags(flags).open(&peer.path).unwrap();
        let mut port = open(&peer.path, &clock).unwrap();
        peer.write(b"stale");
        assert_eq!(ready(&watch, PollFlags::IN), PollFlags::IN);
        port.purge(clock.now()).unwrap();
        peer.write(b"new");
        assert_eq!(bytes(&read(&mut *port, &clock, 3).await.unwrap()), *b"new");
    });
}

#[test]
fn what_does_not_fit_is_told_with_its_count_and_never_waited_for() {
    on_a_runtime(async |clock| {
        let peer = Peer::new();
        let mut port = open(&peer.path, &clock).unwrap();
        let refused = (0..4_096).find_map(|_| port.write(clock.now(), &[0x55; 1_000]).err());
        let Some(TransportError::Unable { what: "send", why }) = refused else { panic!("{refused:?}") };
        assert!(why.contains("of 1000 characters") || why.contains("still holds"), "{why}");
    });
}

#[test]
fn a_pseudo_terminal_says_that_no_break_passes() {
    on_a_runtime(async |clock| {
        let peer = Peer::new();
        let mut port = open(&peer.path, &clock).unwrap();
        assert_eq!(port.abilities(), Abilities { passes_break: false, latency: Span::from_millis(3) });
        assert_eq!(port.set_level(clock.now(), true), Ok(false));
        assert_eq!(port.set_level(clock.now(), false), Ok(false));
    });
}

#[test]
fn the_latency_is_asked_for_the_device_behind_all_links() {
    on_a_runtime(async |clock| {
        let peer = Peer::new();
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("adapter:1.0");
        std::os::unix::fs::symlink(&peer.path, &link).unwrap();
        let Peer { file: _open, path: device } = peer;
        let kind = Serial::kind(move |asked| Span::from_millis(if asked == device { 7 } else { 0 }));
        let factory = Factory::new().with(Box::new(kind));
        for address in [link.display().to_string(), format!("serial:{}", link.display())] {
            let port = factory.open(&address, &clock).unwrap();
            assert_eq!(port.abilities().latency, Span::from_millis(7));
        }
    });
}

#[test]
fn what_is_no_serial_port_is_refused_in_words() {
    on_a_runtime(async |clock| {
        let told = |path: &str| kind().open(path, &clock).err().unwrap().to_string();
        assert_eq!(
            told("/dev/null"),
            "/dev/null: it cannot be used: it is no serial port (choose a port from holdgate ports)"
        );
        assert!(told("/dev/no-such-port").starts_with("/dev/no-such-port: there is no such port ("));
    });
}

#[test]
fn outside_a_runtime_it_is_refused_and_does_not_panic() {
    let peer = Peer::new();
    let refused = open(&peer.path, &Clock::real()).err().unwrap();
    assert_eq!(refused.kind, ProblemKind::Program);
}

#[test]
fn paths_and_numbered_ports_need_no_scheme() {
    let kind = kind();
    for bare in ["/dev/ttyUSB0", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0", "COM3", "com12"] {
        assert!(kind.takes_bare(bare), "{bare}");
    }
    for other in ["", "COM", "COM3x", "comb:x", "serial:/dev/ttyUSB0", "tcp:host:1", "ttyUSB0"] {
        assert!(!kind.takes_bare(other), "{other}");
    }
}
