//! A description that can be used: everything present, in range and consistent.

pub(crate) mod channel;
pub(crate) mod description;
pub(crate) mod link;
pub(crate) mod output;
pub(crate) mod request;
pub(crate) mod setup;
