//! What the script asks. Each command is answered by exactly one reply, at once or when it has its ending.

use model::event::ReleaseCause;
use model::{
    ChannelId, Command, Ending, Estimate, Event, Gate, Moment, Place, Problem, ProblemKind, Quantity, Reply,
    Span, Unit,
};
use signal::{GateError, GateJudge, Window};
use wire::service;

use super::Driver;
use super::holds::Guard;
use super::pending::{Measure, Pending, Trace};

impl Driver {
    pub(super) fn command(&mut self, now: Moment, command: Command) {
        if let Some(over) = &self.over {
            let (ending, why) = (over.ending, over.why.clone());
            return self.reply(Reply::Over { ending, why });
        }
        if let Some(reply) = self.only_its_release(&command) {
            return self.reply(reply);
        }
        match command {
            Command::Poll { channels, period } => self.poll(now, &channels, period),
            Command::Rest { channels } => self.rest(now, &channels),
            Command::Wait { gate } => self.wait_for(now, gate),
            Command::Measure { channel, name, over } => self.measure(now, channel, name, over),
            Command::Latest { channel, within } => self.latest(now, channel, within),
            Command::Trace { channel, name, over } => self.trace(now, channel, name, over),
            Command::Forecast { channel, level } => self.forecast(now, &channel, &level),
            Command::Engage { .. } => self.engage(now, command),
            Command::Release { output } => self.give_back(now, output),
            Command::HoldLeft { output } => self.hold_left(now, &output),
            Command::Extend { output, by } => self.extend(now, &output, by),
            Command::Pause { words, time } => {
                let time = time.max(Span::ZERO);
                self.journal.event(now, Event::Paused { words: words.clone(), time });
                self.pending = Pending::Pause { words, until: now + time };
            }
            Command::KeepReading => self.pending = Pending::KeepReading,
            Command::BearSilence { time } => {
                let time = time.max(Span::ZERO);
                self.silence_until = now + time;
                self.journal.event(now, Event::SilenceBorne { time });
                self.reply(Reply::Done);
            }
            Command::ReadFreezeFrame => self.read_freeze_frame(now),
            Command::ReadCodes => self.read_codes(now),
            Command::Guard { conditions } => {
                let watches: Result<Vec<_>, _> = conditions.iter().map(|c| self.watch(now, c)).collect();
                match watches {
                    Ok(watches) => {
                        self.guards.extend(watches.into_iter().map(|watch| Guard { watch }));
                        self.reply(Reply::Done);
                    }
                    Err(problem) => self.reply(Reply::Refused { problem: *problem }),
                }
            }
            Command::Prompt { act, target, words, wanted, limit } => {
                self.operator.ask(now, &act, &target, &words, &wanted);
                self.journal.event(now, Event::Prompted { act, target, words, wanted });
                self.pending = Pending::Prompt { until: now + limit.max(Span::ZERO) };
            }
            Command::Stop { by } => {
                self.end_run(now, Ending::Stopped, &format!("stopped by {by}"), ReleaseCause::Stop);
            }
            told => self.tell_and_go_on(now, told),
        }
        self.fresh = true;
    }

    /// Commands that only record or show something.
    fn tell_and_go_on(&mut self, now: Moment, command: Command) {
        let event = match command {
            Command::BeginStep { step, title } => {
                self.step = Some(step.clone());
                Event::StepStarted { step, title }
            }
            Command::EndStep { step, ending } => {
                self.step = None;
                Event::StepEnded { step, ending }
            }
            Command::SkipStep { step, reason } => Event::StepSkipped { step, reason },
            Command::Caution { lines } => {
                self.operator.caution(now, &lines);
                Event::CautionsShown { lines }
            }
            Command::Instruct { act, target, words } => {
                self.operator.instruct(now, &act, &target, &words);
                Event::Instructed { act, target, words }
            }
            Command::Call { text } => {
                self.operator.call(now, &text);
                Event::Called { text }
            }
            Command::Result { name, finding } => Event::Result { name, finding },
            Command::Note { key, value } => Event::Noted { key, value },
            Command::Remark { text } => {
                self.operator.remark(now, &text);
                Event::Remark { text }
            }
            _ => return,
        };
        self.journal.event(now, event);
        self.reply(Reply::Done);
    }

    /// Has a channel's request sent at the description's period, unless it is wanted already.
    pub(super) fn want_channel(&mut self, now: Moment, channel: &ChannelId) -> Option<usize> {
        let channel = self.description.channel(channel)?;
        let (item, period) = (channel.request, channel.period);
        self.want(now, item, period, false);
        Some(item)
    }

    /// Has a request sent at the shortest period of its channels.
    pub(super) fn want_request(&mut self, now: Moment, item: usize) {
        let channels = self.description.channels.iter().filter(|channel| channel.request == item);
        if let Some(period) = channels.map(|channel| channel.period).min() {
            self.want(now, item, period, false);
        }
    }

    /// `exactly`: the period was asked for; otherwise the shorter of it and what is wanted already stands.
    fn want(&mut self, now: Moment, item: usize, period: Span, exactly: bool) {
        let stands = self.wanted.get(&item).copied();
        let period = if exactly { period } else { stands.map_or(period, |s| s.min(period)) };
        if stands != Some(period) {
            self.wanted.insert(item, period);
            self.conductor.want(item, Some(period), now);
            self.silent_from(item, now);
        }
    }

    fn poll(&mut self, now: Moment, channels: &[ChannelId], period: Span) {
        if period <= Span::ZERO {
            let seen = format!("the period is {period}");
            let problem = Problem::new(ProblemKind::Script, Place::Program, seen, "give a time above zero");
            return self.reply(Reply::Refused { problem });
        }
        let mut items = std::collections::BTreeSet::new();
        for id in channels {
            match self.description.channel(id) {
                Some(channel) => items.insert(channel.request),
                None => return self.reply(Reply::Refused { problem: self.unknown_channel(id) }),
            };
        }
        for item in items {
            self.want(now, item, period, true);
        }
        self.reply(Reply::Done);
    }

    /// A request goes on while any of its channels is guarded: a guard that nobody reads for would trip.
    fn rest(&mut self, now: Moment, channels: &[ChannelId]) {
        if let Some(unknown) = channels.iter().find(|id| self.description.channel(id).is_none()) {
            return self.reply(Reply::Refused { problem: self.unknown_channel(unknown) });
        }
        let judges = self.guards.iter().map(|guard| &guard.watch.judge);
        let judges = judges.chain(self.drops.iter().map(|drop| &drop.watch.judge));
        let needed: Vec<usize> = judges
            .flat_map(|judge| judge.channels())
            .filter_map(|id| Some(self.description.channel(&id)?.request))
            .collect();
        let rested: Vec<usize> =
            channels.iter().filter_map(|id| Some(self.description.channel(id)?.request)).collect();
        for item in rested {
            if !needed.contains(&item) && self.wanted.remove(&item).is_some() {
                self.conductor.want(item, None, now);
                self.silent_no_more(item, now);
            }
        }
        self.reply(Reply::Done);
    }

    fn unknown_channel(&self, id: &ChannelId) -> Problem {
        let near = self.description.nearest_channel(id.as_str());
        let cure =
            near.map_or("see the description's channels".into(), |near| format!("did you mean '{near}'?"));
        Problem::new(
            ProblemKind::Script,
            Place::Channel { channel: id.clone() },
            "the car has no such channel",
            cure,
        )
    }

    fn wait_for(&mut self, now: Moment, gate: Gate) {
        let mut judge = match GateJudge::new(&gate, &self.facts, now) {
            Ok(judge) => judge,
            Err(error) => return self.reply(Reply::Refused { problem: gate_problem(&error) }),
        };
        judge.link(self.link_up, now);
        let channels = judge.channels();
        let mut items: Vec<usize> =
            channels.iter().filter_map(|channel| self.want_channel(now, channel)).collect();
        items.sort_unstable();
        items.dedup();
        self.conductor.boost(&items);
        self.journal.event(now, Event::GateArmed { gate });
        self.pending = Pending::Wait { judge: Box::new(judge), channels, last: None };
    }

    fn measure(&mut self, now: Moment, id: ChannelId, name: String, over: Span) {
        let Some(channel) = self.description.channel(&id) else {
            return self.reply(Reply::Refused { problem: self.unknown_channel(&id) });
        };
        if over <= Span::ZERO {
            let seen = format!("it would measure for {over}");
            let place = Place::Channel { channel: id };
            let problem = Problem::new(ProblemKind::Script, place, seen, "give a time above zero");
            return self.reply(Reply::Refused { problem });
        }
        let (uncertainty, unit) = (channel.uncertainty(), channel.unit.clone());
        self.want_channel(now, &id);
        self.pending = Pending::Measure(Box::new(Measure {
            channel: id,
            name,
            window: Window::new(over),
            from: now,
            until: now + over,
            uncertainty,
            unit,
        }));
    }

    /// Has the channel read nearly alone while its course is taken.
    fn trace(&mut self, now: Moment, channel: ChannelId, name: String, over: Span) {
        let Some(item) = self.want_channel(now, &channel) else {
            return self.reply(Reply::Refused { problem: self.unknown_channel(&channel) });
        };
        if over <= Span::ZERO {
            let seen = format!("it would watch for {over}");
            let place = Place::Channel { channel };
            let problem = Problem::new(ProblemKind::Script, place, seen, "give a time above zero");
            return self.reply(Reply::Refused { problem });
        }
        self.conductor.boost(&[item]);
        let until = now + over;
        self.pending =
            Pending::Trace(Box::new(Trace { channel, name, readings: Vec::new(), from: now, until }));
    }

    fn forecast(&mut self, now: Moment, id: &ChannelId, level: &Quantity) {
        let Some(channel) = self.description.channel(id) else {
            return self.reply(Reply::Refused { problem: self.unknown_channel(id) });
        };
        let (resolution, unit) = (channel.uncertainty().resolution, channel.unit.clone());
        let level = match level.to(&unit) {
            Ok(level) => level.value,
            Err(error) => {
                let place = Place::Channel { channel: id.clone() };
                let cure = "give the level in a unit of this channel";
                let problem = Problem::new(ProblemKind::Script, place, error.to_string(), cure);
                return self.reply(Reply::Refused { problem });
            }
        };
        let points: Vec<signal::rise::Point> =
            self.board.course(id).map(|(at, value)| (at.as_secs_f64(), value)).collect();
        let newest = points.last().map_or(0.0, |point| point.0);
        let age = now.as_secs_f64() - newest;
        let reach = signal::rise::reach(&points, level, resolution);
        let time = reach.map(|reach| {
            let from_now = |seconds: f64| (seconds - age).max(0.0);
            Estimate {
                value: from_now(reach.seconds),
                low: from_now(reach.low),
                high: from_now(reach.high),
                unit: Unit::new("s").expect("the second is a unit"),
            }
        });
        self.reply(Reply::Forecast { time });
    }

    fn latest(&mut self, now: Moment, channel: ChannelId, within: Span) {
        if self.description.channel(&channel).is_none() {
            return self.reply(Reply::Refused { problem: self.unknown_channel(&channel) });
        }
        self.want_channel(now, &channel);
        self.pending = Pending::Latest { channel, within, until: now + within.max(Span::ZERO) };
    }

    /// Refuses what only a service could tell, where the controller has none. Says whether it did.
    pub(super) fn knows_no_services(&mut self, now: Moment, what: &str) -> bool {
        if self.conductor.has_services() {
            return false;
        }
        let seen = format!("this controller exchanges single bytes and has no service for {what}");
        let cure = "read them as the maker's manual says";
        let problem = Problem::new(ProblemKind::Car, Place::Wire, seen, cure);
        self.tell(now, problem.clone());
        self.reply(Reply::Refused { problem });
        true
    }

    /// All stored codes by status where the controller has that service, the emissions codes where not.
    fn read_codes(&mut self, now: Moment) {
        if self.knows_no_services(now, "trouble codes") {
            return;
        }
        // Status 00: stored codes of every status; group FF00: all (ISO 14230-3, from memory).
        let ticket = self.conductor.ask(now, vec![service::READ_CODES_BY_STATUS, 0x00, 0xFF, 0x00]);
        self.pending = Pending::Codes { ticket, next: Some(vec![service::STORED_CODES]) };
    }
}

/// A gate that cannot be judged, as a problem.
pub(super) fn gate_problem(error: &GateError) -> Problem {
    let (place, cure) = match error {
        GateError::UnknownChannel { channel, nearest } => {
            let cure = nearest.as_ref().map_or_else(
                || "see the description's channels".to_string(),
                |near| format!("did you mean '{near}'?"),
            );
            (Place::Channel { channel: channel.clone() }, cure)
        }
        GateError::Unit { channel, .. } => {
            (Place::Channel { channel: channel.clone() }, "give the value in a unit of this channel".into())
        }
        GateError::Shape { .. } => (Place::Program, "correct the gate".into()),
    };
    Problem::new(ProblemKind::Script, place, error.to_string(), cure)
}
