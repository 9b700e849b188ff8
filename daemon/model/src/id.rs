//! Names of things: stations, sessions, channels, outputs, steps.
//!
//! An id is 1 to 64 characters of `a-z`, `0-9`, `_`, `-`, starting with a letter or a digit, so that it can
//! stand in a folder name, an address and a script without quoting.

use std::borrow::Cow;
use std::fmt;
use std::sync::Arc;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize};

/// Why a text is not an id.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "'{text}' is not a usable name: use 1 to 64 of a-z, 0-9, '_' and '-', starting with a letter or digit"
)]
pub struct IdError {
    /// The text as it was given.
    pub text: String,
}

const LONGEST: usize = 64;

fn check(text: &str) -> Result<(), IdError> {
    let bytes = text.as_bytes();
    let plain = |b: &u8| b.is_ascii_lowercase() || b.is_ascii_digit();
    let good = !bytes.is_empty()
        && bytes.len() <= LONGEST
        && plain(&bytes[0])
        && bytes.iter().all(|b| plain(b) || matches!(b, b'_' | b'-'));
    if good { Ok(()) } else { Err(IdError { text: text.chars().take(80).collect() }) }
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(Arc<str>);

        impl JsonSchema for $name {
            fn schema_name() -> Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({ "type": "string", "pattern": "^[a-z0-9][a-z0-9_-]{0,63}$" })
            }
        }

        impl $name {
            /// Checks the text and makes it an id.
            pub fn new(text: &str) -> Result<Self, IdError> {
                check(text).map(|()| Self(Arc::from(text)))
            }

            /// The text of the id.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl TryFrom<String> for $name {
            type Error = IdError;
            fn try_from(text: String) -> Result<Self, IdError> {
                Self::new(&text)
            }
        }

        impl std::str::FromStr for $name {
            type Err = IdError;
            fn from_str(text: &str) -> Result<Self, IdError> {
                Self::new(text)
            }
        }

        impl From<$name> for String {
            fn from(id: $name) -> String {
                id.0.to_string()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}({:?})", stringify!($name), &*self.0)
            }
        }
    };
}

id!(
    /// One adapter with one car behind it.
    StationId
);
id!(
    /// One recording.
    SessionId
);
id!(
    /// A quantity that can be read from the car.
    ChannelId
);
id!(
    /// A controller output that can be held.
    OutputId
);
id!(
    /// A named step of a procedure.
    StepId
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn accepts_plain_names_and_refuses_what_could_leave_a_folder() {
        for good in ["rpm", "idle_valve", "2026-11-25-a", "x"] {
            assert_eq!(ChannelId::new(good).unwrap().as_str(), good);
        }
        for bad in ["", "-x", "_x", "Rpm", "a b", "..", "a/b", "ü", "a\0", &"x".repeat(65)] {
            let error = ChannelId::new(bad).unwrap_err();
            assert!(error.to_string().contains("1 to 64"), "{error}");
        }
    }

    #[test]
    fn a_broken_id_in_json_is_refused() {
        assert!(serde_json::from_str::<SessionId>("\"../x\"").is_err());
        assert_eq!(serde_json::to_string(&StepId::new("warm").unwrap()).unwrap(), "\"warm\"");
    }
}
