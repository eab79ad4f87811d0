//! Sensor figures on synthetic channels whose truth is known by construction.
//!
//! The generator is independent of the core: noise and impacts pass through resonators with exact poles (impulse
//! invariance), then through the sensor, then gets electronic noise.
//!
//! check: tuned sensors, f0 and Q | resonators with exact poles; whole files of a generator of its own | f0 1 %, Q 15 %; none found on a flat sensor
//! check: clipping, bits, hum, density | construction | see `signal_sensor.rs`

use outside_truth::assert_close;
use ringdown::feature::sensor::{Dead, SensorFeatures, SensorScan, Speed, gain_between};
use std::f64::consts::PI;

/// xorshift64* (S. Vigna, 2016): seeded, so that a failure can be repeated.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Twelve uniforms: close enough to normal for noise.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A second-order resonance with the poles of f0 and Q.
#[derive(Clone)]
struct Resonator {
    a: [f64; 2],
    y: [f64; 2],
    x: [f64; 2],
    gain: f64,
    velocity: bool,
}

impl Resonator {
    /// Gain 1 at f0; `velocity`: nothing passes at 0 Hz, else the response below f0 is flat.
    fn new(f0_hz: f64, q: f64, rate_hz: f64, velocity: bool) -> Self {
        let r = (-PI * f0_hz / (q * rate_hz)).exp();
        let turn = 2.0 * PI * f0_hz / rate_hz;
        let a = [2.0 * r * (turn * (1.0 - 0.25 / (q * q)).sqrt()).cos(), -r * r];
        let mut it = Self { a, y: [0.0; 2], x: [0.0; 2], gain: 1.0, velocity };
        // |1 - a1 z - a2 z^2| at f0
        let re = 1.0 - a[0] * turn.cos() - a[1] * (2.0 * turn).cos();
        let im = a[0] * turn.sin() + a[1] * (2.0 * turn).sin();
        it.gain = re.hypot(im) / if velocity { 2.0 * turn.sin() } else { 1.0 };
        it
    }

    fn step(&mut self, x: f64) -> f64 {
        let input = if self.velocity { x - self.x[1] } else { x };
        self.x = [x, self.x[0]];
        let y = self.gain * input + self.a[0] * self.y[0] + self.a[1] * self.y[1];
        self.y = [y, self.y[0]];
        y
    }
}

#[derive(Clone)]
struct Case {
    rate_hz: f64,
    seconds: f64,
    /// f0, Q, velocity
    sensor: Option<(f64, f64, bool)>,
    /// f0, Q, gain of each resonance of the block over the broad part
    block: Vec<(f64, f64, f64)>,
    noise: f64,
    rpm: fn(f64) -> f64,
    seed: u64,
}

/// Three pulls.
fn pulls(share: f64) -> f64 {
    1200.0 + 4800.0 * (3.0 * share).fract()
}

impl Case {
    /// Four-cylinder engine: noise that grows with speed, an impact at each firing, both felt through the block.
    fn samples(&self) -> Vec<(f64, Vec<f32>)> {
        let mut random = Random(self.seed);
        let mut block: Vec<_> =
            self.block.iter().map(|(f0, q, gain)| (Resonator::new(*f0, *q, self.rate_hz, true), *gain)).collect();
        let mut sensor = self.sensor.map(|(f0, q, velocity)| Resonator::new(f0, q, self.rate_hz, velocity));
        let (mut angle, mut impact, mut out) = (0.0, 0.0, Vec::new());
        let slice = (0.15 * self.rate_hz) as usize;
        let slices = (self.seconds * self.rate_hz) as usize / slice;
        for index in 0..slices {
            let rpm = (self.rpm)(index as f64 / slices as f64);
            let mut samples = Vec::with_capacity(slice);
            for _ in 0..slice {
                angle += rpm / 60.0 * 2.0 / self.rate_hz;
                if angle >= 1.0 {
                    angle -= 1.0;
                    impact = random.between(0.5, 2.0);
                }
                impact *= (-1.0 / (0.001 * self.rate_hz)).exp();
                let force = random.normal() * (rpm / 6000.0) * (0.02 + 0.1 * impact);
                let felt = block.iter_mut().fold(force, |sum, (resonator, gain)| sum + *gain * resonator.step(force));
                let heard = sensor.as_mut().map_or(felt, |sensor| sensor.step(felt));
                samples.push((heard + self.noise * random.normal()) as f32);
            }
            out.push((rpm, samples));
        }
        out
    }

    fn features(&self, speed_known: bool) -> SensorFeatures {
        let mut scan = SensorScan::new(self.rate_hz);
        for (rpm, samples) in self.samples() {
            scan.push(&samples, speed_known.then_some(rpm));
        }
        scan.finish()
    }
}

/// A block with two to five resonances of Q 10-40 that stand 3 to 9 dB over the broad part.
fn case(seed: u64, rate_hz: f64) -> Case {
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    (0..10).for_each(|_| _ = random.uniform());
    let count = 2 + (random.uniform() * 4.0) as usize;
    let top_hz = 0.4 * rate_hz;
    let block = (0..count)
        .map(|_| {
            let gain_db = random.between(3.0, 9.0);
            (
                random.between(2000.0, top_hz.min(18_000.0)),
                random.between(10.0, 40.0),
                10.0_f64.powf(gain_db / 20.0) - 1.0,
            )
        })
        .collect();
    Case { rate_hz, seconds: 6.0, sensor: None, block, noise: 1e-4, rpm: pulls, seed: seed + 77 }
}

/// The engine of [`case`] heard through a tuned sensor; resonances of the block within 1.5 half-power widths of the
/// sensor's are left out if `clear`.
fn tuned(seed: u64, clear: bool) -> (Case, f64, f64) {
    let f0_hz = 3000.0 * 5.0_f64.powf((seed * 5 % 12) as f64 / 11.0);
    let q = [5.0, 8.0, 14.0, 20.0, 30.0][seed as usize % 5];
    let mut case = case(seed + 100, if seed.is_multiple_of(3) { 96_000.0 } else { 48_000.0 });
    if clear {
        case.block.retain(|(hz, _, _)| (hz - f0_hz).abs() > 1.5 * f0_hz / q);
    }
    case.sensor = Some((f0_hz, q, seed.is_multiple_of(2)));
    (case, f0_hz, q)
}

#[test]
fn tuned_sensors_are_found_with_their_frequency_and_q() {
    for seed in 0..12 {
        let (case, f0_hz, q) = tuned(seed, true);
        let features = case.features(seed % 4 < 2);
        let resonance = features.resonance.unwrap_or_else(|| panic!("{seed}: {:?}", features.fitted));
        assert_close(resonance.f0_hz / f0_hz, 1.0, 0.01, &format!("f0 of {f0_hz} Hz, Q {q}"));
        assert_close(resonance.q / q, 1.0, 0.15, &format!("Q of {f0_hz} Hz, Q {q}"));
    }
}

/// Two resonances at one place can't be told apart by one fit: the sensor's frequency is off by a part of its width.
#[test]
fn tuned_sensors_are_found_with_resonances_of_the_block_on_their_peak() {
    for seed in 0..12 {
        let (case, f0_hz, q) = tuned(seed, false);
        let features = case.features(seed % 4 < 2);
        let resonance = features.resonance.unwrap_or_else(|| panic!("{seed}: {:?}", features.fitted));
        assert_close(resonance.f0_hz, f0_hz, 0.5 * f0_hz / q, &format!("f0 of {f0_hz} Hz, Q {q}"));
    }
}

#[test]
fn flat_sensors_on_a_resonant_block_are_not_called_tuned() {
    for seed in 0..16 {
        let features = case(seed, 48_000.0).features(seed % 2 == 0);
        assert!(features.fitted.is_some());
        assert_eq!(features.resonance, None, "{seed}");
    }
}

/// A gear's whine of order 55, louder than all else.
#[test]
fn an_order_moves_with_speed_and_is_not_called_tuned() {
    let case = Case { block: Vec::new(), ..case(1, 48_000.0) };
    for known in [true, false] {
        let mut scan = SensorScan::new(48_000.0);
        let mut phase = 0.0;
        for (rpm, mut samples) in case.samples() {
            for sample in &mut samples {
                phase += 2.0 * PI * 55.0 * rpm / 60.0 / 48_000.0;
                *sample += 0.5 * phase.sin() as f32;
            }
            scan.push(&samples, known.then_some(rpm));
        }
        let features = scan.finish();
        assert_eq!(features.resonance, None, "speed known: {known}");
        assert_eq!(features.spectra.peaks.is_empty(), !known);
        for peak in features.spectra.peaks {
            // a class is 250 rpm wide, a column 50 Hz
            assert_close(peak.hz, 55.0 * peak.rpm / 60.0, 55.0 * 125.0 / 60.0 + 50.0, "order 55");
        }
    }
}

#[test]
fn spectra_show_a_tuned_peak_at_one_frequency_in_every_class_of_speed() {
    let case = Case { sensor: Some((6500.0, 20.0, true)), block: Vec::new(), ..case(3, 48_000.0) };
    let features = Case { seconds: 15.0, ..case }.features(true);
    assert!(features.spectra.by_speed.len() >= 5);
    assert!(features.spectra.peaks.len() >= 10);
    for peak in &features.spectra.peaks {
        assert_close(peak.hz, 6500.0, 170.0, "within half a width");
    }
}

/// White noise of variance v sampled at fs has the density v / (fs / 2).
#[test]
fn white_noise_has_its_density_and_its_floor() {
    let mut random = Random(5);
    let mut scan = SensorScan::new(48_000.0);
    for slice in 0..200 {
        let (sigma, rpm) = if slice < 30 { (1e-3, 0.0) } else { (1e-1, 3000.0) };
        let samples: Vec<f32> = (0..7200).map(|_| (0.25 + sigma * random.normal()) as f32).collect();
        scan.push(&samples, Some(rpm));
    }
    let features = scan.finish();
    let kinds: Vec<Speed> = features.spectra.by_speed.iter().map(|s| s.speed).collect();
    assert_eq!(kinds, [Speed::Rest, Speed::About { rpm_low: 2500.0, rpm_high: 3500.0 }]);
    for (spectrum, variance) in features.spectra.by_speed.iter().zip([1e-6, 1e-2_f64]) {
        let (low, high) = (20, 300); // 1 to 15 kHz
        let mean = spectrum.levels_db[low..high].iter().map(|db| f64::from(*db)).sum::<f64>() / (high - low) as f64;
        assert_close(mean, 10.0 * (variance / 24_000.0).log10(), 0.5, "density");
    }
    let [low_hz, high_hz] = features.noise_band_hz;
    let floor_db = 10.0 * (1e-6 * (high_hz - low_hz) / 24_000.0_f64).log10();
    assert_close(features.noise_floor_db.unwrap(), floor_db, 0.5, "floor");
    assert_close(features.offset, 0.25, 1e-3, "offset");
    assert_close(features.rms_db, 10.0 * (0.15 * 1e-6 + 0.85 * 1e-2_f64).log10(), 0.1, "rms");
    assert_eq!(features.clipped_share, 0.0);
}

fn scanned(samples: &[f32]) -> SensorFeatures {
    let mut scan = SensorScan::new(48_000.0);
    samples.chunks(7000).for_each(|slice| scan.push(slice, None));
    scan.finish()
}

fn sine(hz: f64, len: usize) -> Vec<f32> {
    (0..len).map(|n| (0.5 * (2.0 * PI * hz * n as f64 / 48_000.0).sin()) as f32).collect()
}

fn rounded(samples: &[f32], steps: f32) -> Vec<f32> {
    samples.iter().map(|x| (x * steps).round() / steps).collect()
}

/// A sine of amplitude 0.5 held at 0.4 stays there for the share 1 - (2 / pi) asin 0.8. The level is known to a step of the
/// converter, which holds 2 step / (pi 0.3) of the sine there, or to a bin of 1/4096 of the range.
#[test]
fn clipping_at_any_level_is_measured() {
    let whole = sine(1234.5, 480_000);
    let expected = 1.0 - 2.0 / PI * 0.8_f64.asin();
    for steps in [256.0_f32, 32_768.0, 8_388_608.0] {
        let tolerance = 0.003 + 2.0 / (PI * 0.3 * f64::from(steps));
        let clipped: Vec<f32> = rounded(&whole, steps).iter().map(|x| x.clamp(-0.4, 0.4)).collect();
        assert_close(scanned(&clipped).clipped_share, expected, tolerance, &format!("{steps} steps"));
        let one_side: Vec<f32> = rounded(&whole, steps).iter().map(|x| x.min(0.4)).collect();
        assert_close(scanned(&one_side).clipped_share, 0.5 * expected, tolerance, &format!("one side, {steps} steps"));
        assert_eq!(scanned(&rounded(&whole, steps)).clipped_share, 0.0, "whole sine, {steps} steps");
    }
    let mut spiked: Vec<f32> = whole.iter().map(|x| x.clamp(-0.4, 0.4)).collect();
    spiked[1000] = 0.45;
    assert_close(scanned(&spiked).clipped_share, expected, 0.01, "with a spike beyond");
}

#[test]
fn unclipped_noise_has_no_clipped_share() {
    let mut random = Random(9);
    let noise: Vec<f32> = (0..480_000).map(|_| (0.05 * random.normal()) as f32).collect();
    for steps in [128.0, 32_768.0, 8_388_608.0] {
        assert_eq!(scanned(&rounded(&noise, steps)).clipped_share, 0.0, "{steps} steps");
    }
}

#[test]
fn bits_are_those_the_signal_spans() {
    let whole = sine(1234.5, 100_000);
    for bits in [6, 8, 12, 16] {
        // amplitude 0.5 of full scale: one bit less
        let features = scanned(&rounded(&whole, f32::powi(2.0, bits - 1)));
        assert_close(features.bits, f64::from(bits - 1), 0.1, &format!("{bits} bits"));
        assert_eq!(features.step, Some(2.0_f64.powi(1 - bits)));
    }
}

#[test]
fn dead_channels_say_why() {
    assert_eq!(scanned(&[]).dead, Some(Dead::Empty));
    assert_eq!(scanned(&[0.25; 50_000]).dead, Some(Dead::Constant { value: 0.25 }));
    let toggling: Vec<f32> = (0..50_000).map(|n| (n % 3 / 2) as f32 / 32_768.0).collect();
    assert_eq!(scanned(&toggling).dead, Some(Dead::FewSteps { steps: 1.0 }));
    let mut random = Random(3);
    let mut scan = SensorScan::new(48_000.0);
    for slice in 0..100 {
        let samples: Vec<f32> = (0..7200).map(|_| (1e-3 * random.normal()) as f32).collect();
        scan.push(&samples, Some(1000.0 + 50.0 * f64::from(slice)));
    }
    assert!(matches!(scan.finish().dead, Some(Dead::SameAtEverySpeed { db, .. }) if db.abs() < 0.5));
    assert_eq!(case(1, 48_000.0).features(true).dead, None);
}

/// With the engine at rest there are no orders to be taken for hum.
fn at_rest(samples: &[f32]) -> SensorFeatures {
    let mut scan = SensorScan::new(48_000.0);
    samples.chunks(4800).for_each(|slice| scan.push(slice, Some(0.0)));
    scan.finish()
}

#[test]
fn hum_is_told_by_its_line_and_mains() {
    let mut random = Random(4);
    for (line_hz, mains_hz, amplitude) in [(50.0, 50.0, 3e-3), (180.0, 60.0, 3e-3), (100.0, 50.0, 0.1)] {
        let samples: Vec<f32> = (0..960_000)
            .map(|n| (amplitude * (2.0 * PI * line_hz * f64::from(n) / 48_000.0).sin() + 0.02 * random.normal()) as f32)
            .collect();
        let hum = at_rest(&samples).hum.unwrap();
        assert_eq!((hum.hz, hum.mains_hz), (line_hz, mains_hz));
        assert!(hum.db > 10.0, "{hum:?}");
        assert!(hum.low_db <= hum.db && hum.db <= hum.high_db, "{hum:?}");
    }
    let noise: Vec<f32> = (0..960_000).map(|_| (0.02 * random.normal()) as f32).collect();
    assert!(at_rest(&noise).hum.unwrap().db < 6.0);
    assert_eq!(at_rest(&noise[..1000]).hum, None);
}

/// Orders of a governed engine lie on mains lines: 1500 rpm has its second order at 50 Hz, 1485 rpm in the bin beside it,
/// 3000 rpm its first at 50 and its second at 100 Hz. With speed known or not, none of it is hum.
#[test]
fn orders_of_a_steady_engine_are_not_called_hum() {
    let mut random = Random(6);
    for rpm in [1485.0, 1500.0, 1800.0, 3000.0] {
        for known in [true, false] {
            let mut scan = SensorScan::new(48_000.0);
            let mut turn = 0.0;
            for _ in 0..150 {
                let samples: Vec<f32> = (0..4800)
                    .map(|_| {
                        turn += 2.0 * PI * rpm / 60.0 / 48_000.0;
                        let orders: f64 = (1..=12).map(|half| (0.5 * f64::from(half) * turn).sin()).sum();
                        (0.03 * orders + 0.01 * random.normal()) as f32
                    })
                    .collect();
                scan.push(&samples, known.then_some(rpm));
            }
            let hum = scan.finish().hum;
            assert!(hum.is_none_or(|hum| hum.db < 6.0), "{rpm} rpm, speed known {known}: {hum:?}");
        }
    }
}

/// Where the speed is not known, hum is what stays while the engine gets louder and its orders move.
#[test]
fn hum_is_told_without_speed_while_the_level_moves() {
    let mut random = Random(8);
    for hum_size in [0.0, 0.05] {
        let mut scan = SensorScan::new(48_000.0);
        let (mut turn, mut n) = (0.0, 0.0);
        for slice in 0..200 {
            let rpm: f64 = 1500.0 + 2500.0 * (1.0 - (2.0 * PI * f64::from(slice) / 200.0).cos());
            let samples: Vec<f32> = (0..4800)
                .map(|_| {
                    turn += 2.0 * PI * rpm / 60.0 / 48_000.0;
                    n += 1.0;
                    let engine = (rpm / 6000.0) * (0.1 * (2.0 * turn).sin() + 0.05 * random.normal());
                    (engine + hum_size * (2.0 * PI * 50.0 * n / 48_000.0).sin()) as f32
                })
                .collect();
            scan.push(&samples, None);
        }
        let hum = scan.finish().hum.filter(|hum| hum.db >= 6.0);
        assert_eq!(hum.map(|hum| hum.hz), (hum_size > 0.0).then_some(50.0), "{hum:?}");
    }
}

#[test]
fn hostile_samples_leave_all_figures_finite() {
    let mut samples = sine(5000.0, 100_000);
    samples[10] = f32::NAN;
    samples[20] = f32::INFINITY;
    samples[30] = f32::MAX;
    samples[40] = f32::MIN_POSITIVE / 4.0;
    for rate_hz in [1.0, 8000.0, 48_000.0, 1e7] {
        let mut scan = SensorScan::new(rate_hz);
        for (slice, rpm) in samples.chunks(999).zip([Some(f64::NAN), Some(-5.0), Some(1e300), None].iter().cycle()) {
            scan.push(slice, *rpm);
        }
        let features = scan.finish();
        for (what, value) in [
            ("rms", features.rms_db),
            ("offset", features.offset),
            ("bits", features.bits),
            ("clipped", features.clipped_share),
            ("floor", features.noise_floor_db.unwrap_or(0.0)),
        ] {
            assert!(value.is_finite(), "{what} at {rate_hz} Hz: {value}");
        }
        assert!(features.spectra.by_speed.iter().flat_map(|s| &s.levels_db).all(|db| db.is_finite()));
    }
}

/// Ranks of the distribution-free 95 % interval of the median, counted from 1, as tables of the sign test print them
/// (W. J. Conover, Practical Nonparametric Statistics; from memory): n 6: 1, n 10: 2, n 20: 6, n 50: 18.
#[test]
fn gain_interval_has_the_ranks_of_the_sign_test() {
    for (n, rank) in [(6, 1), (10, 2), (20, 6), (50, 18)] {
        let first = vec![-40.0; n];
        let second: Vec<f64> = (1..=n).rev().map(|k| -40.0 + k as f64).collect();
        let gain = gain_between(&first, &second, 0.95).unwrap();
        assert_eq!((gain.low_db, gain.high_db), (rank as f64, (n + 1 - rank) as f64), "{n} events");
        assert_eq!(gain.db, (n + 1) as f64 / 2.0);
    }
    assert_eq!(gain_between(&[0.0; 5], &[1.0; 5], 0.95), None);
    assert_eq!(gain_between(&[], &[], 0.95), None);
    let spoilt = gain_between(&[0.0, f64::NAN, 0.0, 0.0, 0.0, 0.0, 0.0], &[3.0; 9], 0.95).unwrap();
    assert_eq!((spoilt.events, spoilt.db), (6, 3.0));
}
