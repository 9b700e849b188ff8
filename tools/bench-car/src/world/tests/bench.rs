//! A plain tester for the tests: it wakes, asks and listens, with times of its own.

use line::Arrival;

use crate::{Happened, Ignored, World, WorldConfig};

pub(super) const MS: i64 = 1_000_000;
pub(super) const SECOND: i64 = 1_000 * MS;

/// A world with a tester at the adapter.
pub(super) struct Bench {
    pub(super) world: World,
    pub(super) now: i64,
    /// Gap the tester leaves between its bytes.
    pub(super) p4: i64,
    /// Time it leaves before a request.
    pub(super) p3: i64,
    /// How long it waits for the first byte of an answer.
    pub(super) patience: i64,
    pub(super) heard: Vec<Arrival>,
}

impl Bench {
    pub(super) fn new(config: WorldConfig) -> Self {
        let now = config.begin + SECOND;
        let world = World::new(config).expect("a valid configuration");
        Self { world, now, p4: 5 * MS, p3: 55 * MS, patience: 300 * MS, heard: Vec::new() }
    }

    /// Awake, with communication open.
    pub(super) fn open(config: WorldConfig) -> Self {
        let mut bench = Self::new(config);
        bench.wake();
        let answer = bench.send(&message(0x2A, &[0x81])).expect("StartCommunication is answered");
        assert_eq!(&answer[3..6], [0xC1, 0xEF, 0x8F]);
        bench
    }

    /// Awake and in the set-up session.
    pub(super) fn set_up(config: WorldConfig) -> Self {
        let mut bench = Self::open(config);
        assert_eq!(bench.ask(&[0x10, 0xC3]), [0x50, 0xC3]);
        bench
    }

    pub(super) fn wait(&mut self, time: i64) {
        self.now += time;
        self.heard.clear();
        self.world.read(self.now, &mut self.heard);
    }

    /// 25 ms low, 25 ms high; afterwards the first byte is due.
    pub(super) fn wake(&mut self) {
        self.world.set_level(self.now, true);
        self.wait(25 * MS);
        self.world.set_level(self.now, false);
        self.wait(25 * MS);
    }

    /// Sends a request for the controller after P3 and returns the data of the one answer.
    pub(super) fn ask(&mut self, data: &[u8]) -> Vec<u8> {
        let whole = self.exchange(&message(0x2A, data)).unwrap_or_else(|| panic!("no answer to {data:02X?}"));
        payload(&whole).to_vec()
    }

    /// Waits P3, sends the message and returns the answer's bytes.
    pub(super) fn exchange(&mut self, message: &[u8]) -> Option<Vec<u8>> {
        self.wait(self.p3);
        self.send(message)
    }

    /// Sends the message now and returns the answer's bytes.
    pub(super) fn send(&mut self, message: &[u8]) -> Option<Vec<u8>> {
        self.heard.clear();
        for (k, byte) in message.iter().enumerate() {
            if k > 0 {
                self.now += self.p4;
            }
            self.world.write(self.now, *byte);
            self.until_heard(k + 1, 50 * MS);
        }
        self.heard.clear();
        self.listen()
    }

    /// Listens for one message until it is whole or patience ends.
    pub(super) fn listen(&mut self) -> Option<Vec<u8>> {
        self.heard.clear();
        self.until_heard(1, self.patience).then_some(())?;
        let format = self.heard[0].byte;
        let addresses = if format >> 6 == 0 { 0 } else { 2 };
        let mut total = 1 + addresses + usize::from(format & 0x3F) + 1;
        if format & 0x3F == 0 {
            self.until_heard(2 + addresses, 50 * MS);
            total += 1 + usize::from(self.heard[1 + addresses].byte);
        }
        self.until_heard(total, 50 * MS);
        Some(self.heard.iter().map(|a| a.byte).collect())
    }

    /// Sleeps from event to event until so many characters have been heard since the last clearing.
    fn until_heard(&mut self, count: usize, patience: i64) -> bool {
        let limit = self.now + patience;
        while self.heard.len() < count {
            let next = self.world.next_event().filter(|at| *at <= limit);
            let Some(at) = next else {
                self.now = limit;
                self.world.read(self.now, &mut self.heard);
                return self.heard.len() >= count;
            };
            assert!(at > self.now || self.heard.is_empty(), "a spinning world");
            self.now = at;
            self.world.read(at, &mut self.heard);
        }
        true
    }

    pub(super) fn violations(&self) -> Vec<Ignored> {
        self.ignored().into_iter().filter(|why| why.is_violation()).collect()
    }

    pub(super) fn ignored(&self) -> Vec<Ignored> {
        let ignored = |happened: &Happened| match happened {
            Happened::Ignored { why, .. } => Some(*why),
            _ => None,
        };
        self.world.log().iter().filter_map(ignored).collect()
    }
}

/// A request with addresses and its length in the format byte (ISO 14230-2).
pub(super) fn message(target: u8, data: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0x80 | data.len() as u8, target, 0xF1];
    bytes.extend(data);
    with_checksum(bytes)
}

pub(super) fn with_checksum(mut bytes: Vec<u8>) -> Vec<u8> {
    let sum = bytes.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte));
    bytes.push(sum);
    bytes
}

/// The data of an answer with addresses and its length in the format byte.
pub(super) fn payload(message: &[u8]) -> &[u8] {
    let checked = with_checksum(message[..message.len() - 1].to_vec());
    assert_eq!(checked, message, "a valid checksum");
    assert_eq!(&message[1..3], [0xF1, 0x2A]);
    &message[3..message.len() - 1]
}
