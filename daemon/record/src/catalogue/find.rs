//! Finding one session by what a person calls it.

use std::path::Path;

use model::{Place, Problem, ProblemKind};

use super::CatalogueLine;
use crate::archive::Archive;

/// How many of several sessions are named.
const NAMED: usize = 5;

impl Archive {
    /// The session that a person means: by its id, an unambiguous beginning of it, `last` (the session that began
    /// last, whatever became of it: who says `last` looks at the top of the list), or the path of its folder. It always lies in this archive, whatever path was given: links,
    /// `..` and absolute paths are followed to where they lead, and must lead to one of its own folders.
    pub fn find(&self, called: &str) -> Result<CatalogueLine, Problem> {
        let mut lines = self.catalogue()?;
        let at = index(&lines, called, self.layout().root())?;
        Ok(lines.swap_remove(at))
    }
}

/// Which of the lines is meant.
fn index(lines: &[CatalogueLine], called: &str, root: &Path) -> Result<usize, Problem> {
    let refuse = |seen: String, cure: String| {
        Err(Problem::new(ProblemKind::Argument, Place::Argument { name: "session".into() }, seen, cure))
    };
    let shown = || called.chars().take(200).collect::<String>().escape_debug().to_string();
    if called == "last" {
        let cure = "record one, or name another folder with --archive";
        return match lines.first() {
            Some(_) => Ok(0),
            None => refuse(format!("there is no session in {}", root.display()), cure.into()),
        };
    }
    let named = |of: &dyn Fn(&CatalogueLine) -> bool| -> Vec<usize> {
        lines.iter().enumerate().filter(|(_, line)| of(line)).map(|(at, _)| at).collect()
    };
    if called.contains(['/', '\\']) || matches!(called, "." | "..") {
        let Ok(there) = Path::new(called).canonicalize() else {
            return refuse(format!("there is no folder '{}'", shown()), "check the path".into());
        };
        let same = |line: &CatalogueLine| line.path.canonicalize().is_ok_and(|path| path == there);
        // The names come first: to ask the disk where each of ten thousand folders leads would take long.
        let name = there.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        return match named(&|line| line.session == name && same(line)).first() {
            Some(at) => Ok(*at),
            None => refuse(
                format!("'{}' is no session of {}", shown(), root.display()),
                "give the folder of one of its sessions, or name its archive with --archive".into(),
            ),
        };
    }
    let exact = named(&|line| line.session == called);
    let found = if exact.is_empty() && !called.is_empty() {
        named(&|line| line.session.starts_with(called))
    } else {
        exact
    };
    match found.as_slice() {
        [one] => Ok(*one),
        [] => {
            let near = model::nearest(called, lines.iter().map(|line| line.session.as_str()));
            let cure = near.map_or_else(
                || "holdgate sessions lists them; --archive names another folder".to_string(),
                |near| format!("did you mean '{near}'?"),
            );
            refuse(format!("there is no session '{}' in {}", shown(), root.display()), cure)
        }
        several => {
            let same_name = several.iter().all(|at| lines[*at].session == called);
            let name = |at: &usize| match same_name {
                true => lines[*at].path.display().to_string(),
                false => lines[*at].session.clone(),
            };
            let names: Vec<String> = several.iter().take(NAMED).map(name).collect();
            let more = several.len().saturating_sub(NAMED);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            let cure =
                if same_name { "give the folder of the one you mean" } else { "write more of its name" };
            let seen = format!("'{}' may be {} sessions: {}{more}", shown(), several.len(), names.join(", "));
            refuse(seen, cure.into())
        }
    }
}
