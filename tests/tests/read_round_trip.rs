//! What is written is read back: recordings of any width and number of channels sample by sample, logs of any delimiter and
//! decimal mark cell by cell. The writers are a few lines from the formats' descriptions (Microsoft multimedia RIFF
//! specification, from memory; RFC 4180); the truth is what was drawn.
//!
//! check: recordings and logs written and read back, 200 drawn of each | what was drawn (`read_round_trip.rs`) | exact

use proptest::prelude::*;
use ringdown::read::log::Log;
use ringdown::read::samples::Planes;
use ringdown::read::wave;
use std::io::Cursor;

/// A WAV file of whole numbers, each `bytes` long, least significant first.
fn wav(channels: u16, bytes: u16, samples: &[i32]) -> Vec<u8> {
    let data = samples.len() as u32 * u32::from(bytes);
    let mut out = b"RIFF".to_vec();
    out.extend((data + 36).to_le_bytes());
    out.extend(b"WAVEfmt \x10\0\0\0\x01\0");
    out.extend(channels.to_le_bytes());
    out.extend(48_000_u32.to_le_bytes());
    out.extend((48_000 * u32::from(channels * bytes)).to_le_bytes());
    out.extend((channels * bytes).to_le_bytes());
    out.extend((8 * bytes).to_le_bytes());
    out.extend(b"data");
    out.extend(data.to_le_bytes());
    samples.iter().for_each(|sample| out.extend(&sample.to_le_bytes()[..usize::from(bytes)]));
    out
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn recordings_come_back_sample_by_sample(
        channels in 1u16..9, bytes in 2u16..5, drawn in prop::collection::vec(any::<i32>(), 8..400), first in 0u64..40
    ) {
        let bits = 8 * u32::from(bytes);
        let whole = drawn.len() / usize::from(channels) * usize::from(channels);
        let samples: Vec<i32> = drawn[..whole].iter().map(|sample| sample >> (32 - bits)).collect();
        let file = Cursor::new(wav(channels, bytes, &samples));
        let mut read = wave::open("drawn.wav", Box::new(file)).expect("a plain recording").value;
        let mut planes = Planes::new();
        let count = read.read(first, usize::MAX, &mut planes).expect("inside or past the end");
        let frames = (whole / usize::from(channels)).saturating_sub(first as usize);
        prop_assert_eq!(count, frames);
        for (at, sample) in samples.iter().enumerate().skip(first as usize * usize::from(channels)) {
            let (frame, channel) = (at / usize::from(channels) - first as usize, at % usize::from(channels));
            let plane = &planes[channel];
            prop_assert_eq!(plane[frame], (f64::from(*sample) / f64::from(1_u32 << (bits - 1))) as f32);
        }
    }

    #[test]
    fn logs_come_back_cell_by_cell(
        rows in prop::collection::vec((500.0..9000.0_f64, 0.0..5.0_f64, -50.0..150.0_f64), 20..80), mark in 0usize..3
    ) {
        let (delimiter, comma) = [(",", false), (";", true), ("\t", true)][mark];
        let cell = |value: f64, places: usize| {
            let text = format!("{value:.places$}");
            if comma { text.replace('.', ",") } else { text }
        };
        let mut text = ["Time (s)", "Engine speed (rpm)", "Knock level (V)", "Coolant temperature (degC)"].join(delimiter);
        for (row, (speed, level, coolant)) in rows.iter().enumerate() {
            let cells = [cell(0.05 * row as f64, 2), cell(*speed, 1), cell(*level, 3), cell(*coolant, 2)];
            text += &format!("\n{}", cells.join(delimiter));
        }
        let log = Log::read("drawn.csv", Box::new(Cursor::new(text.into_bytes())), None).expect("a plain log").value;
        prop_assert_eq!(log.columns.len(), 4);
        for (row, (speed, level, coolant)) in rows.iter().enumerate() {
            let places = [(1, *speed, 1), (2, *level, 3), (3, *coolant, 2)];
            for (column, value, places) in places {
                let expected: f64 = format!("{value:.places$}").parse().expect("a number");
                prop_assert_eq!(log.columns[column].values.get(row).unwrap(), expected);
            }
        }
    }
}
