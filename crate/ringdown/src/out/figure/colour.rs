//! Schemes (paper, sun, print), the Okabe-Ito set, and what keeps ink readable on its ground.

use super::Ink;
use super::draw::Scheme;

/// An sRGB colour.
pub type Rgb = (u8, u8, u8);

/// The colour-blind-safe set of M. Okabe and K. Ito, "Color Universal Design" (2002, revised 2008), strongest on
/// white first: blue, vermilion, bluish green, reddish purple, sky blue, orange, black, yellow.
pub const OKABE_ITO: [Rgb; 8] = [
    (0x00, 0x72, 0xb2),
    (0xd5, 0x5e, 0x00),
    (0x00, 0x9e, 0x73),
    (0xcc, 0x79, 0xa7),
    (0x56, 0xb4, 0xe9),
    (0xe6, 0x9f, 0x00),
    (0x00, 0x00, 0x00),
    (0xf0, 0xe4, 0x42),
];

/// The colours of one scheme and the contrast it promises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Palette {
    /// The sheet.
    pub ground: Rgb,
    /// Full ink.
    pub ink: Rgb,
    /// Background data, second-rank words.
    pub quiet: Rgb,
    /// Third-rank data.
    pub faint: Rgb,
    /// What the sentence speaks of.
    pub accent: Rgb,
    /// Smallest contrast of a line or mark with the ground (WCAG 2.2, 1.4.11: 3).
    pub line_contrast: f64,
    /// Smallest contrast of words with the ground (WCAG 2.2, 1.4.3: 4.5; 1.4.6: 7).
    pub text_contrast: f64,
    /// How much thicker lines are than on paper.
    pub line_factor: f64,
    /// Opacity of a shaded strip.
    pub shade: f64,
}

impl Palette {
    /// The palette of a scheme.
    pub fn of(scheme: Scheme) -> Self {
        let paper = Self {
            ground: (0xff, 0xfd, 0xf7),
            ink: (0x1a, 0x1a, 0x1a),
            quiet: (0x5b, 0x57, 0x49),
            faint: (0x8f, 0x89, 0x79),
            accent: (0xa8, 0x38, 0x0f),
            line_contrast: 3.0,
            text_contrast: 4.5,
            line_factor: 1.0,
            shade: 0.10,
        };
        let white = (0xff, 0xff, 0xff);
        let black = (0x00, 0x00, 0x00);
        match scheme {
            Scheme::Paper => paper,
            Scheme::Print => Self { ground: white, ink: black, ..paper },
            Scheme::Sun => Self {
                ground: white,
                ink: black,
                quiet: (0x22, 0x22, 0x22),
                faint: (0x55, 0x55, 0x55),
                accent: (0x8a, 0x1c, 0x00),
                line_contrast: 4.5,
                text_contrast: 7.0,
                line_factor: 1.5,
                shade: 0.16,
            },
        }
    }

    /// The colour of a line or mark.
    pub fn line(&self, ink: Ink) -> Rgb {
        readable(self.plain(ink), self.ground, self.line_contrast)
    }

    /// The colour of words.
    pub fn text(&self, ink: Ink) -> Rgb {
        readable(self.plain(ink), self.ground, self.text_contrast)
    }

    fn plain(&self, ink: Ink) -> Rgb {
        match ink {
            Ink::Ink => self.ink,
            Ink::Quiet => self.quiet,
            Ink::Faint => self.faint,
            Ink::Accent => self.accent,
            Ink::Set(index) => OKABE_ITO.get(usize::from(index) % OKABE_ITO.len()).copied().unwrap_or(self.ink),
        }
    }
}

/// `colour` darkened, hue kept, until it stands out from a light `ground` by `ratio`.
fn readable(colour: Rgb, ground: Rgb, ratio: f64) -> Rgb {
    (0..=100u32).map(|share| darker(colour, 100 - share)).find(|c| contrast(*c, ground) >= ratio).unwrap_or((0, 0, 0))
}

fn darker((red, green, blue): Rgb, percent: u32) -> Rgb {
    let scale = |channel: u8| u8::try_from(u32::from(channel) * percent / 100).unwrap_or(channel);
    (scale(red), scale(green), scale(blue))
}

/// Contrast ratio of two colours, 1 to 21. Source: W3C, WCAG 2.2, "contrast ratio" and "relative luminance".
pub fn contrast(a: Rgb, b: Rgb) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

fn luminance((red, green, blue): Rgb) -> f64 {
    0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue)
}

fn linear(channel: u8) -> f64 {
    let share = f64::from(channel) / 255.0;
    if share <= 0.04045 { share / 12.92 } else { libm::pow((share + 0.055) / 1.055, 2.4) }
}
