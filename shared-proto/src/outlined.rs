//! For `#[serde(with)]` on a field whose type stands in several messages: its code is there once in an image, not once a field.
//! The bytes are the same.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

#[inline(never)]
pub fn serialize<T: Serialize, S: Serializer>(value: &T, to: S) -> Result<S::Ok, S::Error> {
    value.serialize(to)
}

#[inline(never)]
pub fn deserialize<'de, T: Deserialize<'de>, D: Deserializer<'de>>(from: D) -> Result<T, D::Error> {
    T::deserialize(from)
}
