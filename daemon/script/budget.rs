//! How far a call of a script may go: operations, depth, sizes, and the stack the deepest legal call needs.
//!
//! The budgets are part of what an outcome means: a rule that runs out of operations here must run out of them at the
//! same place when the outcome is derived again, on any machine, debug or release. So nothing is left to the script
//! engine's defaults, and its optimiser, which changes the count, is off.
//!
//! Deliberately not here: what is said of a call that went too far.

use rhai::{Engine, OptimizationLevel};

/// Operations one call of a handler may use.
pub(crate) const OPERATIONS_MAX: u64 = 100_000;
/// How deep an expression or block may be nested.
pub(crate) const DEPTH_MAX: usize = 64;
/// How deep functions may call each other.
pub(crate) const CALLS_MAX: usize = 32;
/// Bytes in one text. A function that goes through a text or a list counts as one operation whatever its size, so
/// these sizes, more than a verdict ever needs, also bound how long a call takes.
pub(crate) const TEXT_MAX: usize = 4_096;
/// Items in one list.
pub(crate) const LIST_MAX: usize = 1_000;
/// Entries in one map, where the engine looks: it does not when one is set by its name, which the operations bound.
pub(crate) const MAP_MAX: usize = 100;
/// Variables that exist at a time.
pub(crate) const VARIABLES_MAX: usize = 256;
/// Functions of one rule.
const FUNCTIONS_MAX: usize = 256;

/// Stack that the deepest legal call leaves unused, twice over, measured in a debug build: 32 levels of calls, each
/// from as deep inside an expression as the parser allows, take up to 16 MiB. A thread is given 2 MiB, and a stack
/// that overflows ends the process, which no rule may do.
const STACK_NEEDED: usize = 32 * 1024 * 1024;
/// Stack set up where the thread has less than is needed.
const STACK_GIVEN: usize = 2 * STACK_NEEDED;

/// Runs what may go as deep as a script is allowed to. Costs nothing on a thread made with 64 MiB of stack or
/// more; on others a stack is set up for the time of the call.
pub(crate) fn with_deep_stack<T>(run: impl FnOnce() -> T) -> T {
    stacker::maybe_grow(STACK_NEEDED, STACK_GIVEN, run)
}

/// Sets every limit of an engine.
pub(crate) fn bound(engine: &mut Engine) {
    engine
        .set_optimization_level(OptimizationLevel::None)
        .set_fast_operators(false)
        .set_strict_variables(true)
        .set_fail_on_invalid_map_property(true)
        .set_max_operations(OPERATIONS_MAX)
        .set_max_expr_depths(DEPTH_MAX, DEPTH_MAX)
        .set_max_call_levels(CALLS_MAX)
        .set_max_string_size(TEXT_MAX)
        .set_max_array_size(LIST_MAX)
        .set_max_map_size(MAP_MAX)
        .set_max_variables(VARIABLES_MAX)
        .set_max_functions(FUNCTIONS_MAX);
}

/// Gives scripts room for the calls that are put around their conditions: each is one level deeper than the `if`
/// it stands in, and fewer operations than it takes.
pub(crate) fn slacken(engine: &mut Engine) {
    engine
        .set_max_operations(4 * OPERATIONS_MAX)
        .set_max_expr_depths(2 * DEPTH_MAX, 2 * DEPTH_MAX);
}
