//! FLAC streams written bit by bit from RFC 9639, by a writer that shares nothing with the reader: every code of a frame
//! header, coded numbers to their last bit, frames as large as they come, damage in each field.
//!
//! check: FLAC frame headers, seeking, large and damaged frames | RFC 9639 sections 8 and 9, by a writer in the check | exact

use proptest::prelude::*;
use ringdown::error::{Error, Loaded, Place};
use ringdown::read::samples::{Coding, Planes, Samples};
use ringdown::read::{self, Content, Told};
use std::io::Cursor;

fn open(bytes: Vec<u8>) -> Result<Loaded<Samples>, Error> {
    let loaded = read::open("x.flac", Box::new(Cursor::new(bytes)), &Told::default())?;
    match loaded.value {
        Content::Recording(value) => Ok(Loaded { value, notes: loaded.notes }),
        other => panic!("{other:?}"),
    }
}

/// Bits, the highest first.
#[derive(Default)]
struct Bits {
    bytes: Vec<u8>,
    used: u32,
}

impl Bits {
    fn put(&mut self, value: i64, width: u32) {
        for bit in (0..width).rev() {
            if self.used.is_multiple_of(8) {
                self.bytes.push(0);
            }
            *self.bytes.last_mut().expect("pushed") |= ((value >> bit & 1) as u8) << (7 - self.used % 8);
            self.used += 1;
        }
    }
}

/// Remainder of the bytes by a polynomial of `width` bits, bit by bit (section 9.1.8: 0x07 of 8; 9.3: 0x8005 of 16).
fn crc(bytes: &[u8], polynomial: u32, width: u32) -> u32 {
    let mut rest = 0;
    for bit in bytes.iter().flat_map(|byte| (0..8).rev().map(move |k| u32::from(byte >> k & 1))) {
        let top = rest >> (width - 1) & 1;
        rest = (rest << 1) & ((1 << width) - 1);
        if top ^ bit == 1 {
            rest ^= polynomial;
        }
    }
    rest
}

/// As UTF-8 codes characters, carried on to 36 bits (section 9.1.5).
fn coded(number: u64) -> Vec<u8> {
    if number < 128 {
        return vec![number as u8];
    }
    let more = (1..=6).find(|more| number < 1 << (6 * more + 6 - more)).expect("36 bits");
    let mut bytes = vec![(0xFF00_u32 >> (more + 1)) as u8 | (number >> (6 * more)) as u8];
    bytes.extend((0..more).rev().map(|k| 0x80 | (number >> (6 * k) & 0x3F) as u8));
    bytes
}

/// A frame of verbatim subframes.
#[derive(Clone)]
struct Frame {
    /// Samples by number, else frames.
    variable: bool,
    number: u64,
    /// Code of its size, and what follows when the code says so.
    size: (u8, Vec<u8>),
    rate: (u8, Vec<u8>),
    layout: u8,
    /// Code and width of a sample.
    bits: (u8, u32),
    /// Subframes with the width of each.
    planes: Vec<(Vec<i32>, u32)>,
}

/// Codes of section 9.1.4.
const WIDTHS: [(u8, u32); 5] = [(1, 8), (2, 12), (4, 16), (5, 20), (6, 24)];

fn size_code(count: usize) -> (u8, Vec<u8>) {
    match count {
        192 => (1, vec![]),
        576 => (2, vec![]),
        1152 => (3, vec![]),
        2304 => (4, vec![]),
        4608 => (5, vec![]),
        256 => (8, vec![]),
        512 => (9, vec![]),
        1024 => (10, vec![]),
        2048 => (11, vec![]),
        4096 => (12, vec![]),
        8192 => (13, vec![]),
        16384 => (14, vec![]),
        32768 => (15, vec![]),
        ..=200 => (6, vec![(count - 1) as u8]),
        _ => (7, ((count - 1) as u16).to_be_bytes().to_vec()),
    }
}

impl Frame {
    fn of(number: u64, bits: (u8, u32), planes: &[Vec<i32>]) -> Frame {
        Frame {
            variable: true,
            number,
            size: size_code(planes[0].len()),
            rate: (0, vec![]),
            layout: planes.len() as u8 - 1,
            bits,
            planes: planes.iter().map(|plane| (plane.clone(), bits.1)).collect(),
        }
    }

    fn header(&self) -> Vec<u8> {
        let mut bytes = vec![0xFF, 0xF8 | u8::from(self.variable)];
        bytes.push(self.size.0 << 4 | self.rate.0);
        bytes.push(self.layout << 4 | self.bits.0 << 1);
        bytes.extend(coded(self.number));
        bytes.extend(&self.size.1);
        bytes.extend(&self.rate.1);
        bytes
    }

    fn bytes(&self) -> Vec<u8> {
        self.with_header(self.header())
    }

    /// Its check sums are those of the header given.
    fn with_header(&self, mut header: Vec<u8>) -> Vec<u8> {
        header.push(crc(&header, 0x07, 8) as u8);
        let mut all = Bits { used: 8 * header.len() as u32, bytes: header };
        for (plane, width) in &self.planes {
            all.put(0b0000_0010, 8);
            plane.iter().for_each(|value| all.put(i64::from(*value), *width));
        }
        let sum = crc(&all.bytes, 0x8005, 16) as u16;
        [all.bytes, sum.to_be_bytes().to_vec()].concat()
    }
}

/// Section 8.2, with further blocks behind it; the last one says so.
#[derive(Clone, Copy)]
struct Stream {
    block: u16,
    rate: u32,
    channels: usize,
    width: u32,
    frames: u64,
    more_blocks: usize,
}

impl Stream {
    fn with(self, frames: &[Vec<u8>]) -> Vec<u8> {
        let mut info = Bits::default();
        let part =
            [(i64::from(self.block), 16), (i64::from(self.block), 16), (0, 24), (0, 24), (i64::from(self.rate), 20)];
        part.iter().for_each(|(value, width)| info.put(*value, *width));
        info.put(self.channels as i64 - 1, 3);
        info.put(i64::from(self.width) - 1, 5);
        info.put(self.frames as i64, 36);
        (0..16).for_each(|_| info.put(0, 8));
        let mut bytes = b"fLaC".to_vec();
        let blocks =
            std::iter::once((0, info.bytes)).chain((0..self.more_blocks).map(|k| (1 + k as u8 % 6, vec![0xFF; k])));
        for (k, (kind, body)) in blocks.enumerate() {
            bytes.push(kind | if k == self.more_blocks { 0x80 } else { 0 });
            bytes.extend(&(body.len() as u32).to_be_bytes()[1..]);
            bytes.extend(body);
        }
        bytes.extend(frames.concat());
        bytes
    }
}

const MONO: Stream = Stream { block: 4096, rate: 48_000, channels: 1, width: 16, frames: 0, more_blocks: 0 };

fn noise(seed: u64, count: usize, width: u32) -> Vec<i32> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 32) as i32 >> (32 - width)
    };
    (0..count).map(|_| next()).collect()
}

fn read_of(samples: &mut Samples, first: u64, count: usize) -> Planes {
    let mut planes = Planes::new();
    samples.read(first, count, &mut planes).expect("it reads");
    planes
}

fn scaled(plane: &[i32], width: u32) -> Vec<f32> {
    plane.iter().map(|value| (f64::from(*value) / 2_f64.powi(width as i32 - 1)) as f32).collect()
}

/// Numbers at the ends of each length of their code.
#[test]
fn a_frame_starts_at_the_sample_its_number_says() {
    let plane = noise(1, 100, 16);
    for bits in [7, 11, 16, 21, 26, 31, 36] {
        for number in [(1_u64 << bits) - 1, (1 << bits) % (1 << 36), (1 << bits) * 5 / 8] {
            let frame = Frame::of(number, (4, 16), std::slice::from_ref(&plane));
            let got = open(MONO.with(&[frame.bytes()])).expect("read").value;
            assert_eq!(got.frames, number + 100, "{number}");
            // With blocks of one size the number counts blocks.
            let number = number % (1 << 31);
            let fixed = Frame { variable: false, number, ..frame };
            assert_eq!(open(MONO.with(&[fixed.bytes()])).expect("read").value.frames, 4096 * number + 100, "{number}");
        }
    }
}

/// Every code of size, rate, width and number of channels, and every one that the standard reserves.
#[test]
fn every_code_of_a_frame_header_is_taken_or_refused() {
    let sizes =
        [192, 576, 1152, 2304, 4608, 256, 512, 1024, 2048, 4096, 8192, 16384, 32768, 1, 15, 200, 201, 257, 65535];
    for count in sizes {
        let plane = noise(2, count, 16);
        let frame = Frame::of(0, (4, 16), std::slice::from_ref(&plane));
        let mut got = open(Stream { block: 65535, ..MONO }.with(&[frame.bytes()])).expect("read").value;
        assert_eq!((got.frames, read_of(&mut got, 0, usize::MAX)[0].clone()), (count as u64, scaled(&plane, 16)));
        // No frame is larger than the stream says, but for the least size that it may say.
        let told = (count as u16).max(16);
        assert!(open(Stream { block: told, ..MONO }.with(&[frame.bytes()])).is_ok(), "{count}");
        assert!(open(Stream { block: told - 1, ..MONO }.with(&[frame.bytes()])).is_err(), "{count}");
    }
    let plane = noise(3, 64, 16);
    let frame = Frame::of(0, (4, 16), std::slice::from_ref(&plane));
    for code in 0..=14 {
        let more = match code {
            12 => vec![48],
            13 => 48_000_u16.to_be_bytes().to_vec(),
            14 => 4_800_u16.to_be_bytes().to_vec(),
            _ => vec![],
        };
        let frame = Frame { rate: (code, more), ..frame.clone() };
        let mut got = open(MONO.with(&[frame.bytes()])).expect("read").value;
        assert_eq!((got.sample_rate_hz, read_of(&mut got, 0, 64)[0].clone()), (48_000.0, scaled(&plane, 16)), "{code}");
    }
    for (code, width) in WIDTHS {
        for channels in 1..=8 {
            let planes: Vec<Vec<i32>> = (0..channels).map(|k| noise(k, 40, width)).collect();
            let stream = Stream { channels: channels as usize, width, ..MONO };
            let mut got = open(stream.with(&[Frame::of(0, (code, width), &planes).bytes()])).expect("read").value;
            assert_eq!((got.channels, got.bits), (channels as usize, width as u16));
            assert_eq!((got.form.coding, got.step), (Coding::Flac(width as u16), Some(2_f64.powi(1 - width as i32))));
            let all = read_of(&mut got, 0, usize::MAX);
            assert!((0..channels as usize).all(|k| all[k] == scaled(&planes[k], width)));
            for other in
                [Stream { channels: channels as usize % 8 + 1, ..stream }, Stream { width: width + 1, ..stream }]
            {
                assert!(
                    open(other.with(&[Frame::of(0, (code, width), &planes).bytes()])).is_err(),
                    "of another stream"
                );
            }
        }
    }
    // Byte and bits of the header: no sync, a reserved bit, size 0, rate 15, layouts 11 and on, width 3.
    let header = frame.header();
    let reserved =
        [(0, 0xFE), (1, 0xF0), (1, 0xFB), (1, 0x79), (2, 0x00), (2, 0x6F), (3, 0xB8), (3, 0xF8), (3, 0x06), (3, 0x09)];
    for (at, byte) in reserved {
        let mut header = header.clone();
        header[at] = byte;
        let error = open(MONO.with(&[frame.with_header(header)])).expect_err("reserved");
        assert!(error.to_string().contains("no whole frame"), "{at}: {error}");
    }
    // Codes of numbers that UTF-8 has not either: a byte of the middle first, no end, eight ones, a middle that is none.
    for number in [vec![0x80], vec![0xFF, 0x80], vec![0xC2, 0x00], vec![0xC2, 0xC0], vec![0xE1, 0x80, 0x7F]] {
        let header = [&header[..4], &number, &frame.size.1].concat();
        assert!(open(MONO.with(&[frame.with_header(header)])).is_err(), "{number:x?}");
    }
}

#[test]
fn numbers_of_a_flac_stream_are_taken_to_the_ends_of_their_ranges() {
    let plane = noise(4, 16, 16);
    let frame = Frame::of(0, (4, 16), std::slice::from_ref(&plane)).bytes();
    let said = |stream: Stream| open(stream.with(std::slice::from_ref(&frame))).err().map(|error| error.to_string());
    for rate in [1, 44_100, 1_048_575] {
        let got = open(Stream { rate, ..MONO }.with(std::slice::from_ref(&frame))).expect("read").value;
        assert_eq!(got.sample_rate_hz, f64::from(rate));
    }
    assert!(said(Stream { rate: 0, ..MONO }).is_some_and(|said| said.contains("0 Hz sampling rate")));
    assert_eq!(said(Stream { block: 16, ..MONO }), None);
    assert!(said(Stream { block: 15, ..MONO }).is_some_and(|said| said.contains("a block of 15 samples")));
    // 4 and 32 bits are a stream's ends, and no frame of 16 is theirs; 3 are no stream's.
    for (width, what) in [(4, "no whole frame"), (32, "no whole frame"), (3, "of 3 bits"), (1, "of 1 bits")] {
        assert!(said(Stream { width, ..MONO }).is_some_and(|said| said.contains(what)), "{width}");
    }
    for more_blocks in [0, 1, 9, 254, 255] {
        assert_eq!(said(Stream { more_blocks, ..MONO }), None, "{more_blocks}");
    }
    // A stream that lacks its end, and one of more than its head knows.
    let whole = |frames: u64| {
        Stream { frames, ..MONO }.with(&[frame.clone(), Frame::of(16, (4, 16), std::slice::from_ref(&plane)).bytes()])
    };
    for (frames, there, notes) in [(32, 32, 0), (33, 32, 1), (0, 32, 0), (31, 31, 0), (40, 32, 1)] {
        let (bytes, got) = (whole(frames), open(whole(frames)).expect("read"));
        assert_eq!((got.value.frames, got.notes.len()), (there, notes), "{frames}");
        for note in got.notes {
            let what = format!("the header promises {frames} samples a channel, 32 are there");
            assert!(note.to_string().contains(&what) && note.place == Place::Byte(bytes.len() as u64), "{note}");
        }
    }
    // The second frame is cut off: the first counts.
    for less in [1, 2, 30] {
        let bytes = whole(0);
        assert_eq!(open(bytes[..bytes.len() - less].to_vec()).expect("read").value.frames, 16);
    }
    let bytes = MONO.with(&[]);
    let error = open(bytes.clone()).expect_err("no frame");
    assert_eq!(error.place, Place::Byte(bytes.len() as u64), "{error}");
}

/// The first frame is not among those met when the last was looked for, and stands behind blocks of other kinds.
#[test]
fn a_stream_begins_behind_its_last_block() {
    let planes: Vec<Vec<i32>> = (0..60).map(|k| noise(k, 4096, 16)).collect();
    let frames: Vec<Vec<u8>> = planes
        .iter()
        .zip(0..)
        .map(|(plane, k)| Frame::of(4096 * k, (4, 16), std::slice::from_ref(plane)).bytes())
        .collect();
    for more_blocks in [0, 7] {
        let mut got = open(Stream { more_blocks, ..MONO }.with(&frames)).expect("read").value;
        assert_eq!(read_of(&mut got, 0, 10)[0], scaled(&planes[0][..10], 16));
        assert_eq!(read_of(&mut got, 30 * 4096, 10)[0], scaled(&planes[30][..10], 16));
    }
}

/// 65 535 samples of side and left at 25 and 24 bits: no frame of two channels is larger.
#[test]
fn the_largest_frame_is_read() {
    let (left, right) = (noise(5, 65_535, 24), noise(6, 65_535, 24));
    let side: Vec<i32> = left.iter().zip(&right).map(|(left, right)| left - right).collect();
    let stream = Stream { block: 65_535, channels: 2, width: 24, ..MONO };
    let frame = |number: u64, layout: u8, planes: [(&Vec<i32>, u32); 2]| Frame {
        layout,
        planes: planes.map(|(plane, width)| (plane.clone(), width)).to_vec(),
        ..Frame::of(number, (6, 24), &[left.clone(), right.clone()])
    };
    // Left and side, side and right (section 9.1.3).
    let frames = [frame(0, 8, [(&left, 24), (&side, 25)]), frame(65_535, 9, [(&side, 25), (&right, 24)])];
    let mut got = open(stream.with(&frames.map(|frame| frame.bytes()))).expect("read").value;
    assert_eq!(got.frames, 2 * 65_535);
    let all = read_of(&mut got, 0, usize::MAX);
    for (plane, wanted) in all.iter().zip([&left, &right]) {
        assert!(plane[..65_535] == scaled(wanted, 24) && plane[65_535..] == scaled(wanted, 24));
    }
    let eight: Vec<Vec<i32>> = (0..8).map(|k| noise(k, 65_535, 24)).collect();
    let stream = Stream { channels: 8, ..stream };
    let mut got = open(stream.with(&[Frame::of(0, (6, 24), &eight).bytes()])).expect("read").value;
    assert!(read_of(&mut got, 65_000, 100)[7] == scaled(&eight[7][65_000..65_100], 24));
}

/// Half a hundred frames, one of them damaged: what stands before and after is read, and the damage is told with its byte.
#[test]
fn a_damaged_frame_is_told_with_its_byte() {
    let planes: Vec<Vec<i32>> = (0..50).map(|k| noise(k, 300, 16)).collect();
    let mut frames: Vec<Vec<u8>> = planes
        .iter()
        .zip(0..)
        .map(|(plane, k)| Frame::of(300 * k, (4, 16), std::slice::from_ref(plane)).bytes())
        .collect();
    let head = MONO.with(&[]).len();
    let at = head + frames[..20].concat().len();
    frames[20][100] ^= 1;
    let mut got = open(MONO.with(&frames)).expect("read").value;
    assert_eq!(got.frames, 15_000);
    assert_eq!(read_of(&mut got, 5_999, 1)[0], scaled(&planes[19][299..], 16));
    let error = got.read(5_999, 2, &mut Planes::new()).expect_err("damaged");
    assert!(error.place == Place::Byte(at as u64) && error.to_string().contains("a damaged frame"), "{error}");
    // A frame that is missing: those behind it say so.
    frames.remove(20);
    let mut got = open(MONO.with(&frames)).expect("read").value;
    let error = got.read(6_000, 1, &mut Planes::new()).expect_err("missing");
    let what = "a frame that starts at sample 6300";
    assert!(error.place == Place::Byte(at as u64) && error.to_string().contains(what), "{error}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Frames of any sizes, read from anywhere in any order, far more than are held at once.
    #[test]
    fn any_part_of_a_stream_is_what_was_written(
        sizes in proptest::collection::vec(prop_oneof![Just(192_usize), Just(4096), Just(4608), 16_usize..700, 1_usize..16], 1..60),
        (code, width) in prop_oneof![Just((1_u8, 8_u32)), Just((2, 12)), Just((4, 16)), Just((6, 24))],
        channels in 1_usize..4,
        fixed in any::<bool>(),
        parts in proptest::collection::vec((0.0..1.0, 0_usize..9000), 1..12),
        seed in any::<u64>(),
    ) {
        let sizes = if fixed { vec![sizes[0].max(16); 4 * sizes.len()] } else { sizes };
        let (mut frames, mut whole, mut first) = (Vec::new(), vec![Vec::new(); channels], 0);
        for (k, size) in sizes.iter().enumerate() {
            let planes: Vec<Vec<i32>> = (0..channels).map(|c| noise(seed ^ (k * 8 + c) as u64, *size, width)).collect();
            let frame = Frame::of(first, (code, width), &planes);
            let number = if fixed { k as u64 } else { first };
            frames.push(Frame { variable: !fixed, number, ..frame }.bytes());
            whole.iter_mut().zip(&planes).for_each(|(whole, plane)| whole.extend(scaled(plane, width)));
            first += *size as u64;
        }
        let block = sizes.iter().copied().max().unwrap_or(0).max(16) as u16;
        let mut got = open(Stream { block, channels, width, frames: first, ..MONO }.with(&frames)).expect("read").value;
        prop_assert_eq!(got.frames, first);
        for (share, count) in parts {
            let at = (share * first as f64) as usize;
            let planes = read_of(&mut got, at as u64, count);
            let end = (at + count).min(first as usize);
            for (plane, whole) in planes.iter().zip(&whole) {
                prop_assert!(plane[..] == whole[at..end], "{} of {} from {}", count, first, at);
            }
        }
    }
}
