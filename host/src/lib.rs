//! host
