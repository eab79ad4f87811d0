//! A plain RIFF/WAVE file: 16-bit PCM, as in Microsoft's multimedia programming interface (1991).

/// Samples on their way into a file.
pub(super) struct WavWriter {
    bytes: Vec<u8>,
}

const HEADER: usize = 44;

impl WavWriter {
    /// For so many frames (a hint).
    pub fn new(channels: u16, rate_hz: u32, frames: usize) -> Self {
        let block = channels * 2;
        let mut bytes = Vec::with_capacity(HEADER + frames * usize::from(block));
        bytes.extend_from_slice(b"RIFF\0\0\0\0WAVEfmt ");
        bytes.extend_from_slice(&16_u32.to_le_bytes());
        bytes.extend_from_slice(&1_u16.to_le_bytes());
        bytes.extend_from_slice(&channels.to_le_bytes());
        bytes.extend_from_slice(&rate_hz.to_le_bytes());
        bytes.extend_from_slice(&(rate_hz * u32::from(block)).to_le_bytes());
        bytes.extend_from_slice(&block.to_le_bytes());
        bytes.extend_from_slice(&16_u16.to_le_bytes());
        bytes.extend_from_slice(b"data\0\0\0\0");
        Self { bytes }
    }

    /// One sample, full scale = 1.
    #[inline]
    pub fn push(&mut self, sample: f64) {
        // Shifted above zero, so that cutting off the fraction rounds.
        let shifted = (sample * 32_768.0 + 32_768.5).clamp(0.0, 65_535.0);
        let word = (shifted as i32 - 32_768) as i16;
        self.bytes.extend_from_slice(&word.to_le_bytes());
    }

    /// The file.
    pub fn finish(mut self) -> Vec<u8> {
        let data = (self.bytes.len() - HEADER) as u32;
        self.bytes[4..8].copy_from_slice(&(data + 36).to_le_bytes());
        self.bytes[40..44].copy_from_slice(&data.to_le_bytes());
        self.bytes
    }
}
