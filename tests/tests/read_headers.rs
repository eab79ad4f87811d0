//! Header fields at the ends of their ranges, one at a time, in headers written by hand from the formats' own rules.
//!
//! check: header fields of WAV, AIFF, CAF at their ends; marks; codes of compressed sound | Microsoft RIFF 1.0 and RFC 2361, AIFF 1.3, CAF 1.0 (layouts from memory) | exact, or refused with the code's name
//! check: recorder's clock, order of names, surplus in joined files; a disk that fails | arithmetic on what was written | exact

use ringdown::error::{Error, Loaded, Place};
use ringdown::read::joined::{Join, join};
use ringdown::read::samples::{Coding, Planes, Samples};
use ringdown::read::{self, Content, Told};
use std::io::{Cursor, Error as IoError, ErrorKind, Read, Seek, SeekFrom};

fn open(name: &str, bytes: Vec<u8>) -> Result<Loaded<Samples>, Error> {
    let loaded = read::open(name, Box::new(Cursor::new(bytes)), &Told::default())?;
    match loaded.value {
        Content::Recording(value) => Ok(Loaded { value, notes: loaded.notes }),
        other => panic!("{other:?}"),
    }
}

fn refusal(bytes: Vec<u8>) -> String {
    open("x", bytes).err().map(|error| error.to_string()).unwrap_or_default()
}

fn planes(samples: &mut Samples) -> Planes {
    let mut planes = Planes::new();
    samples.read(0, usize::MAX, &mut planes).expect("it reads");
    planes
}

/// What stands in a format chunk.
#[derive(Clone, Copy)]
struct Wav {
    tag: u16,
    channels: u16,
    rate: u32,
    block: u16,
    bits: u16,
}

const PLAIN: Wav = Wav { tag: 1, channels: 2, rate: 48_000, block: 4, bits: 16 };

fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes.extend(body);
    bytes.extend(vec![0; body.len() % 2]);
    bytes
}

fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = [b"WAVE".to_vec(), chunks.concat()].concat();
    chunk(b"RIFF", &body)
}

impl Wav {
    fn format(self) -> Vec<u8> {
        let mut body = self.tag.to_le_bytes().to_vec();
        body.extend(self.channels.to_le_bytes());
        body.extend(self.rate.to_le_bytes());
        body.extend((self.rate.wrapping_mul(u32::from(self.block))).to_le_bytes());
        body.extend(self.block.to_le_bytes());
        body.extend(self.bits.to_le_bytes());
        chunk(b"fmt ", &body)
    }

    fn file(self, frames: usize) -> Vec<u8> {
        riff(&[self.format(), chunk(b"data", &vec![1; frames * usize::from(self.block)])])
    }
}

#[test]
fn numbers_of_a_wav_header_are_taken_to_the_ends_of_their_ranges() {
    for channels in [1, 2, 32] {
        let got = open("x", Wav { channels, block: 2 * channels, ..PLAIN }.file(3)).expect("read").value;
        assert_eq!((got.channels, got.frames), (usize::from(channels), 3));
    }
    for (channels, block) in [(0, 4), (33, 66), (u16::MAX, 4)] {
        let told = refusal(Wav { channels, block, ..PLAIN }.file(3));
        assert!(told.contains(&format!("{channels} channels is outside 1 to 32")), "{told}");
    }
    for rate in [1, 2_000_000] {
        assert_eq!(open("x", Wav { rate, ..PLAIN }.file(3)).expect("read").value.sample_rate_hz, f64::from(rate));
    }
    for rate in [0, 2_000_001] {
        assert!(refusal(Wav { rate, ..PLAIN }.file(3)).contains("sampling rate"), "{rate}");
    }
    // (bits, bytes a word): bits fill the word from its top; one bit and 64 are the ends.
    for (bits, bytes) in
        [(1, 1), (8, 1), (9, 2), (12, 2), (16, 2), (17, 3), (20, 4), (32, 4), (33, 5), (48, 6), (64, 8)]
    {
        let got = open("x", Wav { bits, block: 2 * bytes, ..PLAIN }.file(3)).expect("read").value;
        assert_eq!((got.bits, got.form.coding), (bits, Coding::Pcm { bits, bytes: usize::from(bytes) }));
        assert_eq!(got.step, Some(2_f64.powi(1 - i32::from(bits))));
    }
    // No whole number of bytes a channel, fewer than the bits need, more than eight, no bits.
    for (bits, block) in [(16, 5), (17, 4), (64, 18), (0, 4), (16, 0)] {
        assert!(refusal(Wav { bits, block, ..PLAIN }.file(3)).contains("whole number of bytes"), "{bits} in {block}");
    }
    for (bits, block, right) in [(32, 8, true), (64, 16, true), (16, 4, false), (24, 6, false), (8, 2, false)] {
        let got = open("x", Wav { tag: 3, bits, block, ..PLAIN }.file(2));
        assert_eq!(got.is_ok(), right, "float of {bits} bits");
        assert!(
            got.is_err()
                || got.is_ok_and(|got| got.value.step.is_none() && got.value.form.coding == Coding::Float(bits))
        );
    }
    let short = riff(&[chunk(b"fmt ", &PLAIN.format()[8..22]), chunk(b"data", &[0; 8])]);
    assert!(refusal(short).contains("a format chunk of 14 bytes"));
    assert!(refusal(riff(&[PLAIN.format(), chunk(b"data", &[0; 3])])).contains("at least one whole frame"));
    assert!(refusal(riff(&[chunk(b"data", &[0; 8])])).contains("no format chunk"));
    // Half a frame at the end is left out; a byte between chunks that nobody counts is stepped over.
    let odd = riff(&[PLAIN.format(), chunk(b"junk", &[1; 3]), chunk(b"data", &[0; 11])]);
    assert_eq!(open("x", odd).expect("read").value.frames, 2);
    // The first of two is the one.
    let twice = riff(&[
        PLAIN.format(),
        Wav { rate: 8000, ..PLAIN }.format(),
        chunk(b"data", &[0; 8]),
        chunk(b"data", &[0; 40]),
    ]);
    let got = open("x", twice).expect("read").value;
    assert_eq!((got.sample_rate_hz, got.frames), (48_000.0, 2));
}

/// A length of samples that nobody kept up to date: believed where anything speaks for it, else all that is there is taken.
#[test]
fn a_length_too_short_is_believed_only_where_something_speaks_for_it() {
    let whole = riff(&[PLAIN.format(), chunk(b"data", &[200; 400])]);
    let patched = |told: u32, size: u32, more: &[u8]| {
        let mut bytes = whole.clone();
        bytes[40..44].copy_from_slice(&told.to_le_bytes());
        bytes[4..8].copy_from_slice(&size.to_le_bytes());
        bytes.extend(more);
        let got = open("x", bytes).expect("read");
        (got.value.frames, got.notes.iter().map(ToString::to_string).collect::<String>())
    };
    let (frames, notes) = patched(80, 0, b"");
    assert!(frames == 100 && notes.contains("gives 80 bytes of samples, 400 are there"), "{frames} {notes}");
    // The file's own length ends where the samples do.
    assert_eq!(patched(80, 36 + 80, b""), (20, String::new()));
    assert_eq!(patched(400, 0, b""), (100, String::new()));
    // A chunk follows, or too little to be one.
    assert_eq!(patched(400, 0, &chunk(b"LIST", b"INFO")), (100, String::new()));
    assert_eq!(patched(393, 0, b"").0, 98);
    assert!(patched(392, 0, b"").1.contains("400 are there"));
    // No length at all, by either custom; one that is too long.
    for told in [0, u32::MAX] {
        let (frames, notes) = patched(told, 0, b"");
        assert!(frames == 100 && notes.contains("gives no length; the 400 bytes"), "{notes}");
    }
    let (frames, notes) = patched(404, 0, b"");
    assert!(frames == 100 && notes.contains("promises 404 bytes, 400 are there"), "{notes}");
    // An odd size whose filling byte the writer forgot.
    let mut odd = riff(&[PLAIN.format()]);
    odd.extend([&b"junk\x03\0\0\0abc"[..], &chunk(b"data", &[0; 12])].concat());
    assert_eq!(open("x", odd).expect("read").value.frames, 3);
}

/// Codes of RFC 2361 and the registry it keeps (from memory).
#[test]
fn compressed_sound_is_named_and_refused() {
    let codes: [(&[u16], &str); 9] = [
        (&[0x02, 0x11], "ADPCM"),
        (&[0x06], "A-law"),
        (&[0x07], "mu-law"),
        (&[0x31], "GSM"),
        (&[0x50, 0x55], "MP3"),
        (&[0xFF, 0x1600, 0x1610], "AAC"),
        (&[0x160, 0x161, 0x162], "WMA"),
        (&[0x2000], "AC-3"),
        (&[0xF1AC], "FLAC"),
    ];
    for (tag, name) in codes.iter().flat_map(|(tags, name)| tags.iter().map(move |tag| (*tag, name))) {
        let told = refusal(Wav { tag, ..PLAIN }.file(3));
        assert!(told.contains(name) && told.contains("is not read"), "{tag:#x}: {told}");
    }
    assert!(refusal(Wav { tag: 0x163, ..PLAIN }.file(3)).contains("0x0163"));
    for (kind, name) in [
        (b"ulaw", "mu-law"),
        (b"ULAW", "mu-law"),
        (b"alaw", "A-law"),
        (b"ALAW", "A-law"),
        (b"ima4", "ADPCM"),
        (b"MAC3", "ADPCM"),
        (b"MAC6", "ADPCM"),
        (b"QDM2", "QDM2"),
    ] {
        let told = refusal(Aiff { kind: Some(*kind), ..Aiff::PLAIN }.file(3));
        assert!(told.contains(name) && told.contains("is not read"), "{told}");
    }
    for (kind, name) in
        [(b"alac", "Apple Lossless"), (b"ulaw", "mu-law"), (b"alaw", "A-law"), (b"aac ", "AAC"), (b"ima4", "ima4")]
    {
        let told = refusal(Caf { kind: *kind, ..Caf::PLAIN }.file(3));
        assert!(told.contains(name) && told.contains("is not read"), "{told}");
    }
}

#[derive(Clone, Copy)]
struct Aiff {
    channels: u16,
    frames: u32,
    bits: u16,
    /// 80 bits, IEEE extended.
    rate: [u8; 10],
    kind: Option<[u8; 4]>,
    skip: u32,
}

fn big_chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = chunk(id, body);
    bytes[4..8].copy_from_slice(&(body.len() as u32).to_be_bytes());
    bytes
}

/// 2^14 + 2^13 ... : exponent 16383 + e, the leading one written out.
fn extended(exponent: u16, mantissa: u64) -> [u8; 10] {
    let mut bytes = [0; 10];
    bytes[..2].copy_from_slice(&(16_383 + exponent).to_be_bytes());
    bytes[2..].copy_from_slice(&mantissa.to_be_bytes());
    bytes
}

impl Aiff {
    const PLAIN: Aiff = Aiff {
        channels: 2,
        frames: 3,
        bits: 16,
        rate: [0x40, 0x0e, 0xbb, 0x80, 0, 0, 0, 0, 0, 0],
        kind: None,
        skip: 0,
    };

    fn common(self) -> Vec<u8> {
        let mut body = self.channels.to_be_bytes().to_vec();
        body.extend(self.frames.to_be_bytes());
        body.extend(self.bits.to_be_bytes());
        body.extend(self.rate);
        body.extend(self.kind.into_iter().flatten());
        big_chunk(b"COMM", &body)
    }

    fn sound(self, bytes: usize) -> Vec<u8> {
        let mut body = self.skip.to_be_bytes().to_vec();
        body.extend([0; 4]);
        body.extend(vec![9; self.skip as usize]);
        body.extend((0..bytes).map(|k| k as u8));
        big_chunk(b"SSND", &body)
    }

    fn with(self, chunks: &[Vec<u8>]) -> Vec<u8> {
        let form = if self.kind.is_some() { *b"AIFC" } else { *b"AIFF" };
        big_chunk(b"FORM", &[form.to_vec(), chunks.concat()].concat())
    }

    fn file(self, frames: usize) -> Vec<u8> {
        let bytes = usize::from(self.bits.div_ceil(8).max(1)) * usize::from(self.channels) * frames;
        self.with(&[self.common(), self.sound(bytes)])
    }
}

#[test]
fn numbers_of_an_aiff_header_are_taken_to_the_ends_of_their_ranges() {
    let plain = Aiff::PLAIN;
    let got = open("x", plain.file(3)).expect("read");
    assert!(got.notes.is_empty(), "{:?}", got.notes);
    assert_eq!((got.value.form.container, got.value.frames), (Some("AIFF"), 3));
    assert_eq!(
        open("x", Aiff { kind: Some(*b"NONE"), ..plain }.file(3)).expect("read").value.form.container,
        Some("AIFF-C")
    );
    // 44 100.5 = 0xAC44.8: 15 places before the point.
    for (rate, hz) in [
        (extended(15, 0xAC44_8000_0000_0000), 44_100.5),
        (extended(0, 1 << 63), 1.0),
        (extended(20, 0xF424_0000_0000_0000), 2e6),
    ] {
        assert_eq!(open("x", Aiff { rate, ..plain }.file(3)).expect("read").value.sample_rate_hz, hz);
    }
    assert!(refusal(Aiff { rate: extended(21, 0xF424_0000_0000_0000), ..plain }.file(3)).contains("sampling rate"));
    for bits in [1, 8, 9, 24, 33, 64] {
        let got = open("x", Aiff { bits, ..plain }.file(3)).expect("read").value;
        assert_eq!((got.bits, got.frames), (bits, 3));
        assert_eq!(got.form.coding, Coding::Pcm { bits, bytes: usize::from(bits.div_ceil(8)) });
    }
    for bits in [0, 65] {
        assert!(refusal(Aiff { bits, ..plain }.file(3)).contains("bits a sample"), "{bits}");
    }
    // Byte k of the samples is k: word by word in either order, after bytes that are to be left out.
    for (kind, first) in [(b"NONE", 0x0001), (b"twos", 0x0001), (b"sowt", 0x0100)] {
        for skip in [0, 2, 6] {
            let mut got = open("x", Aiff { kind: Some(*kind), skip, ..plain }.file(3)).expect("read").value;
            assert_eq!(got.frames, 3);
            assert_eq!(planes(&mut got)[0][0], first as f32 / 32_768.0, "{skip}");
        }
    }
    let three = |kind: &[u8; 4]| {
        let mut got = open("x", Aiff { kind: Some(*kind), bits: 24, ..plain }.file(3)).expect("read").value;
        planes(&mut got)[1][0] * 8_388_608.0
    };
    assert_eq!(
        [three(b"in24"), three(b"42ni"), three(b"42n1")],
        [0x03_04_05 as f32, 0x05_04_03 as f32, 0x05_04_03 as f32]
    );
    let four = |kind: &[u8; 4]| {
        let mut got = open("x", Aiff { kind: Some(*kind), bits: 32, ..plain }.file(3)).expect("read").value;
        (planes(&mut got)[1][0], got.form.coding)
    };
    assert_eq!(four(b"in32").0, 0x0405_0607 as f32 / 2_147_483_648.0);
    assert_eq!(four(b"23ni").0, 0x0706_0504 as f32 / 2_147_483_648.0);
    assert_eq!(four(b"fl32"), (f32::from_bits(0x0405_0607), Coding::Float(32)));
    assert_eq!(four(b"FL32").1, Coding::Float(32));
    // Unsigned words: 128 is nothing.
    let mut raw = open("x", Aiff { kind: Some(*b"raw "), bits: 8, ..plain }.file(70)).expect("read").value;
    assert_eq!((planes(&mut raw)[0][64], planes(&mut raw)[0][0]), (0.0, -1.0));
    for missing in [[vec![], plain.sound(8)], [plain.common(), vec![]]] {
        let told = refusal(plain.with(&missing));
        assert!(told.contains("no common chunk") || told.contains("no samples"), "{told}");
    }
    assert!(
        refusal(plain.with(&[big_chunk(b"COMM", &plain.common()[8..25]), plain.sound(8)]))
            .contains("a common chunk of 17 bytes")
    );
    // A size of nothing, as a recorder leaves that loses power: the count of frames is used.
    let mut unsized_chunk = plain.with(&[plain.common(), plain.sound(12)]);
    let at = unsized_chunk.len() - 24;
    unsized_chunk[at..at + 4].copy_from_slice(&8u32.to_be_bytes());
    assert_eq!(open("x", unsized_chunk).expect("read").value.frames, 3);
}

/// AIFF 1.3: count, then number, frame, and a name as Pascal wrote it, padded to an even length.
#[test]
fn marks_of_an_aiff_are_read_in_order_of_time() {
    let marks: [(u32, &str); 5] = [(2, "late"), (0, "odd"), (1, ""), (3, "beyond the end"), (1, "b")];
    let mut body = (marks.len() as u16).to_be_bytes().to_vec();
    for (number, (frame, name)) in marks.iter().enumerate() {
        body.extend((number as u16).to_be_bytes());
        body.extend(frame.to_be_bytes());
        body.push(name.len() as u8);
        body.extend(name.as_bytes());
        body.extend(vec![0; (name.len() + 1) % 2]);
    }
    let plain = Aiff::PLAIN;
    let got = open("x", plain.with(&[plain.common(), big_chunk(b"MARK", &body), plain.sound(12)])).expect("read").value;
    let read: Vec<(u64, &str)> = got.cues.iter().map(|cue| (cue.frame, cue.label.as_str())).collect();
    assert_eq!(read, [(0, "odd"), (1, ""), (1, "b"), (2, "late")]);
}

#[derive(Clone, Copy)]
struct Caf {
    rate: f64,
    kind: [u8; 4],
    flags: u32,
    packet: u32,
    frames: u32,
    channels: u32,
    bits: u32,
}

impl Caf {
    const PLAIN: Caf = Caf { rate: 48_000.0, kind: *b"lpcm", flags: 0, packet: 4, frames: 1, channels: 2, bits: 16 };

    fn described(self) -> Vec<u8> {
        let mut bytes = self.rate.to_be_bytes().to_vec();
        bytes.extend(self.kind);
        for word in [self.flags, self.packet, self.frames, self.channels, self.bits] {
            bytes.extend(word.to_be_bytes());
        }
        bytes
    }

    fn with(chunks: &[(&[u8; 4], Vec<u8>)]) -> Vec<u8> {
        let mut bytes = b"caff\0\x01\0\0".to_vec();
        for (id, body) in chunks {
            bytes.extend(*id);
            bytes.extend((body.len() as u64).to_be_bytes());
            bytes.extend(body);
        }
        bytes
    }

    fn file(self, frames: usize) -> Vec<u8> {
        let data = [vec![0; 4], (0..frames * self.packet as usize).map(|k| k as u8).collect()].concat();
        Caf::with(&[(b"desc", self.described()), (b"info", vec![7; 3]), (b"data", data)])
    }
}

#[test]
fn numbers_of_a_caf_header_are_taken_to_the_ends_of_their_ranges() {
    let plain = Caf::PLAIN;
    let mut got = open("x", plain.file(3)).expect("read");
    assert!(got.notes.is_empty(), "{:?}", got.notes);
    assert_eq!((got.value.form.container, got.value.frames, got.value.channels), (Some("CAF"), 3, 2));
    assert_eq!(planes(&mut got.value)[1][1], 0x0607 as f32 / 32_768.0);
    // Flags: 1 float, 2 little-endian.
    for (flags, packet, bits, value, coding) in [
        (2, 4, 16, 0x0302 as f32 / 32_768.0, Coding::Pcm { bits: 16, bytes: 2 }),
        (1, 8, 32, f32::from_bits(0x0405_0607), Coding::Float(32)),
        (3, 8, 32, f32::from_bits(0x0706_0504), Coding::Float(32)),
        (1, 16, 64, f64::from_bits(0x0809_0A0B_0C0D_0E0F) as f32, Coding::Float(64)),
        (4, 4, 12, 0x0203 as f32 / 32_768.0, Coding::Pcm { bits: 12, bytes: 2 }),
        (0, 2, 1, 1.0 / 128.0, Coding::Pcm { bits: 1, bytes: 1 }),
        (0, 16, 64, (0x0809_0A0B_0C0D_0E0F_i64 as f64 / 2_f64.powi(63)) as f32, Coding::Pcm { bits: 64, bytes: 8 }),
    ] {
        let mut got = open("x", Caf { flags, packet, bits, ..plain }.file(3)).expect("read").value;
        assert_eq!((planes(&mut got)[1][0], got.form.coding), (value, coding));
    }
    let odd = [
        Caf { frames: 2, ..plain },
        Caf { packet: 5, ..plain },
        Caf { packet: 18, bits: 64, ..plain },
        Caf { packet: 0, ..plain },
        Caf { bits: 17, ..plain },
        Caf { bits: 0, ..plain },
        Caf { flags: 1, ..plain },
        Caf { flags: 1, packet: 6, bits: 24, ..plain },
    ];
    for (k, caf) in odd.into_iter().enumerate() {
        let told = refusal(caf.file(3));
        assert!(told.contains("packets of one frame"), "{k}: {told}");
    }
    for (caf, what) in [
        (Caf { channels: 0, ..plain }, "channels"),
        (Caf { channels: 33, packet: 66, ..plain }, "channels"),
        (Caf { channels: 65_538, ..plain }, "channels"),
        (Caf { rate: 0.5, ..plain }, "rate"),
        (Caf { rate: 2e6 + 1.0, ..plain }, "rate"),
        (Caf { rate: f64::NAN, ..plain }, "rate"),
    ] {
        assert!(refusal(caf.file(3)).contains(what));
    }
    let data = || (b"data", vec![0; 16]);
    assert!(refusal(Caf::with(&[data()])).contains("no description"));
    assert!(refusal(Caf::with(&[(b"desc", plain.described())])).contains("no samples"));
    assert!(
        refusal(Caf::with(&[(b"desc", plain.described()[..31].to_vec()), data()]))
            .contains("a description of 31 bytes")
            || refusal(Caf::with(&[(b"desc", plain.described()[..31].to_vec())])).contains("a description of 31 bytes")
    );
    assert_eq!(
        open("x", Caf::with(&[(b"desc", plain.described()), data(), (b"data", vec![0; 40])]))
            .expect("read")
            .value
            .frames,
        3
    );
}

/// Broadcast extension (EBU Tech 3285): the frame of the day at byte 338, low word first.
fn stamped(name: &str, frame_of_day: u64, frames: usize) -> Samples {
    let mut bext = vec![0; 602];
    bext[338..346].copy_from_slice(&frame_of_day.to_le_bytes());
    let bytes = riff(&[PLAIN.format(), chunk(b"bext", &bext), chunk(b"data", &vec![name.len() as u8; 4 * frames])]);
    open(name, bytes).expect("read").value
}

#[test]
fn joined_files_stand_in_order_and_their_gaps_are_told() {
    let day = (3 << 32) + 7;
    let said = |parts: Vec<Samples>, how| {
        let joined = join(parts, how).expect("joined");
        let notes = joined.notes.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
        (joined.value, notes)
    };
    // "take 10" after "take 9"; by the clock each begins where the one before ends.
    let parts = || vec![stamped("take 10.wav", day + 5, 2), stamped("take 9.wav", day, 5)];
    assert_eq!(parts()[0].time_reference, Some(day + 5));
    let (mut whole, notes) = said(parts(), Join::After);
    assert!(!notes.contains("clock") && notes.contains("take 9.wav (5 samples), take 10.wav (2 samples)"), "{notes}");
    assert_eq!((whole.frames, whole.channels, whole.form.files), (7, 2, 2));
    assert_eq!((whole.name.as_str(), whole.time_reference), ("take 9.wav + 1", Some(day)));
    let all = planes(&mut whole);
    let of = |name: &str| (name.len() * 257) as f32 / 32_768.0;
    assert_eq!(all[0], [vec![of("take 9.wav"); 5], vec![of("take 10.wav"); 2]].concat());
    for (first, count) in [(4, 2), (5, 1), (0, 5), (6, 9), (3, 4), (0, 3), (1, 2)] {
        let mut part = Planes::new();
        let got = whole.read(first, count, &mut part).expect("it reads");
        assert_eq!(part[1], all[1][first as usize..first as usize + got]);
    }
    for (start, apart) in [(day + 4, "1 samples apart"), (day + 8, "3 samples apart")] {
        let (_, notes) = said(vec![stamped("a", day, 5), stamped("b", start, 2)], Join::After);
        assert!(notes.contains("does not start where") && notes.contains(apart), "{notes}");
    }
    // Side by side: the shortest counts, and the surplus is told; a tenth of a second (4800) is too much.
    let (mut whole, notes) = said(vec![stamped("b", 0, 4807), stamped("a", 0, 7)], Join::Beside);
    assert!(notes.contains("differ by 4800 samples"), "{notes}");
    assert_eq!((whole.frames, whole.channels), (7, 4));
    assert_eq!(planes(&mut whole)[3].len(), 7);
    let names: Vec<&str> = whole.labels.iter().map(|label| label.name.as_str()).collect();
    assert_eq!(names, ["a 1", "a 2", "b 1", "b 2"]);
    let (_, notes) = said(vec![stamped("b", 0, 7), stamped("a", 0, 7)], Join::Beside);
    assert!(!notes.contains("differ"), "{notes}");
    assert!(join(vec![stamped("b", 0, 4808), stamped("a", 0, 7)], Join::Beside).is_err());
    let many = |count: usize| (0..count).map(|k| stamped(&format!("{k}"), 0, 7)).collect::<Vec<_>>();
    assert_eq!(join(many(16), Join::Beside).expect("32 channels").value.channels, 32);
    assert!(
        join(many(17), Join::Beside).is_err()
            && join(many(256), Join::After).is_ok()
            && join(many(257), Join::After).is_err()
    );
}

/// Gives `good` bytes of a file, then fails; every other call it is interrupted first.
struct Failing {
    inner: Cursor<Vec<u8>>,
    good: u64,
    interrupted: bool,
}

impl Read for Failing {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        self.interrupted = !self.interrupted;
        if self.interrupted {
            return Err(ErrorKind::Interrupted.into());
        }
        let left = self.good.saturating_sub(self.inner.position());
        if left == 0 && self.inner.position() < self.inner.get_ref().len() as u64 {
            return Err(IoError::other("the disk is gone"));
        }
        let most = out.len().min(left.max(1) as usize).min(1000);
        self.inner.read(&mut out[..most])
    }
}

impl Seek for Failing {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.inner.seek(to)
    }
}

#[test]
fn a_disk_that_fails_is_told_with_the_byte_and_one_that_is_interrupted_is_read() {
    let frames = 100_000;
    let bytes = PLAIN.file(frames);
    let opened = |good: u64| {
        let source = Failing { inner: Cursor::new(bytes.clone()), good, interrupted: false };
        read::open("x", Box::new(source), &Told::default())
    };
    let whole = opened(u64::MAX).expect("interruptions are nothing");
    let Content::Recording(mut samples) = whole.value else { panic!("no recording") };
    assert_eq!(planes(&mut samples)[0], vec![257.0 / 32_768.0; frames]);
    for good in [1_000, 65_580, 65_581, 200_003, 399_000] {
        let Content::Recording(mut samples) = opened(good).expect("its head is there").value else {
            panic!("no recording")
        };
        let error = samples.read(0, usize::MAX, &mut Planes::new()).expect_err("the disk is gone");
        assert_eq!(error.place, Place::Byte(good), "{error}");
    }
    assert!(opened(5).expect_err("not even a head").to_string().contains("the disk is gone"));
}
