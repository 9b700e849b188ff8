//! What the wire's machine reports.

use model::event::{ReleaseCause, ReleaseProof};
use model::{Ending, Event, Moment, OutputId, Place, Problem, ProblemKind, Reply, Span};
use wire::conductor;
use wire::service::{self, TroubleCode};

use super::Driver;
use super::pending::Pending;
use super::samples::hex;

impl Driver {
    pub(super) fn wire_event(&mut self, now: Moment, event: conductor::Event) {
        use conductor::Event as Wire;
        match event {
            Wire::Up(key) => {
                self.set_link(true, now);
                let link = &self.description.link;
                let told = || format!("{} Bd, no key bytes", link.baud);
                let detail = key.map_or_else(told, |key| key.to_string());
                let dialect = link.dialect().title().to_string();
                self.journal.event(now, Event::LinkUp { dialect, detail });
            }
            Wire::Down(why) => {
                self.set_link(false, now);
                self.journal.event(now, Event::LinkDown { why });
            }
            Wire::Read { item, data, times } => {
                self.times.exchange(times.answered.since(times.first));
                self.answered(now, item, &data, &times);
            }
            Wire::Missed { item, from, to, why } => self.missed(item, from, to, why),
            Wire::Exchange(exchange) => self.journal.exchange(&exchange),
            Wire::Refused { request, code } => {
                let words = code.words().to_string();
                self.journal.event(now, Event::Refused { request: hex(&request), code: code.0, words });
            }
            Wire::Fault { fault, request, attempt } => {
                self.journal.event(now, Event::WireFaulted { fault, request: hex(&request), attempt });
            }
            Wire::Engaged { output, until } => {
                self.journal.event(now, Event::HoldEngaged { output: output.clone(), until });
                if matches!(&self.pending, Pending::Engage(wanted) if *wanted == output) {
                    self.pending = Pending::None;
                    self.reply(Reply::Engaged { until });
                }
            }
            Wire::EngageRefused { output, why } => self.engage_refused(now, &output, &why),
            Wire::Releasing { output, cause } => {
                let detail = self.release_detail(&output, cause);
                self.causes.insert(output.clone(), cause);
                self.journal.event(now, Event::HoldReleasing { output: output.clone(), cause, detail });
                // From here on the output is not what the script thinks it is: nothing may be met on it.
                self.hold_ended_early(now, &output, cause);
            }
            Wire::Released { output, proof, held } => self.released(now, &output, proof, held),
            Wire::Answered { ticket, data } => {
                if self.farewell_answered(ticket) {
                    return;
                }
                match &self.pending {
                    Pending::Codes { ticket: asked, .. } if *asked == ticket => {
                        self.codes_answered(now, data.as_deref());
                    }
                    Pending::Freeze(freeze) if freeze.asked(ticket) => {
                        self.freeze_frame_answered(now, data.as_deref());
                    }
                    _ => {}
                }
            }
        }
    }

    fn set_link(&mut self, up: bool, now: Moment) {
        // The leave to be silent was for this silence.
        if up && !self.link_up {
            self.silence_until = self.silence_until.min(now);
        }
        if up {
            self.end_silence(now);
        }
        self.link_up = up;
        if !up {
            self.all_silent(now);
        }
        self.was_up |= up;
        self.down_since = now;
        self.fresh = true;
        match &mut self.pending {
            Pending::Wait { judge, .. } => judge.link(up, now),
            // Readings from before a loss and from after it are not one measurement.
            Pending::Measure(measure) => measure.window.clear(),
            Pending::Trace(trace) => trace.readings.clear(),
            _ => {}
        }
        for guard in &mut self.guards {
            guard.watch.judge.link(up, now);
            guard.watch.begin_anew(now);
        }
        self.board.begin_courses_anew();
        self.drops.iter_mut().for_each(|drop| drop.watch.judge.link(up, now));
    }

    fn engage_refused(&mut self, now: Moment, output: &OutputId, why: &str) {
        // While a release of the same output is under way an attempt may have been obeyed: the answer to the
        // command then comes with the release.
        if self.conductor.holds().iter().any(|hold| hold.spec().output == *output && hold.may_be_held()) {
            return;
        }
        self.strike_out(now, output);
        self.drops.retain(|drop| drop.output != *output);
        self.going_on.remove(output);
        // Given up because the run is over: nobody refused anything.
        if self.over.is_some() {
            return;
        }
        let seen = format!("the controller refuses to be held: {why}");
        let place = Place::Output { output: output.clone() };
        let cure = "check the conditions that the maker's manual asks for";
        let problem = Problem::new(ProblemKind::Car, place, seen, cure);
        self.tell(now, problem.clone());
        if matches!(&self.pending, Pending::Engage(wanted) if wanted == output) {
            self.pending = Pending::None;
            self.reply(Reply::Refused { problem });
        }
    }

    fn released(&mut self, now: Moment, output: &OutputId, proof: ReleaseProof, held: Span) {
        self.journal.event(now, Event::HoldReleased { output: output.clone(), proof, held });
        self.drops.retain(|drop| drop.output != *output);
        self.going_on.remove(output);
        if let Some(ended) = self.ended.iter_mut().find(|ended| ended.output == *output) {
            ended.released = Some((proof, held));
        }
        let cause = self.causes.remove(output).unwrap_or(ReleaseCause::ScriptGone);
        if proof == ReleaseProof::None {
            // It stays in the ledger: the next start releases it first.
            let seen = "the release could not be confirmed, and the controller has no timeout of its own";
            let place = Place::Output { output: output.clone() };
            self.tell(now, Problem::new(ProblemKind::Release, place, seen, "switch the key off"));
            self.end_run(now, Ending::LinkLost, "a held output could not be confirmed released", cause);
        } else {
            self.strike_out(now, output);
        }
        if matches!(&self.pending, Pending::Release(wanted) if wanted == output) {
            self.pending = Pending::None;
            self.ended.retain(|ended| ended.output != *output);
            self.reply(Reply::Released { proof, held });
        }
    }

    /// A hold ended under its script: what the script was doing with it has lost its meaning.
    fn hold_ended_early(&mut self, now: Moment, output: &OutputId, cause: ReleaseCause) {
        let (ending, why) = match cause {
            ReleaseCause::WindowOver => (Ending::Stopped, "its window was over"),
            ReleaseCause::DropCondition => {
                (Ending::Stopped, "a drop condition came true or could not be judged")
            }
            ReleaseCause::LinkLost => (Ending::LinkLost, "the link was lost"),
            ReleaseCause::Refused => (Ending::CarNotRight, "the controller refused it"),
            ReleaseCause::Stop => (Ending::Stopped, "the run was stopped"),
            ReleaseCause::ComputerSlept => (Ending::Stopped, "the computer slept"),
            ReleaseCause::ScriptGone | ReleaseCause::ScopeLeft | ReleaseCause::FormerRun => return,
        };
        if cause == ReleaseCause::LinkLost {
            self.say_what_is_held(now, output);
        }
        let its_own =
            matches!(cause, ReleaseCause::WindowOver | ReleaseCause::DropCondition | ReleaseCause::Refused);
        if its_own && self.over.is_none() && self.going_on.contains(output) {
            return self.end_hold_only(now, output, cause, why);
        }
        self.end_run(now, ending, &format!("{output} was given back: {why}"), cause);
    }

    fn codes_answered(&mut self, now: Moment, data: Option<&[u8]>) {
        let Pending::Codes { next, .. } = std::mem::take(&mut self.pending) else { return };
        let refused = data.is_none_or(|data| service::negative(data).is_some());
        match (refused, next) {
            (true, Some(request)) if data.is_some() => {
                let ticket = self.conductor.ask(now, request);
                self.pending = Pending::Codes { ticket, next: None };
            }
            (true, _) => {
                let problem = match data {
                    Some(_) => {
                        let seen = "the controller does not tell its trouble codes";
                        let cure = "read them as the maker's manual says";
                        Problem::new(ProblemKind::Car, Place::Wire, seen, cure)
                    }
                    None => {
                        let seen = "the question for trouble codes was not answered";
                        Problem::new(ProblemKind::Link, Place::Wire, seen, "read them again")
                    }
                };
                self.tell(now, problem.clone());
                self.reply(Reply::Refused { problem });
            }
            (false, _) => self.tell_codes(now, data.unwrap_or_default()),
        }
    }

    fn tell_codes(&mut self, now: Moment, data: &[u8]) {
        let stored =
            service::status_codes(data).map(|codes| codes.into_iter().map(|(code, _)| code).collect());
        let codes: Result<Vec<TroubleCode>, _> = stored.or_else(|_| service::emissions_codes(data));
        match codes {
            Ok(codes) => {
                let codes: Vec<String> = codes.iter().map(ToString::to_string).collect();
                self.journal.event(now, Event::CodesRead { codes: codes.clone() });
                self.reply(Reply::Codes { codes });
            }
            Err(error) => {
                let problem =
                    Problem::new(ProblemKind::Link, Place::Wire, error.to_string(), "read them again");
                self.tell(now, problem.clone());
                self.reply(Reply::Refused { problem });
            }
        }
    }
}
