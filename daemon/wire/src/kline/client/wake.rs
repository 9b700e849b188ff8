//! Fast wake-up (ISO 14230-2, 5.2.4.2; times from Regulation (EU) 2016/799, Annex IC, Appendix 8, Table 3).

use model::{Moment, Span};

use super::{Client, Event, State, Transmit, Wakeup};
use crate::frame::{Header, Message};
use crate::kline::KeyBytes;
use crate::service;

/// The bus must have been idle this long before a wake-up (Tidle after power-on, CPR_017; also the safe
/// practice after a failed one).
const BUS_IDLE: Span = Span::from_millis(300);
/// TiniL: the line is low.
const LOW: Span = Span::from_millis(25);
/// TWuP: from the falling edge to the first bit of start-communication.
const WAKE_UP: Span = Span::from_millis(50);

impl Client {
    /// Wakes the controller. Only while idle; anything else is ignored.
    pub fn wake(&mut self, now: Moment) {
        if !self.is_idle() {
            return;
        }
        self.connected = false;
        self.timing = self.config.timing;
        let header = Header::addressed(self.config.addressing, self.config.target, self.config.source);
        let data = vec![service::START_COMMUNICATION];
        let bytes =
            Message { header, data: data.clone() }.encode().expect("one byte of data fits every header");
        let state = match self.config.wakeup {
            Wakeup::Awake => State::Gap,
            Wakeup::Fast => {
                let until = now.max(self.last_activity + BUS_IDLE).max(Moment::ZERO + BUS_IDLE);
                State::Quiet { until }
            }
        };
        self.begin(now, data, Vec::new(), bytes, state);
        self.advance(now);
    }

    pub(super) fn pull_low(&mut self, now: Moment) {
        self.outbox.push_back(Transmit::Low);
        self.state = State::Low { until: now + LOW };
    }

    pub(super) fn let_high(&mut self, now: Moment) {
        self.outbox.push_back(Transmit::High);
        self.last_activity = now;
        self.state = State::High { until: now + (WAKE_UP - LOW) };
    }

    /// Reads the positive answer to start-communication.
    pub(super) fn woken(&mut self, data: &[u8]) {
        let key = match data {
            [_, first, second] => KeyBytes::new([*first, *second]).map_err(|e| e.to_string()),
            _ => Err(format!("start-communication was answered with {} bytes instead of 3", data.len())),
        };
        match key {
            Ok(key) => {
                self.key_bytes = Some(key);
                self.connected = true;
                self.events.push_back(Event::Up(Some(key)));
            }
            Err(why) => self.events.push_back(Event::WakeRefused(why)),
        }
    }
}
