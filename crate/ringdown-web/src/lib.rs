//! The browser boundary.

#[cfg(target_arch = "wasm32")]
mod canvas;
#[cfg(target_arch = "wasm32")]
mod fault;
#[cfg(target_arch = "wasm32")]
mod file;
#[cfg(target_arch = "wasm32")]
mod picture;
