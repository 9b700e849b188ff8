//! Where a warm start begins.

use car::{Description, SetupAmount};
use model::Unit;

/// What a car's own description calls warm, in degrees Celsius: the bench car's warm start is found some
/// degrees short of it.
pub fn warm_level(description: &Description) -> Option<f64> {
    match &description.setup.get("warm_coolant")?.amount {
        SetupAmount::Level(level) => {
            level.to(&Unit::new("Cel").expect("a UCUM code")).ok().map(|warm| warm.value)
        }
        SetupAmount::Window { .. } => None,
    }
}
