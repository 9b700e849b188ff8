//! Steps and holds: what surrounds a closure is closed however the closure is left.

use model::event::{ReleaseCause, ReleaseProof};
use model::{Condition, Ending, OutputId, Place, Problem, ProblemKind, Quantity, Span, StepId};
use rhai::{Dynamic, EvalAltResult, FnPtr, Map, NativeCallContext, Position};

use super::Scripted;
use super::explain::innermost;
use super::fault::{Fault, misuse};
use super::shared::Shared;
use super::state::State;
use crate::room::{Fail, HoldEnd};

/// A hold as a script asks for it, checked.
#[derive(Debug, Clone)]
pub(crate) struct HoldOrder {
    pub(crate) output: OutputId,
    pub(crate) value: Quantity,
    pub(crate) at_most: Span,
    pub(crate) drop_if: Vec<Condition>,
    /// The script lives through an early end.
    pub(crate) goes_on: bool,
}

impl Shared {
    /// Runs a closure as a step.
    pub(crate) fn step(
        &self,
        ctx: &NativeCallContext<'_>,
        name: &str,
        title: &str,
        closure: &FnPtr,
    ) -> Scripted<()> {
        let open = self.call(ctx, |state| {
            let step = new_step(state, name)?;
            state.step = Some((step.clone(), title.into()));
            if let Err(fail) = state.room.begin(&step, title) {
                state.step = None;
                return Err(fail);
            }
            Ok(state.undecided.len())
        })?;
        let result = self.body(ctx, closure);
        let ending = match result.as_ref() {
            Ok(_) if self.state().undecided.len() > open => Ending::Undecided,
            Ok(_) => Ending::Passed,
            Err(error) => self.ending_of(error),
        };
        let closed = self.close_step(ending, ctx.call_position());
        result.and(closed)
    }

    /// Runs a closure while an output is held.
    pub(crate) fn hold(
        &self,
        ctx: &NativeCallContext<'_>,
        order: &HoldOrder,
        closure: &FnPtr,
    ) -> Scripted<Dynamic> {
        let engaged = self.engage(ctx, order);
        self.under(ctx, order, closure, engaged)
    }

    /// Takes the output over.
    fn engage(&self, ctx: &NativeCallContext<'_>, order: &HoldOrder) -> Scripted<()> {
        self.call(ctx, |state| {
            state.held.insert(order.output.clone());
            let engaged =
                state.room.engage(&order.output, &order.value, order.at_most, &order.drop_if, order.goes_on);
            if let Err(Fail::Refused(_) | Fail::Over(_)) = engaged {
                state.held.remove(&order.output);
            }
            engaged.map(|_| ())
        })
    }

    /// Runs the closure where the output was taken over, and gives it back in any case.
    fn under(
        &self,
        ctx: &NativeCallContext<'_>,
        order: &HoldOrder,
        closure: &FnPtr,
        engaged: Scripted<()>,
    ) -> Scripted<Dynamic> {
        let result = match engaged {
            Ok(()) => self.body(ctx, closure),
            Err(error) => Err(error),
        };
        let released = self.give_back(&order.output, ctx.call_position());
        let value = result?;
        released?;
        Ok(value)
    }

    /// The same for a script that lives through an early end: gives #{ outcome, words, value }.
    pub(crate) fn try_hold(
        &self,
        ctx: &NativeCallContext<'_>,
        order: &HoldOrder,
        closure: &FnPtr,
    ) -> Scripted<Map> {
        let engaged = self.engage(ctx, order);
        if let Err(error) = &engaged
            && let EvalAltResult::ErrorRuntime(value, _) = innermost(error)
            && let Some(Fault(problem)) = value.clone().try_cast::<Fault>()
        {
            return Ok(ended_map("refused", problem.seen, Dynamic::UNIT, None));
        }
        Ok(match self.under(ctx, order, closure, engaged) {
            Ok(value) => ended_map("done", String::new(), value, None),
            Err(error) => match self.ended_hold(&error, &order.output) {
                Some(end) => ended_map(cause_word(end.cause), end.why, Dynamic::UNIT, end.condition),
                None => return Err(error),
            },
        })
    }

    /// How this output's hold ended under its script, where that is what the error carries.
    fn ended_hold(&self, error: &EvalAltResult, output: &OutputId) -> Option<HoldEnd> {
        if self.killed().is_some() {
            return None;
        }
        match innermost(error) {
            EvalAltResult::ErrorTerminated(value, _) => {
                value.clone().try_cast::<HoldEnd>().filter(|end| end.output == *output)
            }
            _ => None,
        }
    }

    /// Releases an output that may be held.
    fn give_back(&self, output: &OutputId, at: Position) -> Scripted<()> {
        if !self.state().held.contains(output) {
            return Ok(());
        }
        self.tidy(at, |state| {
            let released = state.room.release(output);
            state.held.remove(output);
            match released? {
                (ReleaseProof::None, held) => Err(Fail::Broken(vec![Problem::new(
                    ProblemKind::Release,
                    Place::Output { output: output.clone() },
                    format!("held for {held}, and nothing proves that it is back"),
                    "key off",
                )])),
                _ => Ok(()),
            }
        })
    }

    /// Closes what is still open when the script is gone: only a panic on the way out can leave anything.
    pub(crate) fn close_all(&self) {
        let held: Vec<OutputId> = self.state().held.iter().cloned().collect();
        for output in held {
            if let Err(error) = self.give_back(&output, Position::NONE) {
                tracing::error!(%output, %error, "an output could not be given back at the end of a script");
            }
        }
        let ending = self.killed().map_or(Ending::BadInput, |kill| kill.ending);
        if let Err(error) = self.close_step(ending, Position::NONE) {
            tracing::error!(%error, "a step could not be closed at the end of a script");
        }
    }

    /// Ends the open step, in the report in any case and at the other side unless that is gone.
    fn close_step(&self, ending: Ending, at: Position) -> Scripted<()> {
        let closed = self.state().end_step(ending);
        closed.map_or(Ok(()), |step| self.tidy(at, |state| state.room.end(&step, ending)))
    }

    fn ending_of(&self, error: &EvalAltResult) -> Ending {
        if let Some(kill) = self.killed() {
            return kill.ending;
        }
        match innermost(error) {
            EvalAltResult::ErrorRuntime(value, _) => {
                value.clone().try_cast::<Fault>().map_or(Ending::BadInput, |fault| fault.0.kind.ending())
            }
            _ => Ending::BadInput,
        }
    }
}

fn ended_map(outcome: &str, words: String, value: Dynamic, condition: Option<u32>) -> Map {
    let mut map = Map::new();
    map.insert("outcome".into(), outcome.into());
    map.insert("words".into(), words.into());
    map.insert("value".into(), value);
    let condition = condition.map_or(Dynamic::UNIT, |place| Dynamic::from_int(place.into()));
    map.insert("condition".into(), condition);
    map
}

fn cause_word(cause: ReleaseCause) -> &'static str {
    match cause {
        ReleaseCause::WindowOver => "window_over",
        ReleaseCause::Refused => "refused",
        _ => "dropped",
    }
}

/// A step that may begin: its name is new, and no other step is open.
pub(crate) fn new_step(state: &State, name: &str) -> Result<StepId, Fail> {
    state.header()?;
    let step = StepId::new(name).map_err(|e| misuse(e.to_string(), ""))?;
    if let Some((open, _)) = &state.step {
        return Err(misuse(
            format!("step '{name}' begins inside step '{open}'"),
            "end one step before the next: steps are what a run is taken up again at",
        ));
    }
    if state.steps.iter().any(|s| s.step == step) {
        return Err(misuse(format!("there was a step '{name}' before"), "give every step its own name"));
    }
    Ok(step)
}
