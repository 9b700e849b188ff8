//! Errors of the interpreter in plain words, with the line, the column and the cure.

use model::{Place, Problem, ProblemKind};
use rhai::{EvalAltResult, LexError, ParseError, ParseErrorType, Position};

use super::fault::Fault;
use super::registration::reference;
use super::shared::Shared;

/// The error itself, without the calls it came up through.
pub(crate) fn innermost(error: &EvalAltResult) -> &EvalAltResult {
    error.unwrap_inner()
}

fn unwrapped(error: EvalAltResult) -> EvalAltResult {
    match error {
        EvalAltResult::ErrorInFunctionCall(_, _, inner, at) | EvalAltResult::ErrorInModule(_, inner, at) => {
            let mut inner = unwrapped(*inner);
            if inner.position().is_none() {
                inner.set_position(at);
            }
            inner
        }
        other => other,
    }
}

/// What a script failed with.
pub(crate) fn explain(error: EvalAltResult, shared: &Shared) -> Problem {
    let mut error = unwrapped(error);
    let at = error.take_position();
    if let EvalAltResult::ErrorRuntime(value, _) = &error
        && let Some(Fault(problem)) = value.clone().try_cast::<Fault>()
    {
        return problem;
    }
    let limits = &shared.limits;
    let (seen, cure) = match &error {
        EvalAltResult::ErrorRuntime(value, _) => (format!("the script gave up: {value}"), String::new()),
        EvalAltResult::ErrorParsing(kind, _) => syntax_words(kind),
        EvalAltResult::ErrorFunctionNotFound(signature, _) => unknown_function(signature),
        EvalAltResult::ErrorDotExpr(text, _) => unknown_property(text),
        EvalAltResult::ErrorTooManyOperations(_) => (
            format!("the script ran for more than {} operations", limits.operations),
            format!("a loop that never ends? Wait for the car with wait(…){}", last_call(shared, at)),
        ),
        EvalAltResult::ErrorStackOverflow(_) => (
            format!("functions call each other more than {} deep", limits.call_depth),
            "a function that calls itself? Use a loop".into(),
        ),
        EvalAltResult::ErrorDataTooLarge(what, _) => (
            format!("{} has grown over its limit", grown(what)),
            format!(
                "texts may have {} bytes, lists {} elements, maps {} entries",
                limits.text_bytes, limits.array_items, limits.map_entries
            ),
        ),
        EvalAltResult::ErrorTooManyVariables(_) => {
            (format!("the script has more than {} variables at one time", limits.variables), String::new())
        }
        other => (other.to_string(), String::new()),
    };
    Problem::new(ProblemKind::Script, shared.place(at), seen, cure)
}

/// What is wrong with the text of a script.
pub(crate) fn syntax(error: &ParseError, file: &str) -> Problem {
    let (seen, cure) = syntax_words(error.err_type());
    let number = |n: Option<usize>| n.and_then(|n| u32::try_from(n).ok()).unwrap_or(0);
    let at = error.position();
    let place = Place::File { file: file.into(), line: number(at.line()), column: number(at.position()) };
    Problem::new(ProblemKind::Script, place, seen, cure)
}

fn syntax_words(kind: &ParseErrorType) -> (String, String) {
    match kind {
        ParseErrorType::Reserved(word) if absent(word) => not_here(word),
        ParseErrorType::BadInput(LexError::ImproperSymbol(word, _)) if absent(word) => not_here(word),
        ParseErrorType::VariableUndefined(name) => {
            (format!("no variable '{name}'"), "declare it with let, or put a text into quotes".into())
        }
        other => (other.to_string(), String::new()),
    }
}

fn absent(word: &str) -> bool {
    matches!(word, "eval" | "import" | "export")
}

fn not_here(word: &str) -> (String, String) {
    (
        format!("'{word}' is not part of the language here"),
        "everything a script does stands in its file".into(),
    )
}

/// What has grown too large, from the interpreter's words for it.
fn grown(what: &str) -> &str {
    match what {
        "Length of string" => "a text",
        "Size of array/BLOB" => "a list",
        "Size of object map" => "a map",
        other => other,
    }
}

/// The nearest spot known when the error itself came up through a closure: a limit that is reached inside one
/// is reported by the interpreter at the call of that closure.
fn last_call(shared: &Shared, at: Position) -> String {
    let last = shared.state().last;
    match last.line() {
        Some(line) if (last.line(), last.position()) > (at.line(), at.position()) => {
            format!("; the last call before it is in line {line}")
        }
        _ => String::new(),
    }
}

/// `name (type, type)` as the interpreter gives it.
fn unknown_function(signature: &str) -> (String, String) {
    let (name, given) = signature.split_once(" (").unwrap_or((signature, ")"));
    let given: Vec<&str> = given.trim_end_matches(')').split(", ").map(plain_type).collect();
    let given = given.join(", ");
    let entries = reference();
    let forms: Vec<&str> = entries.iter().filter(|e| e.name == name).map(|e| e.signature.as_str()).collect();
    if !forms.is_empty() {
        let cure = format!(
            "it is written {}; numbers of the car carry their unit, as in 75.celsius",
            forms.join(" or ")
        );
        return (format!("{name} cannot take ({given})"), cure);
    }
    let seen = format!("no function {name}({given})");
    let known = entries.iter().map(|e| e.name.as_str());
    let cure = model::nearest(name, known).map_or(String::new(), |n| format!("did you mean '{n}'?"));
    (seen, cure)
}

fn plain_type(name: &str) -> &str {
    match name {
        "&str | ImmutableString | String" | "string" => "text",
        "i64" | "f64" => "number",
        "Fn" => "closure",
        "array" => "list",
        "bool" => "yes or no",
        "()" => "nothing",
        other => other,
    }
}

/// `Unknown property 'x' - a getter is not registered for type 'y'` as the interpreter gives it.
fn unknown_property(text: &str) -> (String, String) {
    let mut quoted = text.split('\'').skip(1).step_by(2);
    let (Some(name), Some(owner)) = (quoted.next(), quoted.next()) else {
        return (text.into(), String::new());
    };
    let entries = reference();
    let known = entries.iter().filter(|e| e.signature.contains('.')).map(|e| e.name.as_str());
    let cure = model::nearest(name, known).map_or(String::new(), |n| format!("did you mean '{n}'?"));
    (format!("a {} has no '{name}'", plain_type(owner)), cure)
}
