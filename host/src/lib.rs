//! host

pub mod store;
