//! Contrast by WCAG 2.2, and that every scheme keeps to it.

use outside_truth::{assert_close, number, vector};
use ringdown::out::figure::Ink;
use ringdown::out::figure::colour::{Palette, Rgb, contrast};
use ringdown::out::figure::draw::Scheme;

fn rgb(hex: &str) -> Rgb {
    let [_, red, green, blue] = u32::from_str_radix(hex, 16).expect("six hex digits").to_be_bytes();
    (red, green, blue)
}

/// W3C, WCAG 2.2; pairs from `vectors/contrast.json`, computed apart from the standard's formula.
#[test]
fn contrast_is_that_of_the_standard() {
    let truth = vector("contrast");
    for pair in truth["pairs"].as_array().expect("pairs") {
        let [a, b] = ["a", "b"].map(|side| pair[side].as_str().expect("a colour"));
        assert_close(contrast(rgb(a), rgb(b)), number(&pair["ratio"]), 1e-9, &format!("{a} on {b}"));
        assert_close(contrast(rgb(b), rgb(a)), number(&pair["ratio"]), 1e-9, &format!("{b} on {a}"));
    }
}

/// WCAG 2.2: 1.4.3 (words 4.5), 1.4.6 (words 7, asked of the sun scheme), 1.4.11 (graphics 3).
#[test]
fn every_ink_stands_out_in_every_scheme() {
    let inks = [Ink::Ink, Ink::Quiet, Ink::Faint, Ink::Accent].into_iter().chain((0..=8).map(Ink::Set));
    for (scheme, words, lines) in [(Scheme::Paper, 4.5, 3.0), (Scheme::Print, 4.5, 3.0), (Scheme::Sun, 7.0, 4.5)] {
        let palette = Palette::of(scheme);
        for ink in inks.clone() {
            let (line, text) =
                (contrast(palette.line(ink), palette.ground), contrast(palette.text(ink), palette.ground));
            assert!(line >= lines, "{ink:?} lines in {scheme:?}: {line}");
            assert!(text >= words, "{ink:?} words in {scheme:?}: {text}");
        }
    }
}

/// Darkening must not make two colours of the set one.
#[test]
fn the_published_set_keeps_its_eight_colours() {
    for scheme in [Scheme::Paper, Scheme::Sun, Scheme::Print] {
        let colours: Vec<Rgb> = (0..8).map(|index| Palette::of(scheme).line(Ink::Set(index))).collect();
        for (at, colour) in colours.iter().enumerate() {
            assert!(!colours[..at].contains(colour), "{scheme:?} {at} repeats");
        }
    }
}
