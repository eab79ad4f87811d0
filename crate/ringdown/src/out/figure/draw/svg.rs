//! A figure as a file of its own.

use super::super::Figure;
use super::super::colour::{Palette, Rgb};
use super::layout::Layout;
use super::pen::Device;
use super::text::clean;
use super::{View, draw, heat};
use plotters::backend::SVGBackend;
use std::fmt::Write;

/// Inner units per CSS pixel: the backend knows whole units only.
const FINE: f64 = 10.0;
/// Pixels of an embedded heat map per CSS pixel: 202 dpi.
const DENSE: f64 = 2.1;
/// What the SVG backend makes of our letters: it divides sizes by 1.24 and centres on half an x-height.
const DEVICE: Device =
    Device { units_per_px: FINE, font_factor: 1.24, drop: 0.08, heat_beneath: true, likes_strips: false };

/// The figure as a stand-alone SVG.
pub fn svg(figure: &Figure, view: &View) -> String {
    let layout = Layout::of(figure, view);
    let (wide, high) = (layout.picture.right, layout.picture.bottom);
    let ground = hex(Palette::of(view.scheme).ground);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{wide}\" height=\"{high}\" viewBox=\"0 0 {wide} {high}\" \
         role=\"img\" style=\"font-variant-numeric:tabular-nums lining-nums\">\n<title>{}</title>\n<desc>{}</desc>\n\
         <rect width=\"{wide}\" height=\"{high}\" fill=\"{ground}\"/>\n",
        escaped(&figure.id),
        escaped(&figure.summary),
    );
    out.push_str(&heat_image(figure, view, &layout).unwrap_or_default());
    let mut inner = String::new();
    let units = ((wide * FINE).round() as u32, (high * FINE).round() as u32);
    // Writing to a string can't fail; what was drawn so far is kept in any case.
    let _ = draw(figure, view, DEVICE, SVGBackend::with_string(&mut inner, units));
    // The backend's own frame counts in fine units: it becomes a nested one of the true size.
    let frame = format!("<svg width=\"{}\" height=\"{}\"", units.0, units.1);
    out.push_str(&inner.replacen(&frame, &format!("<svg width=\"{wide}\" height=\"{high}\""), 1));
    out.push_str("</svg>\n");
    out
}

fn heat_image(figure: &Figure, view: &View, layout: &Layout) -> Option<String> {
    let plot = layout.plot;
    let (wide, high) = (plot.right - plot.left, plot.bottom - plot.top);
    let (columns, rows) = ((wide * DENSE).ceil() as u32, (high * DENSE).ceil() as u32);
    let pixels = heat::rgba(figure, view, layout, columns, rows)?;
    let picture = png(columns, rows, &pixels)?;
    let mut out = format!(
        "<image x=\"{}\" y=\"{}\" width=\"{wide}\" height=\"{high}\" preserveAspectRatio=\"none\" href=\"data:image/png;base64,",
        plot.left, plot.top
    );
    base64(&picture, &mut out);
    out.push_str("\"/>\n");
    Some(out)
}

fn png(width: u32, height: u32, rgba: &[u8]) -> Option<Vec<u8>> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width, height);
    encoder.set_color(png::ColorType::Rgba);
    encoder.set_depth(png::BitDepth::Eight);
    // The page has these ready for the printer while a recording is worked through: quick, not small.
    encoder.set_compression(png::Compression::Fast);
    let mut writer = encoder.write_header().ok()?;
    writer.write_image_data(rgba).ok()?;
    writer.finish().ok()?;
    Some(out)
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8], out: &mut String) {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    for three in bytes.chunks(3) {
        let [a, b, c] = [0, 1, 2].map(|at| three.get(at).copied().unwrap_or(0));
        let group = u32::from_be_bytes([0, a, b, c]);
        for place in 0..4usize {
            let sign = SIGNS.get((group >> (18 - 6 * place)) as usize & 63).copied().unwrap_or(b'=');
            out.push(if place > three.len() { '=' } else { char::from(sign) });
        }
    }
}

/// Text for XML: control signs gone, markup escaped.
fn escaped(text: &str) -> String {
    let mut out = String::new();
    for sign in clean(text).chars() {
        match sign {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            other => out.push(other),
        }
    }
    out
}

fn hex((red, green, blue): Rgb) -> String {
    let mut out = String::from("#");
    for channel in [red, green, blue] {
        let _ = write!(out, "{channel:02x}");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4648, section 10, test vectors.
    #[test]
    fn base64_agrees_with_the_rfc() {
        for (plain, coded) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")]
        {
            let mut out = String::new();
            base64(plain.as_bytes(), &mut out);
            assert_eq!(out, coded, "{plain}");
        }
    }
}
