//! Floor, limits and proof over groups (cylinders or sensors) of levels.

pub mod floor;
pub mod limits;
pub mod proof;
