//! The syntax tree of a script, with the bodies of its functions and closures by name.

use std::collections::BTreeMap;

use rhai::{AST, ASTNode, Position, Stmt};

/// A function or closure of the script.
#[derive(Debug)]
pub(super) struct Function {
    pub(super) params: Vec<String>,
    pub(super) body: Vec<Stmt>,
    /// Where its body begins.
    pub(super) at: Position,
    /// Where its body ends; nowhere for a body without braces.
    end: Position,
}

impl Function {
    fn holds(&self, at: Position) -> bool {
        if self.end.is_none() { at == self.at } else { at >= self.at && at <= self.end }
    }
}

/// The whole script.
#[derive(Debug)]
pub(super) struct Tree {
    pub(super) main: Vec<Stmt>,
    functions: BTreeMap<(String, usize), Function>,
}

impl Tree {
    /// Takes the tree of the interpreter apart. It shows the statements of all bodies one after the other, so each
    /// is put where it stands: into the innermost body around it.
    pub(super) fn of(ast: &AST) -> Self {
        let main: Vec<Stmt> = ast.statements().to_vec();
        let mut functions: BTreeMap<(String, usize), Function> = ast
            .shared_lib()
            .iter_script_fn_info()
            .map(|(_, _, name, count, def)| {
                let function = Function {
                    params: def.params.iter().map(ToString::to_string).collect(),
                    body: Vec::new(),
                    at: def.body.start_position(),
                    end: def.body.end_position(),
                };
                ((name.to_string(), count), function)
            })
            .collect();
        let mut seen = 0;
        ast.walk(&mut |path: &[ASTNode<'_>]| {
            if let [ASTNode::Stmt(stmt)] = path {
                seen += 1;
                if seen > main.len() {
                    let at = stmt.position();
                    let around = functions.values_mut().filter(|function| function.holds(at));
                    if let Some(innermost) = around.max_by_key(|function| function.at) {
                        innermost.body.push((*stmt).clone());
                    }
                }
            }
            true
        });
        for function in functions.values_mut() {
            function.body.sort_by_key(Stmt::position);
        }
        Self { main, functions }
    }

    pub(super) fn function(&self, name: &str, arguments: usize) -> Option<&Function> {
        self.functions.get(&(name.to_string(), arguments))
    }

    /// A closure, which goes by its name alone.
    pub(super) fn closure(&self, name: &str) -> Option<&Function> {
        self.functions.iter().find(|((known, _), _)| known == name).map(|(_, function)| function)
    }

    /// Every function that has a name of its own.
    pub(super) fn named(&self) -> impl Iterator<Item = (&str, usize, &Function)> {
        let all = self.functions.iter().filter(|((name, _), _)| !name.starts_with("anon$"));
        all.map(|((name, count), function)| (name.as_str(), *count, function))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::host::engine;
    use crate::limits::Limits;

    fn tree(text: &str) -> Tree {
        Tree::of(&engine::bare(&Limits::default()).compile(text).unwrap())
    }

    #[test]
    fn every_statement_lands_in_the_body_around_it() {
        let text = "fn a(x) { let y = || { x + 1 }; y.call(); let z = || x; z }\nlet b = |q| { let c = 1; c };\nb.call(1);\nfn e() {}";
        let tree = tree(text);
        assert_eq!(tree.main.len(), 2);
        assert_eq!(tree.function("a", 1).unwrap().body.len(), 4);
        assert_eq!(tree.function("e", 0).unwrap().body.len(), 0);
        let mut bodies: Vec<usize> = tree.functions.values().map(|f| f.body.len()).collect();
        bodies.sort_unstable();
        assert_eq!(bodies, [0, 1, 1, 2, 4]);
        let names: Vec<&str> = tree.named().map(|(name, ..)| name).collect();
        assert_eq!(names, ["a", "e"]);
    }

    #[test]
    fn the_statements_of_a_body_keep_their_order() {
        let tree = tree("fn a() {\n let x = 1;\n x += 2;\n if x > 1 { x = 3; }\n x\n}");
        let lines: Vec<_> = tree.function("a", 0).unwrap().body.iter().map(|s| s.position().line()).collect();
        assert_eq!(lines, [Some(2), Some(3), Some(4), Some(5)]);
    }
}
