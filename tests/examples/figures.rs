//! Writes the sample figures as SVG files into a folder, to look at: `cargo run --example figures -- FOLDER`.

#[path = "../tests/figures/samples.rs"]
#[allow(dead_code)]
mod samples;

use ringdown::out::figure::draw::{Scheme, svg};
use std::path::PathBuf;

fn main() -> std::io::Result<()> {
    let folder = PathBuf::from(std::env::args().nth(1).unwrap_or_else(|| String::from(".")));
    for figure in samples::all() {
        for (width, height) in [(660.0, 300.0), (340.0, 240.0)] {
            for (scheme, name) in [(Scheme::Paper, "paper"), (Scheme::Sun, "sun"), (Scheme::Print, "print")] {
                let file = folder.join(format!("{}-{width}-{name}.svg", figure.id));
                std::fs::write(file, svg(&figure, &samples::view(width, height, scheme)))?;
            }
        }
    }
    Ok(())
}
