//! The page side: a figure drawn on a canvas.

use crate::canvas::{Canvas, image};
use crate::fault::of_page;
use ringdown::out::figure::Figure;
use ringdown::out::figure::colour::Palette;
use ringdown::out::figure::draw::{Plot, View, draw, heat_rgba, plot, read_out, svg};
use serde::Serialize;
use wasm_bindgen::prelude::*;
use web_sys::{HtmlCanvasElement, ImageData};

/// A figure held by the page, drawn as often as its size, scheme or view changes.
#[wasm_bindgen]
pub struct Picture {
    figure: Figure,
    heat: Option<Heat>,
}

/// The last image of the heat maps: pointer moves need no new one.
struct Heat {
    view: View,
    image: ImageData,
}

#[wasm_bindgen]
impl Picture {
    /// Takes a figure as the worker sent it.
    #[wasm_bindgen(constructor)]
    pub fn new(figure: JsValue) -> Result<Picture, JsValue> {
        Ok(Self { figure: taken(figure)?, heat: None })
    }

    /// Draws on `canvas`, whose pixels are set to the view's size times its pixel ratio; returns where the plot lies.
    pub fn draw(&mut self, canvas: HtmlCanvasElement, view: JsValue) -> Result<JsValue, JsValue> {
        let view: View = taken(view)?;
        let place = plot(&self.figure, &view);
        let palette = Palette::of(view.scheme);
        let canvas = Canvas::of(canvas, [view.width, view.height], view.pixel_ratio, &palette)?;
        let view = View { pixel_ratio: canvas.ratio(), ..view };
        if let Some(image) = self.heat_image(&view, &place, &palette)? {
            canvas.image(image, place.left, place.top)?;
        }
        let (backend, device) = canvas.backend()?;
        let place =
            draw(&self.figure, &view, device, backend).map_err(|error| of_page(error, "load the page again"))?;
        given(&place)
    }

    /// Where the plot lies, without drawing.
    pub fn plot(&self, view: JsValue) -> Result<JsValue, JsValue> {
        given(&plot(&self.figure, &taken(view)?))
    }

    /// The figure as a stand-alone SVG.
    pub fn svg(&self, view: JsValue) -> Result<String, JsValue> {
        Ok(svg(&self.figure, &taken(view)?))
    }

    /// What lies at a place in data units, in words.
    pub fn read_out(&self, x: f64, y: f64) -> String {
        read_out(&self.figure, x, y)
    }

    fn heat_image(&mut self, view: &View, place: &Plot, palette: &Palette) -> Result<Option<&ImageData>, JsValue> {
        let view = View { pointer: None, ..view.clone() };
        if self.heat.as_ref().is_none_or(|heat| heat.view != view) {
            let side = |length: f64| (length * view.pixel_ratio).round().max(1.0) as u32;
            let (width, height) = (side(place.right - place.left), side(place.bottom - place.top));
            self.heat = match heat_rgba(&self.figure, &view, width, height) {
                Some(rgba) => Some(Heat { image: image(rgba, width, height, palette)?, view }),
                None => None,
            };
        }
        Ok(self.heat.as_ref().map(|heat| &heat.image))
    }
}

fn taken<T: serde::de::DeserializeOwned>(value: JsValue) -> Result<T, JsValue> {
    serde_wasm_bindgen::from_value(value).map_err(|error| of_page(error, "load the page again"))
}

fn given<T: Serialize>(value: &T) -> Result<JsValue, JsValue> {
    serde_wasm_bindgen::to_value(value).map_err(|error| of_page(error, "load the page again"))
}
