//! The browser boundary.

#[cfg(target_arch = "wasm32")]
pub mod bench;
#[cfg(target_arch = "wasm32")]
mod canvas;
#[cfg(target_arch = "wasm32")]
pub mod fault;
#[cfg(target_arch = "wasm32")]
pub mod file;
#[cfg(target_arch = "wasm32")]
pub mod picture;
