//! Floor, limits and proof over groups (cylinders or sensors) of levels.
//!
//! [`floor`] learns where the background lies and how wide it is over speed, [`limits`] how far above it a level must
//! be for a stated false-alarm rate, [`rules`] what other common rules would really give, [`proof`] what all that is
//! worth against labels.

pub mod compare;
mod curve;
pub mod floor;
mod law;
pub mod limits;
pub mod plan;
pub mod proof;
pub mod rules;
pub mod shape;
pub mod typed;
