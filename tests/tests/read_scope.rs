//! Oscilloscope text becomes a recording, or is refused where its sampling stops being uniform.
//!
//! check: oscilloscope text | Python's float; lines at which a script left samples out | single precision; exact line

use outside_truth::{assert_close, number, numbers, vector};
use ringdown::error::{Error, Loaded, Place};
use ringdown::read::samples::{Planes, Samples};
use ringdown::read::{self, Content, Told};
use std::io::Cursor;

fn open(text: &str) -> Result<Loaded<Samples>, Error> {
    let loaded = read::open("scope.txt", Box::new(Cursor::new(text.as_bytes().to_vec())), &Told::default())?;
    match loaded.value {
        Content::Recording(value) => Ok(Loaded { value, notes: loaded.notes }),
        other => panic!("no recording: {other:?}"),
    }
}

/// Truth: Python's float on the same text (`vectors/make_scope.py`). A sample in volts is the stored one times its full
/// scale, to single precision.
#[test]
fn time_and_volts_become_a_recording() {
    let vector = vector("scope");
    let uniform = vector["cases"].as_array().unwrap().iter().filter(|case| case["fault"].is_null());
    let mut count = 0;
    for case in uniform {
        let name = case["name"].as_str().unwrap();
        let mut samples = open(case["text"].as_str().unwrap()).unwrap_or_else(|error| panic!("{name}: {error}")).value;
        let rate_hz = number(&case["rate_hz"]);
        // a time column of few digits tells the rate to about one of its last digits over the whole length
        assert_close(samples.sample_rate_hz, rate_hz, rate_hz * 2e-4, name);
        let channels = case["channels"].as_array().unwrap();
        assert_eq!(samples.channels, channels.len(), "{name}");
        let mut planes = Planes::new();
        samples.read(0, usize::MAX, &mut planes).unwrap();
        for ((plane, expected), label) in planes.iter().zip(channels).zip(&samples.labels) {
            let expected = numbers(expected);
            assert_eq!(plane.len(), expected.len(), "{name}");
            let full_scale = label.full_scale.unwrap();
            for (value, volts) in plane.iter().zip(&expected) {
                assert_close(f64::from(*value) * full_scale, *volts, full_scale * f64::from(f32::EPSILON), name);
            }
            assert!(plane.iter().all(|value| value.abs() < 1.0), "{name}: nothing looks clipped");
        }
        count += 1;
    }
    assert_eq!(count, 6);
}

/// Truth: the lines at which the script left samples out.
#[test]
fn sampling_that_is_not_uniform_is_refused_with_its_line() {
    let vector = vector("scope");
    let faults = vector["cases"].as_array().unwrap().iter().filter(|case| !case["fault"].is_null());
    let mut count = 0;
    for case in faults {
        let name = case["name"].as_str().unwrap();
        let error = open(case["text"].as_str().unwrap()).err().unwrap_or_else(|| panic!("{name} was read"));
        let Place::Row { line } = error.place else { panic!("{name}: {error}") };
        let expected = number(&case["fault"]);
        assert!(expected == 0.0 || line as f64 == expected, "{name}: {error}");
        assert!(error.to_string().contains("even sampling"), "{error}");
        count += 1;
    }
    assert_eq!(count, 3);
}

#[test]
fn names_and_units_of_the_signals_are_kept() {
    let vector = vector("scope");
    let samples = open(vector["cases"][0]["text"].as_str().unwrap()).unwrap().value;
    let told: Vec<(&str, Option<&str>)> =
        samples.labels.iter().map(|label| (label.name.as_str(), label.unit.as_deref())).collect();
    assert_eq!(told, [("CH1", Some("V")), ("CH2", Some("V"))]);
}
