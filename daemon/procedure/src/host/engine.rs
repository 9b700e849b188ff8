//! The interpreter: which parts of the language scripts have, and within which limits.

use std::sync::Arc;

use model::{Ending, Place, Problem, ProblemKind};
use rhai::packages::{
    ArithmeticPackage, BasicArrayPackage, BasicFnPackage, BasicIteratorPackage, BasicMapPackage,
    BasicMathPackage, BasicStringPackage, LogicPackage, MoreStringPackage, Package,
};
use rhai::{Dynamic, Engine, OptimizationLevel, Position};

use super::registration;
use super::shared::{Kill, Shared};
use crate::limits::{Limits, MemoryMeter};

/// Operations between two looks at the memory meter.
const MEMORY_STRIDE: u64 = 32;

/// The language without a car: enough to compile a script.
///
/// Deliberately absent: the language-core package (it sleeps, exits and parses JSON), time, files, modules, and
/// the evaluation of text, so that everything a script does can be seen in its file.
pub(crate) fn bare(limits: &Limits) -> Engine {
    let mut engine = Engine::new_raw();
    ArithmeticPackage::new().register_into_engine(&mut engine);
    LogicPackage::new().register_into_engine(&mut engine);
    BasicMathPackage::new().register_into_engine(&mut engine);
    BasicStringPackage::new().register_into_engine(&mut engine);
    MoreStringPackage::new().register_into_engine(&mut engine);
    BasicArrayPackage::new().register_into_engine(&mut engine);
    BasicMapPackage::new().register_into_engine(&mut engine);
    BasicIteratorPackage::new().register_into_engine(&mut engine);
    BasicFnPackage::new().register_into_engine(&mut engine);
    for word in ["eval", "import", "export"] {
        engine.disable_symbol(word);
    }
    engine
        .set_optimization_level(OptimizationLevel::None)
        // A misspelt variable comes out when the script is read, not when the engine is warm.
        .set_strict_variables(true)
        .set_fail_on_invalid_map_property(true)
        // Without this the interpreter answers `quantity < number` with false before the host is asked.
        .set_fast_operators(false)
        .set_max_operations(limits.operations)
        .set_max_call_levels(limits.call_depth)
        .set_max_expr_depths(limits.expression_depth, limits.expression_depth)
        .set_max_string_size(limits.text_bytes)
        .set_max_array_size(limits.array_items)
        .set_max_map_size(limits.map_entries)
        .set_max_variables(limits.variables)
        .set_max_functions(limits.functions)
        .set_max_modules(0);
    engine
}

/// The language with everything of ours, watched while it runs.
pub(crate) fn full(shared: &Arc<Shared>, memory: MemoryMeter) -> Engine {
    let mut engine = bare(&shared.limits);
    registration::register(&mut engine, Arc::clone(shared));

    let watched = Arc::clone(shared);
    let before = memory.read();
    engine.on_progress(move |operations| {
        if operations % MEMORY_STRIDE == 0 {
            look_at_memory(&watched, memory.read().saturating_sub(before));
        }
        watched.must_end().then_some(Dynamic::UNIT)
    });

    for debug in [false, true] {
        let printed = Arc::clone(shared);
        let remark = move |text: &str, at: Position| {
            let made = printed.call_at(at, |state| {
                state.header()?;
                state.room.remark(text)
            });
            // The language gives its print no way to fail, so a failure is latched and ends the run.
            if let Err(error) = made
                && printed.killed().is_none()
            {
                let place = Some(printed.place(at));
                let problem = super::explain::explain(*error, &printed);
                printed.latch(Kill {
                    ending: Ending::BadInput,
                    why: problem.seen.clone(),
                    place,
                    problems: vec![problem],
                });
            }
        };
        if debug {
            engine.on_debug(move |text, _, at| remark(text, at));
        } else {
            engine.on_print(move |text| remark(text, Position::NONE));
        }
    }
    engine
}

/// Map entries set by index escape the interpreter's own size limits, and operations bound no memory, so what
/// is really allocated is what counts.
fn look_at_memory(shared: &Shared, grown: u64) {
    if grown <= shared.limits.memory_bytes || shared.killed().is_some() {
        return;
    }
    let seen =
        format!("the script took more than {} MiB of memory", shared.limits.memory_bytes / (1024 * 1024));
    let problem = Problem::new(
        ProblemKind::Script,
        Place::Program,
        seen.clone(),
        "keep less: readings are recorded without the script's help",
    );
    shared.latch(Kill { ending: Ending::BadInput, why: seen, place: None, problems: vec![problem] });
}
