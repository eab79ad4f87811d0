//! One native peer: told by a line when to work once, answers with milliseconds and the figure that came out.
//!
//! usage: runner data FOLDER [MINUTES...] | runner WORK FOLDER | runner criterion FOLDER WORK...

mod data;

use ringdown::read::Source;
use ringdown_bench as work;
use std::error::Error;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

type Outcome<T> = Result<T, Box<dyn Error>>;

fn main() -> Outcome<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match args.as_slice() {
        [verb, folder, minutes @ ..] if verb == "data" => data::make(Path::new(folder), minutes),
        [verb, folder, works @ ..] if verb == "criterion" => by_criterion(Path::new(folder), works),
        [work, folder] => serve(work, Path::new(folder)),
        _ => {
            Err("usage: runner data FOLDER [MINUTES...] | runner WORK FOLDER | runner criterion FOLDER WORK...".into())
        }
    }
}

/// Work that can be repeated: the figure that comes out.
type Work = Box<dyn FnMut() -> Outcome<f64>>;

fn serve(name: &str, folder: &Path) -> Outcome<()> {
    let mut work = named(name, folder)?;
    println!("ready");
    for line in std::io::stdin().lines() {
        line?;
        let start = Instant::now();
        let figure = work()?;
        println!("{} {figure}", start.elapsed().as_secs_f64() * 1e3);
    }
    Ok(())
}

/// Each work by itself, as criterion measures: warmed up, ten samples, intervals by resampling. What it finds lies in the
/// folder that `CRITERION_HOME` names.
fn by_criterion(folder: &Path, works: &[String]) -> Outcome<()> {
    let mut criterion = criterion::Criterion::default()
        .without_plots()
        .sample_size(10)
        .warm_up_time(Duration::from_millis(500))
        .measurement_time(Duration::from_secs(2));
    for name in works {
        let mut work = named(name, folder)?;
        let mut broken = None;
        criterion.bench_function(name, |bencher| {
            bencher.iter(|| {
                work().unwrap_or_else(|error| {
                    broken = Some(error.to_string());
                    f64::NAN
                })
            });
        });
        if let Some(why) = broken {
            return Err(why.into());
        }
    }
    Ok(())
}

fn named(name: &str, folder: &Path) -> Outcome<Work> {
    let folder = folder.to_owned();
    let file = move |name: &str| folder.join(name);
    Ok(match name {
        "stft-1" => spectrogram(&file("noise.f32"), 1)?,
        "stft-2" => spectrogram(&file("noise.f32"), 2)?,
        "bands-1" => bands(&file("noise.f32"), 1, work::bands_db)?,
        "bands-2" => bands(&file("noise.f32"), 2, work::bands_db)?,
        "bands-single-2" => bands(&file("noise.f32"), 2, work::bands_single_db)?,
        "search" => shared(noise(&file("noise.f32"))?, 1, |samples, _| work::search_score(samples)),
        "log" => reading(file("log.csv"), |source| Ok(work::log_sum(source)?)),
        "wave" => reading(file("sound.wav"), |source| Ok(work::wave_mean_square(source, 0, 1)?)),
        "bare" => reading(file("sound.wav"), |mut source| Ok(work::bare_read(source.as_mut())? as f64)),
        "hound" => Box::new(move || hound_mean_square(&file("sound.wav"))),
        other => return Err(format!("there is no work named {other}").into()),
    })
}

fn noise(path: &Path) -> Outcome<Vec<f32>> {
    Ok(fs::read(path)?.chunks_exact(4).filter_map(|four| four.try_into().ok().map(f32::from_le_bytes)).collect())
}

/// Halves of the same noise, each in a thread of its own where there are two.
fn shared(samples: Vec<f32>, threads: usize, work: impl Fn(&[f32], &mut Vec<f32>) -> f64 + Sync + 'static) -> Work {
    let mut out = vec![Vec::new(); threads];
    let share = samples.len().div_ceil(threads);
    Box::new(move || {
        let figures = std::thread::scope(|scope| {
            let parts = samples.chunks(share).zip(&mut out);
            let started: Vec<_> = parts.map(|(part, out)| scope.spawn(|| work(part, out))).collect();
            started.into_iter().map(std::thread::ScopedJoinHandle::join).collect::<Vec<_>>()
        });
        let figures: Vec<f64> = figures.into_iter().collect::<Result<_, _>>().map_err(|_| "a thread was lost")?;
        Ok(figures.iter().sum::<f64>() / figures.len() as f64)
    })
}

fn spectrogram(path: &Path, threads: usize) -> Outcome<Work> {
    Ok(shared(noise(path)?, threads, work::spectrogram_mean_db))
}

fn bands(path: &Path, threads: usize, filter: fn(&[f32]) -> f64) -> Outcome<Work> {
    Ok(shared(noise(path)?, threads, move |samples, _| filter(samples)))
}

fn reading(path: PathBuf, read: impl Fn(Box<dyn Source>) -> Outcome<f64> + 'static) -> Work {
    Box::new(move || read(Box::new(File::open(&path)?)))
}

/// What one writes with the usual crate: every sample to f32, as it comes.
fn hound_mean_square(path: &Path) -> Outcome<f64> {
    let mut reader = hound::WavReader::open(path)?;
    let scale = 1.0 / (1_i64 << (reader.spec().bits_per_sample - 1)) as f32;
    let samples: Vec<f32> =
        reader.samples::<i32>().map(|sample| sample.map(|sample| sample as f32 * scale)).collect::<Result<_, _>>()?;
    Ok(f64::from(samples.chunks(65_536).map(work::squares).sum::<f32>()) / samples.len().max(1) as f64)
}
