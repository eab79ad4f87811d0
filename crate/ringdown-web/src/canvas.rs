//! A canvas of the right size with ground and heat maps on it, ready for lines and words.

use crate::fault::of_page;
use plotters_canvas::CanvasBackend;
use ringdown::out::figure::colour::Palette;
use ringdown::out::figure::draw::Device;
use wasm_bindgen::{JsCast, JsValue};
use web_sys::{CanvasRenderingContext2d, HtmlCanvasElement, ImageData};

/// Largest side of a canvas that browsers of the last years all hold.
const MOST_SIDE: f64 = 8192.0;
/// Most pixels of a canvas.
const MOST_PIXELS: f64 = 67_108_864.0;
/// The backend counts in whole units: ten to a device pixel, scaled down by the canvas, keep curves smooth.
const FINE: f64 = 10.0;

/// A canvas with its drawing context.
pub struct Canvas {
    element: HtmlCanvasElement,
    context: CanvasRenderingContext2d,
    ratio: f64,
}

impl Canvas {
    /// Sizes `element` to `width` x `height` CSS pixels at `ratio` device pixels each, less where that is too large,
    /// and covers it with the ground.
    pub fn of(
        element: HtmlCanvasElement,
        [width, height]: [f64; 2],
        ratio: f64,
        palette: &Palette,
    ) -> Result<Self, JsValue> {
        let context: CanvasRenderingContext2d =
            element.get_context("2d")?.and_then(|context| context.dyn_into().ok()).ok_or_else(|| {
                of_page("the browser gives no canvas to draw on", "close other tabs and load the page again")
            })?;
        let ratio = held_ratio(width, height, ratio);
        element.set_width((width * ratio).round().clamp(1.0, MOST_SIDE) as u32);
        element.set_height((height * ratio).round().clamp(1.0, MOST_SIDE) as u32);
        let (red, green, blue) = palette.ground;
        context.set_fill_style_str(&format!("rgb({red},{green},{blue})"));
        context.fill_rect(0.0, 0.0, f64::from(element.width()), f64::from(element.height()));
        Ok(Self { element, context, ratio })
    }

    /// Device pixels per CSS pixel.
    pub fn ratio(&self) -> f64 {
        self.ratio
    }

    /// Puts an image with its upper left corner at a place in CSS pixels.
    pub fn image(&self, image: &ImageData, left: f64, top: f64) -> Result<(), JsValue> {
        self.context.put_image_data(image, (left * self.ratio).round(), (top * self.ratio).round())
    }

    /// The backend to draw the rest on, and what its units are.
    pub fn backend(&self) -> Result<(CanvasBackend, Device), JsValue> {
        let down = 1.0 / FINE;
        self.context.set_transform(down, 0.0, 0.0, down, 0.0, 0.0)?;
        self.context.set_line_join("round");
        let backend = CanvasBackend::with_canvas_object(self.element.clone());
        let device = Device {
            units_per_px: self.ratio * FINE,
            font_factor: 1.0,
            drop: 0.0,
            heat_beneath: true,
            likes_strips: true,
        };
        backend
            .map(|backend| (backend, device))
            .ok_or_else(|| of_page("the canvas can't be drawn on", "load the page again"))
    }
}

/// RGBA pixels, top row first, as the browser takes them; what is transparent shows the ground.
pub fn image(mut rgba: Vec<u8>, width: u32, height: u32, palette: &Palette) -> Result<ImageData, JsValue> {
    let (red, green, blue) = palette.ground;
    for pixel in rgba.as_chunks_mut::<4>().0.iter_mut().filter(|pixel| pixel[3] == 0) {
        *pixel = [red, green, blue, 255];
    }
    // A copy of its own: an ImageData keeps the array it is given, and a view into wasm memory would outlive the pixels.
    let pixels = js_sys::Uint8ClampedArray::from(&rgba[..]);
    ImageData::new_with_js_u8_clamped_array_and_sh(&pixels, width, height)
}

fn held_ratio(width: f64, height: f64, ratio: f64) -> f64 {
    let wanted = if ratio.is_finite() { ratio.clamp(0.25, 8.0) } else { 1.0 };
    let (width, height) = (width.max(1.0), height.max(1.0));
    wanted.min(MOST_SIDE / width).min(MOST_SIDE / height).min((MOST_PIXELS / (width * height)).sqrt())
}
