//! The whole of it, from captures to the store and back: one binary, because linking is slow.

mod support;

mod filing;
mod identity;
mod power;
mod roundtrip;
mod truth;
