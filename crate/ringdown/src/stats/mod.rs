//! Statistics that know no engine.

pub mod normal;
pub mod rate;
pub mod robust;
pub mod roc;
pub mod smooth;
pub mod tolerance;
