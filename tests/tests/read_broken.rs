//! Laws that hold for any bytes in every format: read or refused, within bounds, the same however few bytes a call gives.

use outside_truth::vector_path;
use proptest::prelude::*;
use ringdown::read::samples::Planes;
use ringdown::read::{self, Content, Told, packed};
use std::io::{Cursor, Read, Seek, SeekFrom};

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

const FILES: [&str; 9] = [
    "riff_pcm_24.wav",
    "rf64_float.wav",
    "aiff_pcm_16.aiff",
    "aifc_little_pcm_24.aifc",
    "caf_little_double.caf",
    "flac_pcm_16_8.flac",
    "packed.wav.gz",
    "deflated.zip",
    "stored.zip",
];

fn bytes_of(name: &str) -> Vec<u8> {
    std::fs::read(vector_path(&format!("sound/{name}"))).unwrap()
}

/// Everything a file gives, as text: refusals, notes, and the bits of a slice at the start, in the middle and at the end.
fn told(bytes: &[u8], most: usize) -> String {
    let source = Dribble { inner: Cursor::new(bytes.to_vec()), most };
    let loaded = match read::open("x", Box::new(source), &Told::default()) {
        Err(error) => return error.to_string(),
        Ok(loaded) => loaded,
    };
    let mut text = format!("{:?} {:?}", loaded.value, loaded.notes);
    if let Content::Recording(mut samples) = loaded.value {
        let mut planes = Planes::new();
        for first in [0, samples.frames / 2, samples.frames.saturating_sub(20), u64::MAX] {
            match samples.read(first, 20, &mut planes) {
                Ok(count) => assert!(planes.iter().all(|plane| plane.len() == count)),
                Err(error) => text += &error.to_string(),
            }
            assert!(planes.iter().flatten().all(|sample| sample.is_finite()));
            text += &format!("{:?}", planes.iter().flatten().map(|sample| sample.to_bits()).collect::<Vec<_>>());
        }
    }
    text
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Some bytes overwritten, mostly in the header, and the end cut off.
    #[test]
    fn broken_sound_is_read_or_refused(
        kind in 0..FILES.len(), blows in proptest::collection::vec((any::<u16>(), any::<u8>(), any::<bool>()), 0..6),
        cut in 0usize..400, most in 1usize..3000
    ) {
        let mut bytes = bytes_of(FILES[kind]);
        for (at, byte, anywhere) in blows {
            let span = if anywhere { bytes.len() } else { 120 };
            bytes[usize::from(at) % span] = byte;
        }
        bytes.truncate(bytes.len() - cut.min(bytes.len() / 2));
        prop_assert_eq!(told(&bytes, most.max(64)), told(&bytes, usize::MAX));
    }

    /// Written as CAF or AIFF by hand from the formats' own rules, read back to the same words.
    #[test]
    fn words_written_come_back(words in proptest::collection::vec(any::<i16>(), 2..200), as_caf in any::<bool>()) {
        let words = &words[..words.len() / 2 * 2];
        let bytes = if as_caf { caf(words) } else { aiff(words) };
        let Content::Recording(mut samples) = read::open("x", Box::new(Cursor::new(bytes)), &Told::default()).unwrap().value
        else { panic!("no recording") };
        let mut planes = Planes::new();
        samples.read(0, usize::MAX, &mut planes).unwrap();
        prop_assert_eq!(samples.sample_rate_hz, 48_000.0);
        let back: Vec<i16> = planes[0].iter().zip(&planes[1]).flat_map(|(a, b)| [a, b]).map(|v| (v * 32_768.0) as i16).collect();
        prop_assert_eq!(back, words);
    }
}

/// Two channels of 16 bits, big-endian.
fn aiff(words: &[i16]) -> Vec<u8> {
    let mut body = b"AIFFCOMM\0\0\0\x12\0\x02".to_vec();
    body.extend((words.len() as u32 / 2).to_be_bytes());
    body.extend(b"\0\x10\x40\x0e\xbb\x80\0\0\0\0\0\0SSND");
    body.extend((words.len() as u32 * 2 + 8).to_be_bytes());
    body.extend([0; 8]);
    body.extend(words.iter().flat_map(|word| word.to_be_bytes()));
    let mut bytes = b"FORM".to_vec();
    bytes.extend((body.len() as u32).to_be_bytes());
    bytes.extend(body);
    bytes
}

/// Two channels of 16 bits, little-endian, length not known to the writer.
fn caf(words: &[i16]) -> Vec<u8> {
    let mut bytes = b"caff\0\x01\0\0desc\0\0\0\0\0\0\0\x20".to_vec();
    bytes.extend(48_000f64.to_be_bytes());
    bytes.extend(b"lpcm\0\0\0\x02\0\0\0\x04\0\0\0\x01\0\0\0\x02\0\0\0\x10data");
    bytes.extend([255; 8]);
    bytes.extend([0; 4]);
    bytes.extend(words.iter().flat_map(|word| word.to_le_bytes()));
    bytes
}

fn refusal(bytes: Vec<u8>) -> String {
    read::open("x", Box::new(Cursor::new(bytes)), &Told::default()).unwrap_err().to_string()
}

/// A gzip member of `packed`, whose check sum nobody gets to see.
fn gzip(packed: &[u8]) -> Vec<u8> {
    [b"\x1f\x8b\x08\0\0\0\0\0\0\x03".as_slice(), packed, &[0; 8]].concat()
}

/// Zeros, packed a thousand to one: blocks of fixed codes (RFC 1951, 3.2.6), a zero and then copies of 258 bytes of it.
fn bomb(copies: usize) -> Vec<u8> {
    let mut bits = vec![true, true, false]; // last block, fixed codes
    bits.extend([false, false, true, true, false, false, false, false]); // literal 0
    for _ in 0..copies {
        bits.extend([true, true, false, false, false, true, false, true]); // length 258
        bits.extend([false; 5]); // distance 1
    }
    bits.extend([false; 7]); // end of block
    let byte = |chunk: &[bool]| chunk.iter().enumerate().fold(0, |byte, (k, bit)| byte | u8::from(*bit) << k);
    bits.chunks(8).map(byte).collect()
}

#[test]
fn a_bomb_is_refused_before_it_fills_memory() {
    let told = refusal(gzip(&bomb(200_000)));
    assert!(told.contains("grows") && told.contains("times when unpacked"), "{told}");
}

/// Inputs by which the fuzz targets reached new code, minimised (`fuzz/kept/`): each again on the stable compiler.
#[test]
fn what_fuzzing_tried_is_read_or_refused() {
    for target in ["wave", "flac", "aiff", "caf", "raw", "gzip", "zip", "log", "json", "sheet"] {
        let name = format!("{target}.zip");
        let bytes = std::fs::read(vector_path(&format!("../fuzz/kept/{name}"))).expect("it is committed");
        let source = || Box::new(Cursor::new(bytes.clone()));
        let entries = packed::entries(&name, &mut *source()).expect("an archive");
        assert!(entries.len() > 20, "{target}: {} inputs", entries.len());
        for entry in entries {
            let mut inner = Vec::new();
            let mut opened = packed::open(&name, source(), &entry).expect("it opens").value;
            opened.read_to_end(&mut inner).expect("it unpacks");
            assert!(!told(&inner, usize::MAX).is_empty(), "{}", entry.name);
        }
    }
}

/// Few bytes that unpack to millions of short rows: each row costs more memory than text.
#[test]
fn a_packed_log_holds_no_more_values_than_its_packed_bytes_can_mean() {
    let rows = "1;2\n".repeat(2_600_000).into_bytes();
    let open = |packed_bytes| {
        let told = Told { packed_bytes, ..Told::default() };
        read::open("x", Box::new(Cursor::new(rows.clone())), &told)
    };
    let told = open(Some(100_000)).err().map(|error| error.to_string()).unwrap_or_default();
    assert!(told.contains("values") && told.contains("export fewer columns"), "{told}");
    assert!(open(Some(1_000_000)).is_ok() && open(None).is_ok());
}

#[test]
fn archives_within_archives_locked_and_spreadsheets_are_refused_with_what_to_do() {
    let stored = |inner: &[u8]| {
        let mut packed = vec![1];
        packed.extend((inner.len() as u16).to_le_bytes());
        packed.extend((!(inner.len() as u16)).to_le_bytes());
        packed.extend(inner);
        packed
    };
    let mut inner = gzip(&stored(&gzip(&stored(b"hello"))));
    // length and check sum (CRC-32, by Python's zlib.crc32) of what is inside
    let end = inner.len() - 8;
    inner[end..end + 4].copy_from_slice(&0x76B8_E4D7u32.to_le_bytes());
    inner[end + 4] = 28;
    assert!(refusal(inner).contains("inside an archive"));
    let mut locked = bytes_of("deflated.zip");
    let at = locked.windows(4).rposition(|part| part == b"PK\x01\x02").unwrap();
    locked[at + 8] |= 1;
    assert!(refusal(locked).contains("locked with a password"));
    assert!(refusal(bytes_of("spreadsheet.zip")).contains("save the table as CSV text"));
}
