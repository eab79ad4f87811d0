//! The envelope pyramid against the plain minimum and maximum of the samples.

use ringdown::signal::envelope::{BLOCK, Envelope, columns_of};

/// Noise any language can repeat: a linear congruential generator of 16 bits.
fn noise(len: usize) -> Vec<f32> {
    let mut state = 1_u32;
    let mut next = || {
        state = (state * 25_173 + 13_849) % 65_536;
        state as f32 / 65_536.0 - 0.5
    };
    (0..len).map(|_| next()).collect()
}

fn extent(samples: &[f32]) -> [f32; 2] {
    [samples.iter().copied().fold(f32::INFINITY, f32::min), samples.iter().copied().fold(f32::NEG_INFINITY, f32::max)]
}

fn built(samples: &[f32], slice: usize) -> Envelope {
    let mut envelope = Envelope::new();
    samples.chunks(slice).for_each(|slice| envelope.push(slice));
    envelope
}

#[test]
fn columns_of_whole_blocks_are_exact_at_every_zoom() {
    let x = noise(64 * BLOCK * 5 + 77);
    let envelope = built(&x, 1000);
    for (from, to, columns) in [(0, 320, 320), (0, 320, 64), (0, 320, 5), (16, 272, 1), (3, 99, 4), (63, 65, 2)] {
        let got = envelope.query((from * BLOCK) as u64, (to * BLOCK) as u64, columns);
        let width = (to - from) * BLOCK / columns;
        for column in 0..columns {
            let start = from * BLOCK + column * width;
            assert_eq!([got.min[column], got.max[column]], extent(&x[start..start + width]), "{from} {to} {column}");
        }
    }
}

#[test]
fn the_slicing_does_not_matter() {
    let x = noise(10_000);
    let whole = built(&x, 10_000).query(0, 10_000, 13);
    for slice in [1, 255, 256, 257, 4096] {
        assert_eq!(built(&x, slice).query(0, 10_000, 13), whole, "slices of {slice}");
    }
}

#[test]
fn a_one_sample_spike_survives_any_zoom() {
    let mut x = noise(300_000);
    x[123_456] = 9.0;
    let envelope = built(&x, 4096);
    for columns in 1..200 {
        let (from, to) = (100_000, 150_000 + 997 * columns as u64);
        let got = envelope.query(from, to, columns);
        let column = ((123_456 - from) * columns as u64 / (to - from)) as usize;
        assert_eq!(got.max[column], 9.0, "{columns} columns");
        assert!(got.max.iter().filter(|max| **max == 9.0).count() <= 2);
    }
    let column = 23_456 * 300 / 50_000;
    assert_eq!(columns_of(&x[100_000..150_000], 300).max[column], 9.0);
}

#[test]
fn gaps_stay_gaps() {
    let mut x = noise(100 * BLOCK);
    x[20 * BLOCK..40 * BLOCK].fill(f32::NAN);
    x[50 * BLOCK] = f32::INFINITY;
    let got = built(&x, 1000).query(0, 100 * BLOCK as u64, 10);
    let gaps: Vec<bool> = got.min.iter().map(|min| min.is_nan()).collect();
    assert_eq!(gaps, [false, false, true, true, false, false, false, false, false, false]);
    assert!(got.max.iter().all(|max| max.is_nan() || *max < 0.5));
    assert!(columns_of(&[], 3).min.iter().all(|min| min.is_nan()));
}

#[test]
fn absurd_queries_are_survived() {
    let envelope = built(&noise(1000), 1000);
    assert_eq!(envelope.query(0, 1000, 0).min.len(), 0);
    for (from, to) in [(5, 5), (900, 3), (2000, 3000), (u64::MAX, u64::MAX)] {
        assert!(envelope.query(from, to, 4).min.iter().all(|min| min.is_nan()), "{from} {to}");
    }
    assert_eq!(envelope.query(0, u64::MAX, 2).min.len(), 2);
    assert!(Envelope::new().query(0, 100, 3).min.iter().all(|min| min.is_nan()));
}

#[test]
fn few_samples_fill_many_columns() {
    let got = columns_of(&[1.0, 2.0], 4);
    assert_eq!(got.min, [1.0, 1.0, 2.0, 2.0]);
    assert_eq!(got.max, got.min);
}
