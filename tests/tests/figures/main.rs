//! Figures as SVG: ticks, words, hostile names, spikes, contrast.

mod contrast;
mod marks;
mod samples;
mod words;

use ringdown::out::figure::Figure;
use ringdown::out::figure::draw::{View, svg};

/// An element of an SVG with its attributes and text, read back without help from the code that wrote it.
struct Element {
    name: String,
    attributes: Vec<(String, String)>,
    text: String,
}

impl Element {
    fn text_of(&self, key: &str) -> &str {
        self.attributes.iter().find(|(name, _)| name == key).map_or("", |(_, value)| value)
    }

    fn number(&self, key: &str) -> f64 {
        self.text_of(key).parse().unwrap_or_else(|_| panic!("{} has no number {key}", self.name))
    }

    /// Coordinates of a polyline or polygon in CSS pixels; the drawing counts in tenths.
    fn points(&self) -> Vec<(f64, f64)> {
        let pair = |pair: &str| {
            let (x, y) = pair.split_once(',').expect("x,y");
            (x.parse::<f64>().expect("a number") / 10.0, y.parse::<f64>().expect("a number") / 10.0)
        };
        self.text_of("points").split_whitespace().map(pair).collect()
    }
}

fn drawn(figure: &Figure, view: &View) -> Vec<Element> {
    elements(&svg(figure, view))
}

/// Reads well-formed XML without comments and the like; anything else fails the test.
fn elements(xml: &str) -> Vec<Element> {
    let mut found: Vec<Element> = Vec::new();
    let mut open = Vec::new();
    let mut rest = xml.trim();
    while let Some(start) = rest.find('<') {
        let (text, tag) = rest.split_at(start);
        if let Some(element) = open.last().and_then(|at: &usize| found.get_mut(*at)) {
            element.text.push_str(&unescaped(text));
        } else {
            assert!(text.trim().is_empty(), "text outside any element: {text}");
        }
        let end = tag.find('>').expect("a tag that ends");
        let (inside, after) = (&tag[1..end], &tag[end + 1..]);
        rest = after;
        if let Some(name) = inside.strip_prefix('/') {
            let at = open.pop().expect("an open element");
            assert_eq!(found[at].name, name, "elements close in order");
            continue;
        }
        let closed = inside.ends_with('/');
        found.push(element(inside.trim_end_matches('/')));
        if !closed {
            open.push(found.len() - 1);
        }
    }
    assert!(open.is_empty() && rest.trim().is_empty(), "all elements are closed");
    found
}

fn element(inside: &str) -> Element {
    let (name, mut rest) = inside.split_once(char::is_whitespace).unwrap_or((inside, ""));
    assert!(name.chars().all(|sign| sign.is_ascii_alphabetic()), "a name we write: {name}");
    let mut attributes = Vec::new();
    while let Some((key, after)) = rest.trim_start().split_once("=\"") {
        let (value, after) = after.split_once('"').expect("a closed attribute");
        attributes.push((key.to_string(), unescaped(value)));
        rest = after;
    }
    assert!(rest.trim().is_empty(), "only attributes: {rest}");
    Element { name: name.to_string(), attributes, text: String::new() }
}

fn unescaped(text: &str) -> String {
    let plain = |sign: char| sign == '\n' || !sign.is_control();
    assert!(text.chars().all(plain), "no control signs: {text:?}");
    let parts = text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&apos;", "'");
    parts.replace("&amp;", "&").trim_matches('\n').to_string()
}
