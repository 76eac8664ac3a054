//! The whole of it, from captures to the store and back: one binary, because linking is slow.

mod support;

mod cli;
#[cfg(all(feature = "cloud", target_os = "linux"))]
mod copy;
mod damage;
mod days;
mod definitions;
mod filing;
mod floods;
#[cfg(all(feature = "gateway", target_os = "linux"))]
mod gateway;
mod identity;
mod places;
mod power;
#[cfg(feature = "fleet")]
mod records;
mod roundtrip;
mod truth;
