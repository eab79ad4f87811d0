//! Laws that hold for any bytes: read or refused, within the file, the same however few bytes a call gives.

use super::*;
use proptest::collection::vec;
use proptest::prelude::*;
use std::io::{Cursor, SeekFrom};

/// Gives at most `most` bytes a call.
struct Dribble {
    inner: Cursor<Vec<u8>>,
    most: usize,
}

impl Read for Dribble {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let most = self.most.min(out.len());
        self.inner.read(&mut out[..most])
    }
}

impl Seek for Dribble {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.inner.seek(to)
    }
}

/// Everything a file gives, as text; samples by their bits.
fn told(bytes: &[u8], most: usize) -> String {
    let source = Dribble { inner: Cursor::new(bytes.to_vec()), most };
    match open("x", Box::new(source), &Told::default()) {
        Err(error) => error.to_string(),
        Ok(Loaded { value: Content::Recording(mut wave), notes }) => {
            let mut planes = samples::Planes::new();
            assert!(wave.frames <= bytes.len() as u64);
            let count = wave.read(0, usize::MAX, &mut planes).unwrap();
            assert_eq!(count as u64, wave.frames);
            assert!(planes.iter().flatten().all(|sample| sample.is_finite()));
            assert_eq!(wave.read(u64::MAX, usize::MAX, &mut samples::Planes::new()).unwrap(), 0);
            let bits: Vec<u32> = planes.iter().flatten().map(|sample| sample.to_bits()).collect();
            format!("{wave:?} {bits:?} {notes:?}")
        }
        Ok(Loaded { value: Content::Log(log), notes }) => {
            assert!(log.t_s.is_sorted() && log.t_s.iter().all(|t| t.is_finite()));
            assert!(log.columns.iter().all(|column| column.values.len() == log.t_s.len()));
            assert!(log.columns.iter().flat_map(|column| column.values.iter()).all(|value| !value.is_infinite()));
            format!("{log:?} {notes:?}")
        }
        Ok(other) => format!("{other:?}"),
    }
}

fn wave_bytes(tag: u16, channels: u16, bits: u16, claimed: u32, samples: &[u8]) -> Vec<u8> {
    let block = channels * bits.div_ceil(8);
    let mut bytes = b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0".to_vec();
    bytes.extend(tag.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(48_000u32.to_le_bytes());
    bytes.extend((48_000 * u32::from(block)).to_le_bytes());
    bytes.extend(block.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(claimed.to_le_bytes());
    bytes.extend(samples);
    bytes
}

const SHEET: &str = r#"{"sheet":1,"bore_mm":94,"cylinders":4,"firing_order":[1,3,4,2],"sensors":[{"channel":1}],
 "crank":{"kind":"missing-tooth","channel":3,"teeth":60,"missing":2},"control":{"rpm":[1500,2000]}}"#;
const CARD: &str = r#"{"card":1,"files":[{"name":"a"}],"marks":[{"file":"a","from_s":1,"to_s":2,"label":"safe"}]}"#;
const LOG: &str = "Logger 1\nTime [s];Speed [1/min];Knock [V]\n0,0;900;1,5\n0,1;950;\"1,25\"\n0,2;1000;1\n";

/// `text` with some bytes overwritten, cut short.
fn broken(text: &[u8], blows: &[(u16, u8)], cut: u16) -> Vec<u8> {
    let mut bytes = text.to_vec();
    for (at, byte) in blows {
        let at = usize::from(*at) % bytes.len();
        bytes[at] = *byte;
    }
    bytes.truncate(bytes.len() - usize::from(cut) % bytes.len() / 4);
    bytes
}

proptest! {
    #[test]
    fn any_bytes_are_read_or_refused(bytes in vec(any::<u8>(), 0..2048), most in 1usize..64) {
        prop_assert_eq!(told(&bytes, most), told(&bytes, usize::MAX));
    }

    #[test]
    fn any_text_is_read_or_refused(text in "[0-9a-z.,;:\"\n\r\t +-]{0,400}", most in 1usize..64) {
        prop_assert_eq!(told(text.as_bytes(), most), told(text.as_bytes(), usize::MAX));
    }

    #[test]
    fn broken_files_are_read_or_refused(
        kind in 0usize..5, blows in vec((any::<u16>(), any::<u8>()), 0..6), cut in any::<u16>(), most in 1usize..64
    ) {
        let wave = wave_bytes(1, 2, 24, 120, &[7; 120]);
        let float = wave_bytes(3, 2, 32, 120, &[200; 120]);
        let whole = [SHEET.as_bytes(), CARD.as_bytes(), LOG.as_bytes(), &wave, &float][kind];
        let bytes = broken(whole, &blows, cut);
        prop_assert_eq!(told(&bytes, most), told(&bytes, usize::MAX));
    }

    /// A slice read alone equals the same slice of the whole.
    #[test]
    fn slices_equal_the_whole(samples in vec(any::<u8>(), 60..600), channels in 1u16..5, first in 0u64..40, count in 0usize..40) {
        let bytes = wave_bytes(1, channels, 16, samples.len() as u32, &samples);
        let open = || wave::open("x", Box::new(Cursor::new(bytes.clone()))).unwrap().value;
        let (mut whole, mut part) = (samples::Planes::new(), samples::Planes::new());
        open().read(0, usize::MAX, &mut whole).unwrap();
        let got = open().read(first, count, &mut part).unwrap();
        for (whole, part) in whole.iter().zip(&part) {
            let expected = whole.iter().skip(first as usize).take(count).copied().collect::<Vec<_>>();
            prop_assert_eq!(part, &expected);
            prop_assert_eq!(part.len(), got);
        }
    }
}

#[test]
fn a_header_that_claims_too_much_gives_what_is_there() {
    for claimed in [0, 8, u32::MAX, 4_000_000_000] {
        let loaded = wave::open("x", Box::new(Cursor::new(wave_bytes(1, 1, 16, claimed, &[1; 64])))).unwrap();
        assert_eq!(loaded.value.frames, 32, "{claimed}");
        assert!(!loaded.notes.is_empty(), "{claimed}");
    }
    let empty = wave::open("x", Box::new(Cursor::new(wave_bytes(1, 1, 16, u32::MAX - 1, &[]))));
    assert!(empty.unwrap_err().to_string().contains("no samples"));
}

#[test]
fn samples_that_are_no_numbers_become_zero_and_are_counted() {
    let mut samples = 0.5f32.to_le_bytes().to_vec();
    samples.extend(f32::NAN.to_le_bytes());
    samples.extend(f32::INFINITY.to_le_bytes());
    let mut wave = wave::open("x", Box::new(Cursor::new(wave_bytes(3, 1, 32, 12, &samples)))).unwrap().value;
    let mut planes = samples::Planes::new();
    wave.read(0, 3, &mut planes).unwrap();
    assert_eq!(planes, [[0.5, 0.0, 0.0]]);
    assert_eq!(wave.non_finite(), 2);
}

#[test]
fn other_kinds_of_file_are_refused_by_content_with_what_to_do() {
    let cases: [(&[u8], &str); 8] = [
        (b"wvpk\0\0\0\x22", "convert it to WAV"),
        (b"ID3\x04\0\0\0\0", "record again as WAV"),
        (b"\xff\xfb\x90\x64\0\0", "record again as WAV"),
        (b"%PDF-1.7\n", "the recording (WAV)"),
        (b"PK\x03\x04\x14\0", "no end record"),
        (b"\x89PNG\r\n\x1a\n", "the recording (WAV)"),
        (b"\0\x01\x02\x03\x04\x05\x06\x07\x08\x0b\x0e\x0f", "neither sound nor text"),
        (b"{\"a\": 1}", "neither an engine sheet nor a card"),
    ];
    for (bytes, said) in cases {
        let error = open("x.wav", Box::new(Cursor::new(bytes.to_vec())), &Told::default()).unwrap_err().to_string();
        assert!(error.contains(said), "{error}");
    }
}
