//! Archives and FLAC written here word by word from their standards, with every optional field, and reached in any order.
//!
//! check: fields of gzip and zip, damage, what is left out | RFC 1951, RFC 1952; APPNOTE 6.3 (from memory), written by hand | exact
//! check: any slice of a FLAC of a megabyte | RFC 9639, verbatim frames written by hand | exact

use ringdown::read::samples::Planes;
use ringdown::read::{self, Content, Told, packed};
use std::io::{Cursor, Read};

/// CRC of any width, most significant bit first (RFC 9639: 8 bits by 0x07, 16 bits by 0x8005).
fn crc(bytes: &[u8], width: u32, poly: u32) -> u32 {
    let top = 1 << (width - 1);
    bytes.iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte) << (width - 8), |crc, _| {
            (if crc & top != 0 { crc << 1 ^ poly } else { crc << 1 }) & (top | (top - 1))
        })
    })
}

/// CRC-32 of RFC 1952, section 8.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0u32, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| if crc & 1 != 0 { crc >> 1 ^ 0xEDB8_8320 } else { crc >> 1 })
    })
}

/// Stored blocks of RFC 1951, section 3.2.4.
fn deflated(bytes: &[u8]) -> Vec<u8> {
    let blocks: Vec<&[u8]> = bytes.chunks(30_000).collect();
    let one = |(k, block): (usize, &&[u8])| {
        let length = block.len() as u16;
        [&[u8::from(k + 1 == blocks.len())][..], &length.to_le_bytes(), &(!length).to_le_bytes(), block].concat()
    };
    blocks.iter().enumerate().flat_map(one).collect()
}

fn wav(frames: usize) -> Vec<u8> {
    let data: Vec<u8> = (0..2 * frames).map(|k| (k * k % 251) as u8).collect();
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((36 + data.len() as u32).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\xbb\0\0\0\x77\x01\0\x02\0\x10\0data");
    bytes.extend((data.len() as u32).to_le_bytes());
    bytes.extend(data);
    bytes
}

/// Samples read and everything told about them; a refusal as text.
fn opened(bytes: Vec<u8>) -> Result<(Planes, String), String> {
    let told = |error: ringdown::error::Error| error.to_string();
    let loaded = read::open("x", Box::new(Cursor::new(bytes)), &Told::default()).map_err(told)?;
    let Content::Recording(mut samples) = loaded.value else { panic!("no recording") };
    let mut planes = Planes::new();
    samples.read(0, usize::MAX, &mut planes).map_err(told)?;
    Ok((planes, loaded.notes.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")))
}

/// RFC 1952: flags 2 header check, 4 extra field, 8 name, 16 comment.
fn gzip(flags: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0x1f, 0x8b, 8, flags, 0, 0, 0, 0, 0, 255];
    if flags & 4 != 0 {
        bytes.extend([3, 0, 7, 0, 9]);
    }
    if flags & 8 != 0 {
        bytes.extend(b"run.wav\0");
    }
    if flags & 16 != 0 {
        bytes.extend(b"second evening\0");
    }
    if flags & 2 != 0 {
        bytes.extend([0xAB, 0xCD]);
    }
    bytes.extend(deflated(body));
    bytes.extend(crc32(body).to_le_bytes());
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes
}

#[test]
fn gzip_is_read_with_every_field_and_its_damage_is_told() {
    let plain = wav(40_000);
    let (samples, _) = opened(plain.clone()).expect("read");
    for flags in [0, 2, 4, 8, 16, 30, 12, 18, 1] {
        let (got, notes) = opened(gzip(flags, &plain)).unwrap_or_else(|error| panic!("{flags}: {error}"));
        assert!(got == samples && notes.is_empty(), "{flags}: {notes}");
    }
    let whole = gzip(0, &plain);
    for from_end in [1, 4, 5, 8] {
        let mut bytes = whole.clone();
        let at = bytes.len() - from_end;
        bytes[at] ^= 1;
        assert!(opened(bytes).expect_err("damaged").contains("check sum differs"), "{from_end}");
    }
    let (_, notes) = opened([&whole[..], b"more"].concat()).expect("read");
    assert!(notes.contains("4 bytes after the first packed file were left out"), "{notes}");
    assert!(notes.contains(&format!("byte {}:", whole.len())), "{notes}");
    // Cut in its second block: the first 30 000 bytes are there, and more of the second.
    let (got, notes) = opened(whole[..50_000].to_vec()).expect("read in part");
    assert!(notes.contains("stops half way") && got[0].len() > 14_000 && samples[0].starts_with(&got[0]), "{notes}");
    let mut other = whole.clone();
    other[2] = 7;
    assert!(opened(other).expect_err("refused").contains("gzip with method 7"));
    assert!(opened(whole[..3].to_vec()).expect_err("refused").contains("a header that never ends"));
}

/// One file of a zip archive.
struct Packed {
    name: &'static str,
    body: Vec<u8>,
    method: u16,
    /// Sizes in 64 bits, behind another extra field.
    wide: bool,
}

fn zip(files: &[Packed], comment: &[u8]) -> Vec<u8> {
    let (mut bytes, mut directory) = (Vec::new(), Vec::new());
    for file in files {
        let packed = if file.method == 8 { deflated(&file.body) } else { file.body.clone() };
        let (at, sizes) = (bytes.len() as u64, [file.body.len() as u64, packed.len() as u64]);
        let mut common = vec![20, 0, 0, 0];
        common.extend(file.method.to_le_bytes());
        common.extend([0; 4]);
        common.extend(crc32(&file.body).to_le_bytes());
        for size in [sizes[1], sizes[0]] {
            common.extend(if file.wide { u32::MAX } else { size as u32 }.to_le_bytes());
        }
        common.extend((file.name.len() as u16).to_le_bytes());
        bytes.extend(b"PK\x03\x04");
        bytes.extend(&common);
        bytes.extend([2, 0]);
        bytes.extend(file.name.as_bytes());
        bytes.extend([1, 1]);
        bytes.extend(packed);
        let mut extra = Vec::new();
        if file.wide {
            extra.extend([0x55, 0x54, 3, 0, 1, 2, 3, 1, 0, 24, 0]);
            [sizes[0], sizes[1], at].iter().for_each(|size| extra.extend(size.to_le_bytes()));
        }
        directory.extend(b"PK\x01\x02\x14\0");
        directory.extend(&common);
        directory.extend((extra.len() as u16).to_le_bytes());
        directory.extend([3, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
        directory.extend(if file.wide { u32::MAX } else { at as u32 }.to_le_bytes());
        directory.extend(file.name.as_bytes());
        directory.extend(extra);
        directory.extend(b"abc");
    }
    let (count, start) = (files.len() as u16, bytes.len() as u32);
    bytes.extend(&directory);
    bytes.extend(b"PK\x05\x06\0\0\0\0");
    bytes.extend([count.to_le_bytes(), count.to_le_bytes()].concat());
    bytes.extend((directory.len() as u32).to_le_bytes());
    bytes.extend(start.to_le_bytes());
    bytes.extend((comment.len() as u16).to_le_bytes());
    bytes.extend(comment);
    bytes
}

#[test]
fn zip_is_read_with_every_field_and_what_is_left_out_is_told() {
    let body = wav(40_000);
    let (samples, _) = opened(body.clone()).expect("read");
    let one = |name, method, wide| Packed { name, body: body.clone(), method, wide };
    for (method, wide, comment) in [(0, false, 0), (8, false, 65_535), (0, true, 1), (8, true, 300)] {
        let junk = ["folder/", ".hidden", "__MACOSX/run.wav", "folder/.run.wav"];
        let mut files: Vec<Packed> =
            junk.map(|name| Packed { name, body: b"junk".to_vec(), method: 0, wide: false }).into();
        files.insert(1, one("folder/run.wav", method, wide));
        let (got, notes) = opened(zip(&files, &vec![b'c'; comment])).unwrap_or_else(|error| panic!("{error}"));
        assert!(got == samples && notes.contains("the file folder/run.wav inside was read"), "{notes}");
    }
    // Each by its own place in the archive.
    let files = [
        one("a.wav", 8, false),
        Packed { name: "b.txt", body: b"second".to_vec(), method: 0, wide: true },
        one("c.wav", 0, false),
    ];
    let bytes = zip(&files, b"");
    let entries = packed::entries("x", &mut Cursor::new(bytes.clone())).expect("a directory");
    assert_eq!(entries.len(), 3);
    for (entry, file) in entries.iter().zip(&files) {
        let mut got = Vec::new();
        let mut source = packed::open("x", Box::new(Cursor::new(bytes.clone())), entry).expect("it opens").value;
        source.read_to_end(&mut got).expect("it unpacks");
        assert!(got == file.body && (entry.name.as_str(), entry.bytes) == (file.name, file.body.len() as u64));
    }
    let refused = |files: &[Packed]| opened(zip(files, b"")).expect_err("refused");
    assert!(refused(&[]).contains("an archive without a file in it"));
    assert!(refused(&[one("run.wav", 12, false)]).contains("packed by method 12"));
    for name in ["[Content_Types].xml", "mimetype"] {
        assert!(refused(&[one(name, 0, false)]).contains("a spreadsheet or document"));
    }
    let seven: Vec<Packed> = ["a", "b", "c", "d", "e", "f"].map(|name| one(name, 0, false)).into();
    assert!(refused(&seven).contains("an archive of 6 files (a, b, c, d, e)"));
    let whole = zip(&[one("run.wav", 8, false)], b"");
    assert!(opened(whole[..whole.len() - 40].to_vec()).expect_err("refused").contains("no end record"));
    let mut bytes = whole.clone();
    bytes[14] ^= 1; // the check sum beside the file counts for nothing, that in the directory does
    assert!(opened(bytes).is_ok());
    let directory = whole.windows(4).rposition(|part| part == b"PK\x01\x02").expect("a directory");
    for (at, what) in
        [(directory + 16, "check sum differs"), (directory + 1, "a record of the archive's directory"), (1, "")]
    {
        let mut bytes = whole.clone();
        bytes[at] ^= 1;
        assert!(opened(bytes).expect_err("refused").contains(what));
    }
}

/// A FLAC of 16 bits in one channel, blocks of 4096 words as they are (RFC 9639, section 9).
fn flac(words: &[i16]) -> Vec<u8> {
    let mut bytes = b"fLaC\x80\0\0\x22\x10\0\x10\0\0\0\0\0\0\0".to_vec();
    // 20 bits of rate, 3 of channels - 1, 5 of bits - 1, 36 of the count.
    bytes.extend((48_000_u64 << 44 | 15 << 36 | words.len() as u64).to_be_bytes());
    bytes.extend([0; 16]);
    for (number, block) in words.chunks_exact(4096).enumerate() {
        let mut frame = vec![0xff, 0xf8, 0xc0, 0x08];
        match number {
            0..0x80 => frame.push(number as u8),
            _ => frame.extend([0xc0 | (number >> 6) as u8, 0x80 | (number & 0x3f) as u8]),
        }
        frame.push(crc(&frame, 8, 0x07) as u8);
        frame.push(0x02); // words as they are
        frame.extend(block.iter().flat_map(|word| word.to_be_bytes()));
        frame.extend((crc(&frame, 16, 0x8005) as u16).to_be_bytes());
        bytes.extend(frame);
    }
    bytes
}

#[test]
fn any_slice_of_a_long_flac_is_reached_in_any_order() {
    let mut state = 1_u32;
    let mut word = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        // one word in eight looks like the start of a frame
        if state >> 29 == 0 { 0xfff8_u16 as i16 } else { (state >> 16) as i16 }
    };
    let words: Vec<i16> = (0..4096 * 260).map(|_| word()).collect();
    let bytes = flac(&words);
    assert!(bytes.len() > 2_000_000);
    let loaded = read::open("x.flac", Box::new(Cursor::new(bytes.clone())), &Told::default()).expect("it opens");
    assert!(loaded.notes.is_empty(), "{:?}", loaded.notes);
    let Content::Recording(mut samples) = loaded.value else { panic!("no recording") };
    assert_eq!((samples.frames, samples.sample_rate_hz, samples.bits), (words.len() as u64, 48_000.0, 16));
    let mut part = Planes::new();
    for first in [900_000, 4095, 4096, 500_000, 1_064_959, 499_000, 0, 262_143, 777_777, 1_000_000, 131_072] {
        let count = samples.read(first as u64, 5000, &mut part).expect("it reads");
        let expected: Vec<f32> = words[first..first + count].iter().map(|word| f32::from(*word) / 32_768.0).collect();
        assert!(count == 5000.min(words.len() - first) && part[0] == expected, "from {first}");
    }
    // A frame harmed in the middle: what lies before it and over half a megabyte behind it is there, the frame itself is refused.
    let mut harmed = bytes;
    let at = 42 + 130 * (8192 + 9) + 100;
    harmed[at] ^= 0xff;
    let loaded = read::open("x.flac", Box::new(Cursor::new(harmed)), &Told::default()).expect("it opens");
    let Content::Recording(mut samples) = loaded.value else { panic!("no recording") };
    assert!(samples.read(130 * 4096 + 10, 10, &mut part).is_err());
    for first in [0, 129 * 4096, 240 * 4096] {
        assert_eq!(samples.read(first, 10, &mut part).expect("it reads"), 10);
        assert_eq!(part[0][3], f32::from(words[first as usize + 3]) / 32_768.0);
    }
}
