//! Lines, bands and heat maps: what must survive, what must not be drawn.

use crate::samples::{Chance, all, axis, figure, line, numbers, view};
use crate::{Element, drawn};
use ringdown::out::figure::draw::{Plot, Scheme, View, heat_rgba, plot, read_out, svg};
use ringdown::out::figure::{Axis, Dash, Figure, Ink, Layer, Mark, Numbers, Scale};

fn polylines(figure: &Figure, view: &View) -> Vec<Vec<(f64, f64)>> {
    drawn(figure, view).iter().filter(|element| element.name == "polyline").map(Element::points).collect()
}

fn pixel(plot: &Plot, x: f64, y: f64) -> (f64, f64) {
    let across = (x - plot.x[0]) / (plot.x[1] - plot.x[0]);
    let up = (y - plot.y[0]) / (plot.y[1] - plot.y[0]);
    (plot.left + across * (plot.right - plot.left), plot.bottom - up * (plot.bottom - plot.top))
}

#[test]
fn one_sample_in_a_million_survives_and_few_points_are_drawn() {
    let mut chance = Chance(3);
    let count = 1_000_000;
    let y: Vec<f64> = (0..count).map(|at| if at == 654_321 { 0.9 } else { 0.1 * (chance.next() - 0.5) }).collect();
    let layer = line((0..count).map(f64::from), y, Ink::Ink, "");
    let figure = figure("spike", axis("sample", 0.0, f64::from(count)), axis("share", -1.0, 1.0), vec![layer]);
    let view = view(660.0, 300.0, Scheme::Paper);
    let plot = plot(&figure, &view);
    let top = pixel(&plot, 654_321.0, 0.9);
    let lines = polylines(&figure, &view);
    let near = |point: &&(f64, f64)| (point.0 - top.0).abs() <= 1.0 && (point.1 - top.1).abs() <= 0.1;
    assert_eq!(lines.iter().flatten().filter(near).count(), 1, "the spike at {top:?}");
    let points: usize = lines.iter().map(Vec::len).sum();
    assert!(points <= 4 * 660 + 40, "{points} points for 660 columns");
}

#[test]
fn a_gap_is_not_bridged() {
    let y = [0.5, 0.5, f64::NAN, 0.5, 0.5];
    let figure =
        figure("gap", axis("x", 0.0, 4.0), axis("y", 0.0, 1.0), vec![line((0..5).map(f64::from), y, Ink::Ink, "")]);
    let view = view(660.0, 300.0, Scheme::Paper);
    let plot = plot(&figure, &view);
    let (left, right) = (pixel(&plot, 1.0, 0.5).0, pixel(&plot, 3.0, 0.5).0);
    let middle = (plot.top + plot.bottom) / 2.0;
    let level = |line: &&Vec<(f64, f64)>| line.iter().all(|point| (point.1 - middle).abs() < 1.0);
    let lines = polylines(&figure, &view);
    let pieces: Vec<_> = lines.iter().filter(level).collect();
    assert_eq!(pieces.len(), 2, "{pieces:?}");
    assert!(pieces.iter().flat_map(|piece| piece.iter()).all(|point| point.0 <= left + 0.1 || point.0 >= right - 0.1));
}

#[test]
fn nothing_of_the_data_leaves_the_plot_when_zoomed() {
    for figure in all() {
        let (x, y) = (&figure.x, &figure.y);
        let third = |axis: &Axis| match axis.scale {
            Scale::Linear => Some([axis.low + (axis.high - axis.low) * 0.4, axis.low + (axis.high - axis.low) * 0.6]),
            Scale::Log => Some([axis.low * 3.0, axis.high / 3.0]),
        };
        let view = View { x: third(x), y: third(y), ..view(660.0, 300.0, Scheme::Paper) };
        let plot = plot(&figure, &view);
        for element in
            drawn(&figure, &view).iter().filter(|element| ["polyline", "polygon"].contains(&element.name.as_str()))
        {
            for (px, py) in element.points() {
                let (beside, above) = ((plot.left - px).max(px - plot.right), (plot.top - py).max(py - plot.bottom));
                // Ticks stand outside by 4 pixels; those of a colour scale further right.
                let scale = px > plot.right + 10.0 && element.points().len() == 2;
                assert!(scale || (beside <= 5.0 && above <= 5.0), "{}: {px}, {py} outside {plot:?}", figure.id);
            }
        }
    }
}

fn heat(columns: u32, rows: u32, values: impl IntoIterator<Item = f64>) -> Figure {
    let (x1, y1) = (f64::from(columns), f64::from(rows));
    let layer = Layer::Heat {
        columns,
        rows,
        x0: 0.0,
        x1,
        y0: 0.0,
        y1,
        values: numbers(values),
        low: 0.0,
        high: 1.0,
        label: "share, 1".into(),
    };
    figure("heat", axis("x", 0.0, x1), axis("y", 0.0, y1), vec![layer])
}

fn colour(pixels: &[u8], width: usize, column: usize, row: usize) -> [u8; 4] {
    let at = (row * width + column) * 4;
    pixels[at..at + 4].try_into().expect("four bytes")
}

/// Ends of cividis as matplotlib 3 gives them: #00224e and #fee838.
const LOWEST: [u8; 4] = [0x00, 0x22, 0x4e, 255];
const HIGHEST: [u8; 4] = [0xfe, 0xe8, 0x38, 255];

#[test]
fn heat_cells_stand_where_they_belong() {
    // Column after column, lowest row first: only the cell at column 0, row 1 (upper left) is high.
    let figure = heat(2, 2, [0.0, 1.0, 0.0, 0.0]);
    let pixels = heat_rgba(&figure, &view(660.0, 300.0, Scheme::Paper), 40, 20).expect("a heat map");
    assert_eq!(colour(&pixels, 40, 5, 2), HIGHEST);
    for (column, row) in [(35, 2), (5, 17), (35, 17)] {
        assert_eq!(colour(&pixels, 40, column, row), LOWEST, "{column}, {row}");
    }
}

#[test]
fn a_single_bright_cell_survives_reduction() {
    let figure = heat(1000, 100, (0..100_000).map(|cell| if cell == 54_321 { 1.0 } else { 0.0 }));
    let pixels = heat_rgba(&figure, &view(660.0, 300.0, Scheme::Paper), 100, 50).expect("a heat map");
    assert_eq!(pixels.as_chunks::<4>().0.iter().filter(|pixel| **pixel == HIGHEST).count(), 1);
}

#[test]
fn missing_cells_wear_no_colour_of_the_scale() {
    let figure = heat(4, 4, [f64::NAN; 16]);
    let full = heat(64, 4, (0..256).map(|cell| f64::from(cell) / 255.0));
    let view = view(660.0, 300.0, Scheme::Paper);
    let missing = heat_rgba(&figure, &view, 64, 64).expect("a heat map");
    let scale = heat_rgba(&full, &view, 64, 4).expect("a heat map");
    let scale = scale.as_chunks::<4>().0;
    let hatch = missing.as_chunks::<4>().0;
    assert!(hatch.iter().all(|pixel| pixel[3] == 255 && !scale.contains(pixel)));
    assert!(hatch.iter().any(|pixel| *pixel != hatch[0]), "lines on ground, not one tone");
}

#[test]
fn the_embedded_image_has_two_hundred_dots_to_the_inch() {
    let figure = heat(3, 3, [0.0, 0.5, 1.0, 0.0, 0.5, 1.0, 0.0, 0.5, 1.0]);
    let view = view(660.0, 300.0, Scheme::Print);
    let elements = drawn(&figure, &view);
    let image = elements.iter().find(|element| element.name == "image").expect("an image");
    let code = image.text_of("href").strip_prefix("data:image/png;base64,").expect("a PNG");
    // PNG (ISO/IEC 15948): signature of 8 bytes, then IHDR with width and height at bytes 16 and 20.
    let bytes = decoded(&code[..32]);
    assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n");
    let wide = u32::from_be_bytes(bytes[16..20].try_into().expect("four bytes"));
    assert!(f64::from(wide) >= image.number("width") / 96.0 * 200.0, "{wide} pixels");
}

fn decoded(code: &str) -> Vec<u8> {
    let value = |sign: char| match sign {
        'A'..='Z' => sign as u32 - 'A' as u32,
        'a'..='z' => sign as u32 - 'a' as u32 + 26,
        '0'..='9' => sign as u32 - '0' as u32 + 52,
        '+' => 62,
        _ => 63,
    };
    let signs: Vec<u32> = code.chars().map(value).collect();
    signs
        .chunks(4)
        .flat_map(|four| four.iter().fold(0, |all, six| all << 6 | six).to_be_bytes()[1..].to_vec())
        .collect()
}

#[test]
fn the_pointer_reads_every_quantity_with_its_unit() {
    let mut figure = heat(2, 2, [0.0, 0.25, f64::NAN, 1.0]);
    figure.x = axis("time, s", 0.0, 2.0);
    figure.y = axis("frequency, kHz", 0.0, 2.0);
    assert_eq!(read_out(&figure, 0.5, 1.5), "0.500 s \u{b7} 1.500 kHz \u{b7} 0.25 1");
    assert!(read_out(&figure, 1.5, 0.5).ends_with("no data"));
    figure.layers.push(line([0.0, 2.0], [0.0, 2.0], Ink::Ink, "floor"));
    assert!(read_out(&figure, 0.5, 1.5).ends_with("floor 0.500 kHz"));
}

#[test]
fn odd_input_draws_something() {
    let odd = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -1e300, 0.0, 1e-300, 5.0, 1e300];
    let values = || numbers([f64::NAN, 1e38, -1e38, f64::INFINITY, 0.0, 1.0, 2.0]);
    for (low, high) in odd.iter().flat_map(|low| odd.map(|high| (*low, high))) {
        for scale in [Scale::Linear, Scale::Log] {
            let layers = vec![
                Layer::Line {
                    x: values(),
                    y: values(),
                    ink: Ink::Set(255),
                    dash: Dash::Dotted,
                    width: high,
                    label: Some("l".into()),
                },
                Layer::Line {
                    x: Numbers::default(),
                    y: values(),
                    ink: Ink::Ink,
                    dash: Dash::Dashed,
                    width: 0.0,
                    label: Some(String::new()),
                },
                Layer::Points {
                    x: values(),
                    y: values(),
                    ink: Ink::Accent,
                    mark: Mark::Triangle,
                    size: low,
                    label: Some("p".into()),
                },
                Layer::Between { x: values(), low: values(), high: values(), ink: Ink::Faint, opacity: low },
                Layer::Box {
                    x0: low,
                    x1: high,
                    y0: high,
                    y1: low,
                    ink: Ink::Quiet,
                    opacity: high,
                    label: Some("b".into()),
                },
                Layer::Text { x: low, y: high, text: "t".into(), ink: Ink::Ink },
                Layer::Heat {
                    columns: u32::MAX,
                    rows: u32::MAX,
                    x0: low,
                    x1: high,
                    y0: 0.0,
                    y1: high,
                    values: values(),
                    low,
                    high,
                    label: "h".into(),
                },
                Layer::Heat {
                    columns: 2,
                    rows: 3,
                    x0: low,
                    x1: high,
                    y0: 0.0,
                    y1: high,
                    values: values(),
                    low: high,
                    high: low,
                    label: "h".into(),
                },
            ];
            let figure =
                figure("odd", Axis { scale, ..axis("x", low, high) }, Axis { scale, ..axis("y", high, low) }, layers);
            for size in [0.0, 1.0, 77.0, f64::NAN] {
                let view = View {
                    pixel_ratio: size,
                    pointer: Some([Some(low), Some(high)]),
                    heat: Some([high, low]),
                    ..view(size, size, Scheme::Sun)
                };
                assert!(svg(&figure, &view).ends_with("</svg>\n"));
            }
            let place = plot(&figure, &view(300.0, 200.0, Scheme::Paper));
            assert!(
                place.left < place.right
                    && place.top < place.bottom
                    && place.x[0] < place.x[1]
                    && place.y[0] < place.y[1]
            );
            assert!(!read_out(&figure, low, high).is_empty());
        }
    }
}
