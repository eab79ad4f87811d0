//! Channels to a WAV file of 16 bits (Microsoft and IBM, Multimedia Programming Interface 1.0, 1991, chapter 3).

pub fn wav(planes: &[Vec<f32>], rate_hz: u32) -> Vec<u8> {
    let channels = planes.len();
    let frames = planes.iter().map(Vec::len).min().unwrap_or(0);
    let length = (frames * channels * 2) as u32;
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((36 + length).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0");
    bytes.extend((channels as u16).to_le_bytes());
    bytes.extend(rate_hz.to_le_bytes());
    bytes.extend((rate_hz * channels as u32 * 2).to_le_bytes());
    bytes.extend((channels as u16 * 2).to_le_bytes());
    bytes.extend(16_u16.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend(length.to_le_bytes());
    for frame in 0..frames {
        for plane in planes {
            bytes.extend(((plane[frame] * 32_767.0).round() as i16).to_le_bytes());
        }
    }
    bytes
}
