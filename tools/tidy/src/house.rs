//! Which room may use which, as data.

use crate::Finding;

/// What a room may use of the house.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Uses {
    /// These rooms, in its program and in its tests.
    Rooms(&'static [&'static str]),
    /// Every room, in its program and in its tests.
    All,
}

/// A room of the house.
#[derive(Debug, Clone, Copy)]
pub struct Room {
    /// Its folder from the top.
    pub folder: &'static str,
    /// What it may use.
    pub uses: Uses,
    /// Whether it is pure: no runtime, no script host, no random numbers, no tables, no file system.
    pub pure: bool,
}

const fn room(folder: &'static str, uses: Uses) -> Room {
    Room { folder, uses, pure: false }
}

const fn pure_room(folder: &'static str, uses: Uses) -> Room {
    Room { folder, uses, pure: true }
}

/// The house. A room is named here by its folder, below and in the lists alike.
pub const HOUSE: &[Room] = &[
    pure_room("daemon/model", Uses::Rooms(&[])),
    room("daemon/clock", Uses::Rooms(&["daemon/model"])),
    pure_room("daemon/signal", Uses::Rooms(&["daemon/model"])),
    room("daemon/car", Uses::Rooms(&["daemon/model", "daemon/signal"])),
    pure_room("daemon/wire", Uses::Rooms(&["daemon/model"])),
    room(
        "daemon/link",
        Uses::Rooms(&["daemon/model", "daemon/clock", "daemon/signal", "daemon/car", "daemon/wire"]),
    ),
    room("daemon/record", Uses::Rooms(&["daemon/model"])),
    room("daemon/procedure", Uses::Rooms(&["daemon/model", "daemon/signal"])),
    room("daemon/report", Uses::Rooms(&["daemon/model", "daemon/signal", "daemon/record"])),
    room("daemon/service", Uses::Rooms(&["daemon/model", "daemon/clock", "daemon/record"])),
    room("daemon/os", Uses::Rooms(&[])),
    room("daemon/station", Uses::All),
    // The bench car and its line share no code with the side that asks, or one misreading would hide another.
    room("tools/line", Uses::Rooms(&[])),
    room("tools/bench-car", Uses::Rooms(&["tools/line"])),
    room(
        "tools/schemas",
        Uses::Rooms(&["daemon/model", "daemon/car", "daemon/record", "daemon/report", "daemon/service"]),
    ),
    room("tools/record-bench", Uses::Rooms(&["daemon/model", "daemon/clock", "daemon/record"])),
    room("tools/seeds", Uses::All),
    room("tools/tidy", Uses::Rooms(&[])),
    room("tools/wire-use", Uses::All),
    room("tests", Uses::All),
];

/// Outside packages that stay out of the pure rooms, by the start of their names: the runtime, random
/// numbers, the script host, tables, temporary files.
const OUT_OF_PURE_ROOMS: &[&str] =
    &["tokio", "mio", "rand", "getrandom", "rhai", "parquet", "arrow", "tempfile"];

/// A package of the workspace, as far as the house goes.
#[derive(Debug, Clone, Default)]
pub struct Package {
    /// Its folder from the top.
    pub folder: String,
    /// Folders of the packages of this workspace that its program uses, optional ones included.
    pub uses: Vec<String>,
    /// The same for its tests and build scripts.
    pub uses_in_tests: Vec<String>,
    /// Names of all outside packages that its program is made with, directly or through others.
    pub outside: Vec<String>,
}

/// Packages that use a room they may not, packages missing in the table, and rows without a package.
pub fn room_uses(house: &[Room], packages: &[Package]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for package in packages {
        let Some(room) = house.iter().find(|room| room.folder == package.folder) else {
            let words =
                "it is not in the house's table: add it in tools/tidy/src/house.rs with what it may use";
            findings.push(Finding::new(&package.folder, words));
            continue;
        };
        let mut judge = |used: &[String], in_tests: bool| {
            let wrong = used.iter().filter(|used| !room.may_use(used));
            let tests = if in_tests { " in its tests" } else { "" };
            findings.extend(wrong.map(|used| {
                Finding::new(
                    &package.folder,
                    format!("it uses {used}{tests}, which it may not: {}", room.uses.words()),
                )
            }));
        };
        judge(&package.uses, false);
        judge(&package.uses_in_tests, true);
    }
    let stale = house.iter().filter(|room| !packages.iter().any(|package| package.folder == room.folder));
    findings.extend(
        stale.map(|room| Finding::new(room.folder, "the house's table names it, but it is no package")),
    );
    findings
}

/// Pure rooms that are made with an outside package that does not belong there.
pub fn outside_in_pure_rooms(house: &[Room], packages: &[Package]) -> Vec<Finding> {
    let is_pure = |package: &&Package| house.iter().any(|room| room.pure && room.folder == package.folder);
    let judge = |package: &Package| {
        let wrong = package.outside.iter().filter(|name| stays_out(name)).map(|name| {
            Finding::new(
                &package.folder,
                format!("it is made with {name}, which stays out of the pure rooms"),
            )
        });
        wrong.collect::<Vec<_>>()
    };
    packages.iter().filter(is_pure).flat_map(judge).collect()
}

/// Rooms whose row in the developers' page is missing or says something else than the table here. A row is
/// `| `folder` | words | what it may use |`, the last with the short names of rooms, `all`, or `-`.
pub fn documented(house: &[Room], page: &str) -> Vec<Finding> {
    let told = |room: &Room| {
        let start = format!("| `{}` |", room.folder);
        let Some(row) = page.lines().find(|line| line.starts_with(&start)) else {
            return Some(Finding::new(room.folder, "the table of rooms in DEVELOPERS.md does not name it"));
        };
        let says = row.trim_end().trim_end_matches('|').rsplit('|').next().unwrap_or_default().trim();
        let words =
            format!("DEVELOPERS.md says it may use '{says}', the house's table '{}'", room.uses.short());
        (says != room.uses.short()).then(|| Finding::new(room.folder, words))
    };
    house.iter().filter_map(told).collect()
}

fn stays_out(name: &str) -> bool {
    let of_family = |family: &str| {
        name.strip_prefix(family).is_some_and(|rest| rest.is_empty() || rest.starts_with(['-', '_']))
    };
    OUT_OF_PURE_ROOMS.iter().any(|family| of_family(family))
}

impl Room {
    fn may_use(&self, folder: &str) -> bool {
        match self.uses {
            Uses::Rooms(rooms) => rooms.contains(&folder),
            Uses::All => true,
        }
    }
}

impl Uses {
    /// As the developers' page has it.
    fn short(self) -> String {
        let name = |folder: &&'static str| folder.rsplit('/').next().unwrap_or(folder);
        match self {
            Self::Rooms([]) => "-".into(),
            Self::Rooms(rooms) => rooms.iter().map(name).collect::<Vec<_>>().join(", "),
            Self::All => "all".into(),
        }
    }

    fn words(self) -> String {
        match self {
            Self::Rooms([]) => "it uses no other room".into(),
            Self::Rooms(rooms) => format!("it may use {}", rooms.join(", ")),
            Self::All => "it may use every room".into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SMALL: &[Room] = &[
        pure_room("daemon/model", Uses::Rooms(&[])),
        room("daemon/link", Uses::Rooms(&["daemon/model"])),
        room("tests", Uses::All),
    ];

    fn package(folder: &str, uses: &[&str], uses_in_tests: &[&str]) -> Package {
        let owned = |names: &[&str]| names.iter().map(ToString::to_string).collect();
        Package {
            folder: folder.into(),
            uses: owned(uses),
            uses_in_tests: owned(uses_in_tests),
            outside: Vec::new(),
        }
    }

    fn good() -> Vec<Package> {
        vec![
            package("daemon/model", &[], &[]),
            package("daemon/link", &["daemon/model"], &["daemon/model"]),
            package("tests", &[], &["daemon/link", "daemon/model"]),
        ]
    }

    fn told(packages: &[Package]) -> Vec<String> {
        room_uses(SMALL, packages).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_house_in_order_is_passed() {
        assert_eq!(told(&good()), Vec::<String>::new());
    }

    #[test]
    fn an_arrow_against_the_grain_is_told() {
        let mut packages = good();
        packages[0].uses = vec!["daemon/link".into()];
        assert_eq!(
            told(&packages),
            ["daemon/model: it uses daemon/link, which it may not: it uses no other room"]
        );
    }

    #[test]
    fn tests_may_not_be_wider_than_the_program() {
        let mut packages = good();
        packages[0].uses_in_tests = vec!["daemon/link".into()];
        let told = told(&packages);
        assert!(told[0].contains("daemon/link in its tests"), "{told:?}");
    }

    #[test]
    fn a_stranger_and_a_row_without_package_are_told() {
        let told = told(&[package("tools/new", &[], &[]), good().remove(0), good().remove(1)]);
        assert!(told[0].starts_with("tools/new: it is not in the house's table"), "{told:?}");
        assert!(told[1].starts_with("tests: the house's table names it"), "{told:?}");
    }

    #[test]
    fn a_page_that_says_something_else_is_told() {
        let page = "| `daemon/model` | words \\| more | - |\n| `daemon/link` | the wire | model, clock |\n";
        let told: Vec<_> = documented(SMALL, page).iter().map(ToString::to_string).collect();
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].contains("'model, clock', the house's table 'model'"), "{told:?}");
        assert!(told[1].starts_with("tests: the table of rooms"), "{told:?}");
    }

    #[test]
    fn a_runtime_in_a_pure_room_is_told_by_its_family() {
        let mut packages = good();
        packages[0].outside = ["serde", "rand_core", "randomize", "arrow-schema"].map(String::from).to_vec();
        packages[1].outside = vec!["tokio".into()];
        let told: Vec<_> = outside_in_pure_rooms(SMALL, &packages).iter().map(ToString::to_string).collect();
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].contains("rand_core") && told[1].contains("arrow-schema"), "{told:?}");
    }
}
