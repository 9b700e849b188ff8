//! The procedures that come with the program. A folder of the user may override them by name.

/// One shipped script.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shipped {
    /// The name by which it is asked for, equal to the name in its header.
    pub name: &'static str,
    /// Its file name in the folder `scripts`.
    pub file: &'static str,
    /// Its text.
    pub text: &'static str,
    /// What its notes point to: file name and text of its finding rules, where it has any.
    pub findings: Option<(&'static str, &'static str)>,
}

/// All of them, by name.
pub const SHIPPED: &[Shipped] = &[
    Shipped {
        name: "base-idle",
        file: "base_idle.rhai",
        text: include_str!("../../../scripts/base_idle.rhai"),
        findings: Some(("findings/base_idle.toml", include_str!("../../../scripts/findings/base_idle.toml"))),
    },
    Shipped {
        name: "cold-start",
        file: "cold_start.rhai",
        text: include_str!("../../../scripts/cold_start.rhai"),
        findings: None,
    },
    Shipped {
        name: "hold-demo",
        file: "hold_demo.rhai",
        text: include_str!("../../../scripts/hold_demo.rhai"),
        findings: None,
    },
];

/// The shipped script of this name.
pub fn shipped(name: &str) -> Option<&'static Shipped> {
    SHIPPED.iter().find(|s| s.name == name)
}
