//! Ticks and words: where they stand and what they say.

use crate::samples::{all, axis, figure, line, view};
use crate::{Element, drawn};
use ringdown::out::figure::draw::{Scheme, View, text_width};
use ringdown::out::figure::{Along, Axis, Figure, Ink, Layer, Scale};

const FONT_FACTOR: f64 = 10.0;

/// Left, top, right and bottom of a word in CSS pixels, by the width table.
fn area(word: &Element) -> [f64; 4] {
    let size = word.number("font-size") / FONT_FACTOR;
    let (x, y, wide) = (word.number("x") / 10.0, word.number("y") / 10.0, text_width(&word.text, size));
    let left = match word.text_of("text-anchor") {
        "start" => x,
        "middle" => x - wide / 2.0,
        _ => x - wide,
    };
    // Letters reach about 0.36 of the size above and below their middle.
    [left, y - 0.36 * size, left + wide, y + 0.36 * size]
}

fn words(figure: &Figure, view: &View) -> Vec<Element> {
    drawn(figure, view).into_iter().filter(|element| element.name == "text").collect()
}

fn views() -> Vec<View> {
    let sizes = [(660.0, 300.0), (340.0, 240.0), (1200.0, 500.0), (240.0, 180.0)];
    let schemes = [Scheme::Paper, Scheme::Sun];
    sizes.iter().flat_map(|(wide, high)| schemes.map(|scheme| view(*wide, *high, scheme))).collect()
}

#[test]
fn no_two_words_touch_and_none_leaves_the_picture() {
    for figure in all() {
        for view in views() {
            let words = words(&figure, &view);
            assert!(words.len() > 5, "{}: only {} words", figure.id, words.len());
            for (at, word) in words.iter().enumerate() {
                let [left, top, right, bottom] = area(word);
                let name = format!("{} at {} x {}: {}", figure.id, view.width, view.height, word.text);
                assert!(left >= -0.5 && right <= view.width + 0.5, "{name} from {left} to {right}");
                assert!(top >= -0.5 && bottom <= view.height + 0.5, "{name} from {top} down to {bottom}");
                for other in &words[..at] {
                    let [l, t, r, b] = area(other);
                    let apart = r <= left || right <= l || b <= top || bottom <= t;
                    assert!(apart, "{name} touches {}", other.text);
                }
            }
        }
    }
}

#[test]
fn letters_measure_at_least_twelve_pixels() {
    for figure in all() {
        for view in views() {
            for word in words(&figure, &view) {
                let size = word.number("font-size") / FONT_FACTOR;
                assert!(size >= 12.0 - 1e-9, "{} {}: {size}", figure.id, word.text);
            }
        }
    }
}

fn value(text: &str) -> f64 {
    text.replace('\u{2212}', "-").replace('\u{2009}', "").parse().unwrap_or_else(|_| panic!("{text} is no figure"))
}

/// The figures under the bottom axis: the words in the row of the first tick.
fn bottom_ticks(x: Axis, view: &View) -> Vec<f64> {
    let label = x.label.clone();
    let words =
        words(&figure("ticks", x, Axis { ticks: vec![(0.5, "row".into())], ..axis("", 0.0, 1.0) }, vec![]), view);
    words.iter().filter(|word| word.text != label && word.text != "row").map(|word| value(&word.text)).collect()
}

#[test]
fn linear_ticks_go_in_steps_of_one_two_or_five_and_are_at_most_seven() {
    let lows: [f64; 6] = [-87.0, 0.0, 0.37, 1499.0, -1e6, 99_990.0];
    let lengths = [0.0004, 0.013, 0.7, 1.0, 3.0, 9.99, 24.0, 61.0, 360.0, 5000.0, 720_000.0];
    // Narrower than a thousand-millionth of its values a range can't be told from a point, and is widened.
    let ranges = lows.iter().flat_map(|low| lengths.map(|length| (*low, length)));
    for (low, length) in ranges.filter(|(low, length)| *length > 1e-8 * low.abs()) {
        let ticks = bottom_ticks(axis("q", low, low + length), &view(900.0, 300.0, Scheme::Paper));
        assert!((3..=7).contains(&ticks.len()), "{low} + {length}: {ticks:?}");
        let step = ticks[1] - ticks[0];
        let lead = step / 10f64.powf((step * 1.000001).log10().floor());
        let good = [1.0, 2.0, 5.0].iter().any(|good| (lead - good).abs() < 1e-6);
        assert!(good, "{low} + {length}: step {step}");
        for pair in ticks.windows(2) {
            assert!((pair[1] - pair[0] - step).abs() < 1e-6 * step.max(1e-3), "{low} + {length}: {ticks:?}");
        }
        assert!(ticks.iter().all(|tick| *tick >= low - 1e-6 * length && *tick <= (low + length) + 1e-6 * length));
    }
}

#[test]
fn logarithmic_ticks_are_one_two_or_five_times_a_power_of_ten() {
    for (low, high) in [(1.0, 100.0), (0.02, 7.0), (1e-5, 1.0), (20.0, 24_000.0), (0.1, 1e9)] {
        let x = Axis { scale: Scale::Log, ..axis("q", low, high) };
        let words = words(
            &figure("ticks", x, Axis { ticks: vec![(0.5, "row".into())], ..axis("", 0.0, 1.0) }, vec![]),
            &view(900.0, 300.0, Scheme::Paper),
        );
        let texts: Vec<&str> =
            words.iter().map(|word| word.text.as_str()).filter(|text| !["q", "row"].contains(text)).collect();
        assert!((2..=7).contains(&texts.len()), "{low} to {high}: {texts:?}");
        for text in texts {
            let lead = text.chars().find(|sign| ('1'..='9').contains(sign));
            assert!(matches!(lead, Some('1' | '2' | '5')), "{low} to {high}: {text}");
        }
    }
}

#[test]
fn figures_carry_a_true_minus_and_thin_spaces() {
    let words = words(
        &figure("f", axis("speed, rpm", 0.0, 6000.0), axis("level, dB", -90.0, -30.0), vec![]),
        &view(660.0, 300.0, Scheme::Paper),
    );
    let texts: Vec<&str> = words.iter().map(|word| word.text.as_str()).collect();
    assert!(texts.contains(&"\u{2212}60"), "{texts:?}");
    assert!(texts.contains(&"4\u{2009}000"), "{texts:?}");
}

#[test]
fn hostile_names_stay_words() {
    let name = "</text><script>alert(1)</script>\"'&\u{0}\u{202e}\u{1b}]]>\u{ffff}";
    let span = |along| Layer::Span { along, from: 0.2, to: 0.4, ink: Ink::Accent, label: Some(name.into()) };
    let layers = vec![span(Along::X), span(Along::Y), line([0.0, 1.0], [0.0, 1.0], Ink::Ink, name)];
    let mut hostile =
        figure("f", axis(name, 0.0, 1.0), Axis { ticks: vec![(0.5, name.into())], ..axis(name, 0.0, 1.0) }, layers);
    hostile.summary = name.into();
    hostile.id = name.into();
    // Reading back fails on anything that is no element of ours or holds a control sign.
    let elements = drawn(&hostile, &view(1600.0, 600.0, Scheme::Paper));
    let names = ["svg", "title", "desc", "rect", "polyline", "line", "polygon", "text"];
    assert!(elements.iter().all(|element| names.contains(&element.name.as_str())));
    let carrying = elements.iter().filter(|element| element.text.contains("<script>alert(1)</script>\"'&")).count();
    assert!(carrying >= 6, "title, description and labels: {carrying}");
    assert!(!elements.iter().any(|element| element.text.contains('\u{202e}')));
}

#[test]
fn the_summary_is_the_description() {
    let figure = figure("floor", axis("q", 0.0, 1.0), axis("r", 0.0, 1.0), vec![]);
    let elements = drawn(&figure, &view(300.0, 200.0, Scheme::Print));
    assert_eq!(elements[0].text_of("role"), "img");
    let description = elements.iter().find(|element| element.name == "desc").expect("a description");
    assert_eq!(description.text, figure.summary);
}
