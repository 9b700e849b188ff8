//! Tests of whole descriptions.

mod bench_car;
mod every_check;
mod many_mistakes;
mod properties;
mod published_scaling;
mod single_byte;

use model::Problem;

use crate::{Description, load};

/// The description that ships with the program.
const BENCH_CAR: &str = include_str!("../../../../schemas/cars/bench-car.toml");

fn bench_car() -> Description {
    load("bench-car.toml", BENCH_CAR).unwrap_or_else(|problems| panic!("{}", told(&problems)))
}

fn told(problems: &[Problem]) -> String {
    problems.iter().map(|problem| format!("{problem}\n")).collect()
}
