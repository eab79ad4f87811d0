//! Recordings of every format and width against an independent writer, archives, joined files, raw words.
//!
//! check: 52 recordings: WAV, RIFX, RF64, extensible, AIFF, AIFF-C, CAF, FLAC in every width | written by libsndfile | exact
//! check: gz, zip, raw words, joined files | Python's gzip and zipfile; the same words | exact

use outside_truth::{number, vector, vector_path};
use ringdown::error::{Error, Loaded};
use ringdown::read::joined::{Join, join};
use ringdown::read::raw::{RawForm, RawWord};
use ringdown::read::samples::{Planes, Samples};
use ringdown::read::{self, Content, Told, packed};
use std::io::Cursor;

fn bytes_of(name: &str) -> Vec<u8> {
    std::fs::read(vector_path(&format!("sound/{name}"))).unwrap_or_else(|error| panic!("{name}: {error}"))
}

fn open_told(name: &str, bytes: Vec<u8>, told: &Told) -> Result<Loaded<Samples>, Error> {
    let loaded = read::open(name, Box::new(Cursor::new(bytes)), told)?;
    match loaded.value {
        Content::Recording(value) => Ok(Loaded { value, notes: loaded.notes }),
        other => panic!("{name}: {other:?}"),
    }
}

fn open(name: &str) -> Loaded<Samples> {
    open_told(name, bytes_of(name), &Told::default()).unwrap_or_else(|error| panic!("{error}"))
}

/// The numbers of `vectors/make_sound.py`, as its head tells them; `bits` 0: float.
fn expected(channel: u32, frames: usize, bits: u32) -> Vec<f32> {
    let (mut x, mut y) = (channel + 1, 0i32);
    let mut word = || {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        if channel % 2 == 1 {
            return x as i32;
        }
        let step = ((x >> 27) as i32 - 16) * (1 << 20);
        y = if (y + step).abs() < 1 << 30 { y + step } else { y - step };
        y
    };
    let kept = if bits == 0 { 24 } else { bits };
    let values = std::iter::repeat_with(|| word() >> (32 - kept));
    values.take(frames).map(|word| (f64::from(word) / 2f64.powi(kept as i32 - 1)) as f32).collect()
}

fn all(samples: &mut Samples) -> Planes {
    let mut planes = Planes::new();
    samples.read(0, usize::MAX, &mut planes).unwrap();
    planes
}

/// Truth: libsndfile, an independent writer (`vectors/make_sound.py`).
#[test]
fn every_format_and_width_is_read_sample_for_sample() {
    let vector = vector("sound");
    let cases = vector["cases"].as_array().unwrap();
    assert!(cases.len() >= 45);
    for case in cases {
        let name = case["file"].as_str().unwrap();
        let (frames, bits) = (number(&case["frames"]) as usize, number(&case["bits"]) as u32);
        let Loaded { value: mut samples, notes } = open(name);
        assert!(notes.is_empty(), "{name}: {notes:?}");
        assert_eq!(samples.sample_rate_hz, number(&case["rate_hz"]), "{name}");
        assert_eq!(samples.channels as f64, number(&case["channels"]), "{name}");
        assert_eq!(samples.frames, frames as u64, "{name}");
        for (channel, plane) in all(&mut samples).iter().enumerate() {
            assert!(*plane == expected(channel as u32, frames, bits), "{name}: channel {channel}");
        }
    }
}

/// A slice far into the file, then one before it, without reading what lies between, equals the same slice of the whole.
#[test]
fn any_slice_of_any_format_is_reached_in_any_order() {
    let names = [
        "flac_pcm_16_2.flac",
        "flac_pcm_24_1.flac",
        "aiff_pcm_24.aiff",
        "caf_float.caf",
        "packed.wav.gz",
        "deflated.zip",
    ];
    for name in names {
        let mut samples = open(name).value;
        let frames = samples.frames as usize;
        let whole = all(&mut open(name).value);
        for (at, count) in [(0.9, 70), (0.1, 40), (0.5, 500), (0.0, 3), (0.99, 500), (0.45, 20)] {
            let first = (at * frames as f64) as usize;
            let mut part = Planes::new();
            let got = samples.read(first as u64, count, &mut part).unwrap();
            assert_eq!(got, count.min(frames - first), "{name}");
            for (part, whole) in part.iter().zip(&whole) {
                assert!(*part == whole[first..first + got], "{name} from {first}");
            }
        }
    }
}

#[test]
fn a_flac_without_its_end_or_its_length_gives_what_is_there() {
    let cut = open("cut.flac");
    assert_eq!(cut.value.frames, 8192, "two whole blocks of 4096 lie before the cut");
    assert!(cut.notes.iter().any(|note| note.to_string().contains("promises 12000")), "{:?}", cut.notes);
    let unknown = open("unknown.flac");
    assert_eq!(unknown.value.frames, 12_000);
    for mut samples in [cut.value, unknown.value] {
        let frames = samples.frames as usize;
        let planes = all(&mut samples);
        assert!(planes[0] == expected(0, frames, 16) && planes[1] == expected(1, frames, 16));
    }
}

#[test]
fn a_recording_in_an_archive_is_the_recording() {
    let plain = all(&mut open("riff_pcm_24.wav").value);
    for name in ["packed.wav.gz", "stored.zip", "deflated.zip"] {
        assert!(all(&mut open(name).value) == plain, "{name}");
    }
}

#[test]
fn an_archive_of_several_files_gives_each_of_them() {
    let refused = open_told("several.zip", bytes_of("several.zip"), &Told::default()).unwrap_err().to_string();
    assert!(refused.contains("one.wav, two.wav") && refused.contains("unpack"), "{refused}");
    let source = || Box::new(Cursor::new(bytes_of("several.zip")));
    let entries = packed::entries("several.zip", &mut *source()).unwrap();
    let names: Vec<&str> = entries.iter().map(|entry| entry.name.as_str()).collect();
    assert_eq!(names, ["one.wav", "two.wav"]);
    for entry in &entries {
        let source = packed::open("several.zip", source(), entry).unwrap().value;
        let content = read::open(&entry.name, source, &Told::default()).unwrap().value;
        assert!(matches!(content, Content::Recording(samples) if samples.frames > 0), "{}", entry.name);
    }
}

/// Truth: the same words as in the file that libsndfile wrote, its header cut off.
#[test]
fn raw_words_are_what_the_user_says_they_are() {
    let cases = [
        ("riff_pcm_u8.wav", RawWord::U8, 8, 1),
        ("riff_pcm_16.wav", RawWord::S16le, 16, 2),
        ("rifx_pcm_16.wav", RawWord::S16be, 16, 2),
        ("riff_pcm_24.wav", RawWord::S24le, 24, 3),
        ("rifx_pcm_24.wav", RawWord::S24be, 24, 3),
        ("riff_pcm_32.wav", RawWord::S32le, 32, 4),
        ("rifx_pcm_32.wav", RawWord::S32be, 32, 4),
        ("riff_float.wav", RawWord::F32le, 0, 4),
        ("rifx_float.wav", RawWord::F32be, 0, 4),
        ("riff_double.wav", RawWord::F64le, 0, 8),
        ("rifx_double.wav", RawWord::F64be, 0, 8),
        ("aiff_pcm_s8.aiff", RawWord::S8, 8, 1),
    ];
    for (name, word, bits, width) in cases {
        let bytes = bytes_of(name);
        let (marker, head): (&[u8], usize) = if name.ends_with("wav") { (b"data", 8) } else { (b"SSND", 16) };
        let at = bytes.windows(4).rposition(|part| part == marker).unwrap() + head;
        let form = RawForm { sample_rate_hz: 44_100.0, channels: 2, word, skip: at as u64 };
        let told = Told { raw: Some(form), ..Told::default() };
        let end = at + 150 * 2 * width;
        let mut samples = open_told(name, bytes[..end].to_vec(), &told).unwrap().value;
        assert_eq!((samples.sample_rate_hz, samples.frames), (44_100.0, 150), "{name}");
        for (channel, plane) in all(&mut samples).iter().enumerate() {
            assert!(*plane == expected(channel as u32, 150, bits), "{name}: channel {channel}");
        }
    }
    let form = RawForm { sample_rate_hz: 0.0, channels: 2, word: RawWord::S16le, skip: 0 };
    let told = Told { raw: Some(form), ..Told::default() };
    let error = open_told("x.raw", vec![0; 64], &told).unwrap_err().to_string();
    assert!(error.contains("1 to 2000000"), "{error}");
}

fn joined(names: &[&str], how: Join) -> Result<(Planes, f64), Error> {
    // the order of dropping says nothing
    let parts = names.iter().rev().map(|name| open(name).value).collect();
    let mut whole = join(parts, how)?.value;
    let planes = all(&mut whole);
    Ok((planes, whole.frames as f64 / whole.sample_rate_hz))
}

#[test]
fn files_of_one_run_are_joined_when_asked_for() {
    let (planes, duration_s) = joined(&["riff_pcm_16.wav", "rifx_pcm_16.wav"], Join::After).unwrap();
    assert_eq!((planes.len(), duration_s), (2, 300.0 / 48_000.0));
    for (channel, plane) in planes.iter().enumerate() {
        assert!(*plane == expected(channel as u32, 150, 16).repeat(2));
    }
    let (planes, _) = joined(&["aiff_pcm_24.aiff", "extensible_pcm_24.wav"], Join::Beside).unwrap();
    let channels = [0, 1, 0, 1, 2];
    assert_eq!(planes.len(), channels.len());
    for (channel, plane) in channels.iter().zip(&planes) {
        assert!(*plane == expected(*channel, 150, 24));
    }
}

#[test]
fn files_that_do_not_belong_together_are_not_joined() {
    let cases: [(&[&str], Join, &str); 4] = [
        (&["riff_pcm_16.wav", "slow.wav"], Join::After, "one sampling rate"),
        (&["riff_pcm_16.wav", "extensible_pcm_16.wav"], Join::After, "as many channels"),
        (&["flac_pcm_16_2.flac", "riff_pcm_16.wav"], Join::Beside, "one length"),
        (&["riff_pcm_16.wav"], Join::After, "2 to 256 files"),
    ];
    for (names, how, told) in cases {
        let error = joined(names, how).err().unwrap_or_else(|| panic!("{names:?} were joined")).to_string();
        assert!(error.contains(told), "{error}");
    }
}
