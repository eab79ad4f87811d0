//! What all peers read, written once: noise, a recording, logs, and long recordings made of the demo's runs.

use crate::Outcome;
use ringdown::synth::{Demo, Evening};
use ringdown_bench as work;
use std::fs::{self, File};
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::Path;

/// Frames of the recording that the readers are timed on: 500 MB of 24 bits, four channels.
const SOUND_FRAMES: u32 = 41_700_000;
/// What peer.py takes for this engine: 0.88 and 1.10 of its first mode, and its window.
const PEER_BAND_HZ: [f64; 2] = [5246.0, 6557.0];
const PEER_WINDOW_DEG_ATDC: [f64; 2] = [8.0, 50.0];
const LOG_ROWS: [usize; 4] = [10_000, 100_000, 1_000_000, 5_000_000];

/// Writes what all peers read; keeps what is there.
pub fn make(folder: &Path, minutes: &[String]) -> Outcome<()> {
    fs::create_dir_all(folder)?;
    new_file(&folder.join("noise.f32"), |out| {
        work::noise(work::NOISE_SAMPLES, 1).iter().try_for_each(|sample| out.write_all(&sample.to_le_bytes()))
    })?;
    new_file(&folder.join("sound.wav"), sound)?;
    for rows in LOG_ROWS {
        new_file(&folder.join(format!("log-{rows}.csv")), |out| log(out, rows))?;
    }
    new_file(&folder.join("log-wide.csv"), |out| wide_log(out, 1_000_000))?;
    fs::copy(folder.join("log-1000000.csv"), folder.join("log.csv"))?;
    minutes.iter().try_for_each(|minutes| job(folder, minutes.parse()?))
}

fn new_file(path: &Path, fill: impl FnOnce(&mut BufWriter<File>) -> std::io::Result<()>) -> Outcome<()> {
    if path.exists() {
        return Ok(());
    }
    let part = path.with_extension("part");
    let mut out = BufWriter::with_capacity(1 << 20, File::create(&part)?);
    fill(&mut out)?;
    out.flush()?;
    Ok(fs::rename(part, path)?)
}

/// Header of a wave file of `bytes` of data (RIFF, format 1).
fn riff(out: &mut impl Write, channels: u16, bits: u16, bytes: u32) -> std::io::Result<()> {
    let block = channels * bits / 8;
    out.write_all(b"RIFF")?;
    out.write_all(&(bytes + 36).to_le_bytes())?;
    out.write_all(b"WAVEfmt \x10\0\0\0\x01\0")?;
    out.write_all(&channels.to_le_bytes())?;
    out.write_all(&48_000_u32.to_le_bytes())?;
    out.write_all(&(48_000 * u32::from(block)).to_le_bytes())?;
    out.write_all(&block.to_le_bytes())?;
    out.write_all(&bits.to_le_bytes())?;
    out.write_all(b"data")?;
    out.write_all(&bytes.to_le_bytes())
}

fn sound(out: &mut BufWriter<File>) -> std::io::Result<()> {
    riff(out, 4, 24, SOUND_FRAMES * 12)?;
    let noise = work::noise(1 << 20, 2);
    for sample in noise.iter().cycle().take(SOUND_FRAMES as usize * 4) {
        let [low, middle, high, _] = ((sample * 8_388_607.0) as i32).to_le_bytes();
        out.write_all(&[low, middle, high])?;
    }
    Ok(())
}

/// A log of 20 columns at 100 rows a second: time, speed, load, and plain channels, two or three decimals.
fn log(out: &mut BufWriter<File>, rows: usize) -> std::io::Result<()> {
    write!(out, "Time (s),Speed (rpm),Load (kPa),Knock level 1 (dB),Knock level 2 (dB)")?;
    (1..=15).try_for_each(|channel| write!(out, ",Channel {channel}"))?;
    let noise = work::noise(1 << 20, 3);
    let mut noise = noise.iter().cycle();
    let mut next = || f64::from(noise.next().copied().unwrap_or_default());
    for row in 0..rows {
        let swing = (row as f64 * 0.001).sin();
        write!(out, "\n{:.2},{:.1},{:.2}", row as f64 * 0.01, 4000.0 + 2000.0 * swing, 70.0 + 30.0 * swing)?;
        (0..2).try_for_each(|_| write!(out, ",{:.2}", 30.0 + 10.0 * next()))?;
        (0..15).try_for_each(|_| write!(out, ",{:.3}", 100.0 * next()))?;
    }
    writeln!(out)
}

/// A log of 40 channels as control units write them: what is driven, two knock levels, what was done, plain channels.
fn wide_log(out: &mut BufWriter<File>, rows: usize) -> std::io::Result<()> {
    write!(out, "Time (s),Speed (rpm),Load (kPa),Throttle (%),Ignition (deg),Knock correction (deg),Coolant (degC)")?;
    write!(out, ",Knock level 1 (dB),Knock level 2 (dB)")?;
    (1..=31).try_for_each(|channel| write!(out, ",Channel {channel}"))?;
    let noise = work::noise(1 << 20, 4);
    let mut noise = noise.iter().cycle();
    let mut next = || f64::from(noise.next().copied().unwrap_or_default());
    for row in 0..rows {
        let swing = (row as f64 * 0.001).sin();
        write!(out, "\n{:.2},{:.0},{:.1}", row as f64 * 0.01, 4000.0 + 2000.0 * swing, 70.0 + 30.0 * swing)?;
        write!(out, ",{:.1},{:.1},0,88", 55.0 + 40.0 * swing, 24.0 - 4.0 * swing)?;
        (0..2).try_for_each(|_| write!(out, ",{:.2}", 30.0 + 4.0 * swing + 6.0 * (next() + next())))?;
        for channel in 0..31 {
            match channel % 4 {
                0 => write!(out, ",{:.0}", 128.0 + 400.0 * next())?,
                1 => write!(out, ",{:.1}", 90.0 + 20.0 * next())?,
                2 => write!(out, ",{:.2}", 14.7 + next())?,
                _ => write!(out, ",{:.3}", 4.0 * next())?,
            }
        }
    }
    writeln!(out)
}

/// The demo's run without knock, then with, over and over for so many minutes, as one recording with its truth.
fn job(folder: &Path, minutes: f64) -> Outcome<()> {
    let path = folder.join(format!("job-{minutes}.wav"));
    if path.exists() {
        return Ok(());
    }
    let runs = [Evening::Two, Evening::Three].map(|evening| Demo::new(evening).finish());
    let mut out = BufWriter::with_capacity(1 << 20, File::create(&path)?);
    let (mut bytes, mut from_s, mut events) = (0_u64, 0.0, Vec::new());
    let wanted = (minutes * 60.0 * 48_000.0) as u64;
    let mut format = (0, 0);
    riff(&mut out, 4, 16, 0)?;
    for files in runs.iter().cycle() {
        let of = |end: &str| files.iter().find(|file| file.name.ends_with(end)).ok_or("the demo lacks a file");
        let reader = hound::WavReader::new(of(".wav")?.bytes.as_slice())?;
        let (spec, frames) = (reader.spec(), u64::from(reader.duration()));
        format = (spec.channels, spec.bits_per_sample);
        let block = u64::from(format.0 * format.1 / 8);
        let start = of(".wav")?.bytes.len() as u64 - frames * block;
        let sound = of(".wav")?.bytes.get(start as usize..).ok_or("the demo's recording is cut")?;
        out.write_all(sound)?;
        let truth: serde_json::Value = serde_json::from_slice(&of(".truth.json")?.bytes)?;
        for event in truth["events"].as_array().into_iter().flatten() {
            let mut event = event.clone();
            event["t_s"] = (event["t_s"].as_f64().ok_or("an event without its time")? + from_s).into();
            events.push(event);
        }
        bytes += sound.len() as u64;
        from_s = bytes as f64 / block as f64 / f64::from(spec.sample_rate);
        if bytes / block >= wanted {
            break;
        }
    }
    out.seek(SeekFrom::Start(0))?;
    // past 4 GB the header's word no longer holds the size: as recorders that lost power leave it
    riff(&mut out, format.0, format.1, u32::try_from(bytes).unwrap_or(u32::MAX - 36))?;
    out.flush()?;
    let sheet = runs[0].iter().find(|file| file.name.ends_with(".sheet.json")).ok_or("the demo lacks a sheet")?;
    fs::write(folder.join(format!("job-{minutes}.sheet.json")), &sheet.bytes)?;
    let card = serde_json::json!({
        "card": 1,
        "sheet": serde_json::from_slice::<serde_json::Value>(&sheet.bytes)?,
        "choices": { "band": PEER_BAND_HZ, "window": PEER_WINDOW_DEG_ATDC },
    });
    fs::write(folder.join(format!("job-{minutes}.card.json")), serde_json::to_vec(&card)?)?;
    Ok(fs::write(
        folder.join(format!("job-{minutes}.truth.json")),
        serde_json::to_vec(&serde_json::json!({ "events": events }))?,
    )?)
}
