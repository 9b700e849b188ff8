//! A number with its unit.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{Unit, UnitError};

/// A number with its unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Quantity {
    /// The number, in `unit`.
    pub value: f64,
    /// The unit.
    pub unit: Unit,
}

impl Quantity {
    /// A number in a unit.
    pub fn new(value: f64, unit: Unit) -> Self {
        Self { value, unit }
    }

    /// The same quantity in another unit of the same dimension, read as a point on the scale (20 Cel is
    /// 293.15 K).
    pub fn to(&self, unit: &Unit) -> Result<Self, UnitError> {
        Ok(Self { value: self.unit.convert(self.value, unit)?, unit: unit.clone() })
    }

    /// The same quantity in another unit, read as a difference (a rise of 20 Cel is a rise of 20 K).
    pub fn difference_to(&self, unit: &Unit) -> Result<Self, UnitError> {
        Ok(Self { value: self.unit.convert_difference(self.value, unit)?, unit: unit.clone() })
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.value, self.unit.print())
    }
}
