//! Procedures and descriptions from their embedded copies or from the user's files.

use std::path::Path;

use car::Description;
use model::{OutputId, Place, Problem, ProblemKind};
use procedure::{Limits, Script};
use report::findings::Rules;
use sha2::{Digest, Sha256};

/// The description of the bench car, as it stands in `schemas/cars`.
pub const BENCH_CAR: (&str, &str) = ("bench-car.toml", include_str!("../../../schemas/cars/bench-car.toml"));

/// The description of the bench car that measures the mass of its air.
pub const BENCH_CAR_MASS: (&str, &str) =
    ("bench-car-mass.toml", include_str!("../../../schemas/cars/bench-car-mass.toml"));

/// The description of the bench car that exchanges single bytes.
pub const BENCH_CAR_SINGLE: (&str, &str) =
    ("bench-car-single.toml", include_str!("../../../schemas/cars/bench-car-single.toml"));

/// A compiled procedure with what identifies it.
#[derive(Debug)]
pub struct Procedure {
    /// The script.
    pub script: Script,
    /// The name that it gives itself.
    pub name: String,
    /// The outputs that it says it takes over.
    pub outputs: Vec<OutputId>,
    /// SHA-256 of its text, in hex.
    pub sha256: String,
    /// What its notes point to, where it has rules for that.
    pub findings: Option<Rules>,
}

/// A resolved description with what identifies it.
#[derive(Debug)]
pub struct Car {
    /// The description.
    pub description: Description,
    /// SHA-256 of its text, in hex.
    pub sha256: String,
}

/// SHA-256 in hex.
pub fn sha256(text: &str) -> String {
    Sha256::digest(text.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Compiles a procedure: a file of the user where the name is a path (it ends in `.rhai` or names an existing
/// file), `NAME.rhai` in the folder of the user's scripts where there is one, the embedded one otherwise.
pub fn procedure(name: &str, folder: Option<&Path>, limits: &Limits) -> Result<Procedure, Vec<Problem>> {
    let (file, text) = find(name, folder).map_err(|problem| vec![problem])?;
    let mut procedure = compile(&file, &text, limits)?;
    procedure.findings = findings(&procedure.name, Path::new(&file), folder)?;
    Ok(procedure)
}

/// The finding rules of a procedure: `findings/NAME.toml` beside its file or in the folder of the user's scripts,
/// the embedded ones otherwise.
fn findings(name: &str, script: &Path, folder: Option<&Path>) -> Result<Option<Rules>, Vec<Problem>> {
    let found = findings_text(name, script, folder).map_err(|problem| vec![problem])?;
    found.map(|(file, text)| Rules::load(&file, &text)).transpose()
}

/// The file and the text of a procedure's finding rules.
pub fn findings_text(
    name: &str,
    script: &Path,
    folder: Option<&Path>,
) -> Result<Option<(String, String)>, Problem> {
    let file = format!("findings/{}.toml", name.replace('-', "_"));
    let beside = [script.parent(), folder].into_iter().flatten().map(|place| place.join(&file));
    if let Some(own) = beside.into_iter().find(|path| path.is_file()) {
        return Ok(Some((own.display().to_string(), read(&own)?)));
    }
    let shipped = procedure::scripts::shipped(name).and_then(|shipped| shipped.findings);
    Ok(shipped.map(|(file, text)| (file.to_string(), text.to_string())))
}

/// Compiles a script's text and reads its header.
pub fn compile(file: &str, text: &str, limits: &Limits) -> Result<Procedure, Vec<Problem>> {
    let script = procedure::compile(file, text, limits)?;
    let header = procedure::header(&script, limits)?;
    let (name, outputs) = (header.name, header.outputs);
    Ok(Procedure { script, name, outputs, sha256: sha256(text), findings: None })
}

/// The file and the text of a procedure, found as [`procedure()`] finds it.
pub fn text(name: &str, folder: Option<&Path>) -> Result<(String, String), Problem> {
    find(name, folder)
}

fn find(name: &str, folder: Option<&Path>) -> Result<(String, String), Problem> {
    let path = Path::new(name);
    if path.extension().is_some_and(|extension| extension == "rhai") || path.is_file() {
        return Ok((name.to_string(), read(path)?));
    }
    let own =
        folder.map(|folder| folder.join(format!("{}.rhai", name.replace('-', "_")))).filter(|p| p.is_file());
    if let Some(own) = own {
        return Ok((own.display().to_string(), read(&own)?));
    }
    if let Some(shipped) = procedure::scripts::shipped(name) {
        return Ok((shipped.file.to_string(), shipped.text.to_string()));
    }
    let names = procedure::scripts::SHIPPED.iter().map(|shipped| shipped.name);
    let cure = match model::nearest(name, names.clone()) {
        Some(near) => format!("did you mean '{near}'?"),
        None => format!("use {} or the path of a .rhai file", names.collect::<Vec<_>>().join(", ")),
    };
    let place = Place::Argument { name: "PROCEDURE".into() };
    Err(Problem::new(ProblemKind::Argument, place, format!("there is no procedure '{name}'"), cure))
}

fn read(path: &Path) -> Result<String, Problem> {
    std::fs::read_to_string(path).map_err(|error| {
        let place = Place::Path { path: path.display().to_string() };
        Problem::new(
            ProblemKind::Argument,
            place,
            format!("it cannot be read: {error}"),
            "check the path and its permissions",
        )
    })
}

/// Loads a description: a file of the user, or the bench car's.
pub fn car(path: Option<&Path>) -> Result<Car, Vec<Problem>> {
    match path {
        Some(path) => described(&path.display().to_string(), &read(path).map_err(|problem| vec![problem])?),
        None => described(BENCH_CAR.0, BENCH_CAR.1),
    }
}

/// Loads a description by its name: a file of the user where the name is a path (it ends in `.toml` or names an
/// existing file), a shipped one otherwise.
pub fn car_named(name: &str) -> Result<Car, Vec<Problem>> {
    let path = Path::new(name);
    if path.extension().is_some_and(|extension| extension == "toml") || path.is_file() {
        return car(Some(path));
    }
    let shipped = SHIPPED_CARS.iter().find(|(file, _)| file.strip_suffix(".toml") == Some(name));
    if let Some((file, text)) = shipped {
        return described(file, text);
    }
    let names = || SHIPPED_CARS.iter().filter_map(|(file, _)| file.strip_suffix(".toml"));
    let cure = match model::nearest(name, names()) {
        Some(near) => format!("did you mean '{near}'?"),
        None => {
            format!("give the path of a .toml file, or one of {}", names().collect::<Vec<_>>().join(", "))
        }
    };
    let place = Place::Argument { name: "--car".into() };
    Err(vec![Problem::new(ProblemKind::Argument, place, format!("there is no description '{name}'"), cure)])
}

/// The descriptions that are shipped.
pub const SHIPPED_CARS: [(&str, &str); 3] = [BENCH_CAR, BENCH_CAR_MASS, BENCH_CAR_SINGLE];

/// Loads a description from its text.
pub fn described(file: &str, text: &str) -> Result<Car, Vec<Problem>> {
    Ok(Car { description: car::load(file, text)?, sha256: sha256(text) })
}
