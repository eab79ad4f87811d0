//! What a logged knock level listens to: the band of a recording of the same run whose energy, sampled as the log samples,
//! goes with it.
//!
//! Every band's energy rises with speed, and so does the log's level: that alone says nothing of the band. Bands are
//! therefore told apart by how far they go with the log beyond speed, each less its mean at that speed.

use super::grid::{BIN_HZ, Band};
use crate::stats::bootstrap::{self, Estimate, t_quantile};
use crate::stats::rate::Interval;

/// Combustions of a recording in the order of time.
pub struct Combustions {
    /// When each one's window closes, on the log's clock.
    pub t_s: Vec<f64>,
    /// 1/min.
    pub rpm: Vec<f64>,
    /// Channel each was heard on.
    pub channel: Vec<u16>,
    /// Cylinder, where known.
    pub cylinder: Vec<Option<u16>>,
    /// Bands tried.
    pub bands: Vec<Band>,
    /// Energy in the window, dB: one list a band, one value a combustion.
    pub level_db: Vec<Vec<f32>>,
}

/// Samples of one level column, in the order of time.
pub struct Samples {
    /// Time of each.
    pub t_s: Vec<f64>,
    /// Time of the sample before.
    pub before_s: Vec<f64>,
    /// dB, or 20 log10 of a linear level.
    pub level_db: Vec<f64>,
}

/// Which combustions a column may speak of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// All.
    All,
    /// Those heard on a channel.
    Channel(u16),
    /// Those of a cylinder.
    Cylinder(u16),
}

/// A figure with its 95 % interval over stretches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// The figure.
    pub value: f64,
    /// Its interval.
    pub within: Interval,
}

/// A level explained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Explained {
    /// The combustions it speaks of.
    pub of: Of,
    /// The band that goes with it best.
    pub band: Band,
    /// Its edges over resampled stretches, Hz: the lower within the first, the upper within the second.
    pub edges_hz: [Interval; 2],
    /// It holds the highest since the sample before; else it shows the last one.
    pub held: bool,
    /// Seconds from the window's end to the log.
    pub lag_s: Figure,
    /// dB of the log for each dB of the recording.
    pub slope: Figure,
    /// The log's level less the recording's where both are usual, dB.
    pub gain_db: Figure,
    /// The recording's level there, dB re full scale.
    pub middle_db: f64,
    /// Correlation.
    pub correlation: Figure,
    /// The same beyond what speed alone brings about.
    pub beyond_speed: Figure,
    /// Samples compared, and stretches they lie in.
    pub samples: usize,
    /// Stretches.
    pub stretches: usize,
}

/// Why a level is not explained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unheard {
    /// Samples and stretches both share: too few.
    Short(usize, usize),
    /// One of them hardly moves.
    Still,
    /// They do not go together; the best correlation.
    Unrelated(f64),
    /// They go together only as speed moves both.
    OnlySpeed(f64),
    /// Two bands that share nothing explain it equally well.
    TwoBands(Band, Band),
}

/// A stretch: far longer than levels remember, s.
const STRETCH_S: f64 = 3.0;
const FEWEST_STRETCHES: usize = 6;
const FEWEST_SAMPLES: usize = 100;
/// Samples compared at most: enough for any figure here.
const MOST_SAMPLES: usize = 4000;
/// Samples that lags are looked for with.
const LAG_SAMPLES: usize = 1500;
/// Lags tried, s, from the first step to the last; the coarse ones are so many steps apart. A single combustion shown at
/// 6000 1/min is told from the next only within 2 ms.
const LAG_STEP_S: f64 = 0.001;
const LAGS: std::ops::RangeInclusive<i32> = -100..=400;
const COARSE: usize = 4;
/// Around the best one lags are judged to so many steps.
const NEAR_LAGS: i32 = 60;
/// Lags are looked for with bands of so many bins.
const COARSE_BINS: usize = 4;
/// The clocks lie over each other to so much (checked on runs of known offset).
const CLOCK_S: f64 = 0.02;
/// A combustion further away says nothing of a sample, s.
const FAR_S: f64 = 0.5;
/// Width of the speed classes whose means are taken off, 1/min.
const CLASS_RPM: f64 = 250.0;
/// Either must scatter by so much, dB.
const LEAST_SPREAD_DB: f64 = 0.4;
/// Least lower ends of the correlations.
const LEAST_CORRELATION: f64 = 0.5;
const LEAST_BEYOND: f64 = 0.3;
const CONFIDENCE: f64 = 0.95;
const ROUNDS: usize = 300;
/// A frame spreads a tone over so many bins to each side: bands nearer than this share energy.
const SHARED_BINS: usize = 2;

/// Explains a column by the combustions it may speak of, the best of `candidates`.
///
/// # Errors
/// Why it can't be explained.
pub fn explain(combustions: &Combustions, samples: &Samples, candidates: &[Of]) -> Result<Explained, Unheard> {
    let mut best: Option<(f64, Pairing)> = None;
    let mut most = (0, 0);
    let steps: Vec<i32> = LAGS.step_by(COARSE).collect();
    for of in candidates {
        let chosen = combustions.of(*of);
        for held in [false, true] {
            for step in &steps {
                let pairing = Pairing::of(combustions, &chosen, samples, (*of, held, *step), LAG_SAMPLES);
                most = most.max((pairing.rows.len(), pairing.stretches));
                let coarse = combustions
                    .bands
                    .iter()
                    .enumerate()
                    .filter(|(_, band)| band.bins == COARSE_BINS && band.first.is_multiple_of(COARSE_BINS));
                let fit = coarse.filter_map(|(band, _)| pairing.sums(band, true).iter().sum::<Sums>().correlation());
                let Some(fit) = fit.max_by(f64::total_cmp) else { continue };
                if best.as_ref().is_none_or(|(least, _)| fit > *least) {
                    best = Some((fit, pairing));
                }
            }
        }
    }
    let Some((_, pairing)) = best else {
        let is_short = most.0 < FEWEST_SAMPLES || most.1 < FEWEST_STRETCHES;
        return Err(if is_short { Unheard::Short(most.0, most.1) } else { Unheard::Still });
    };
    let band = pairing.best_band().ok_or(Unheard::Still)?;
    let pairing = pairing.nearer(samples, band);
    let pairing = pairing.at(samples, pairing.step);
    judge(&pairing, samples, pairing.best_band().ok_or(Unheard::Still)?)
}

/// Judges the best band by stretches drawn again.
fn judge(pairing: &Pairing, samples: &Samples, band: usize) -> Result<Explained, Unheard> {
    let (count, stretches) = (pairing.rows.len(), pairing.stretches);
    if count < FEWEST_SAMPLES || stretches < FEWEST_STRETCHES {
        return Err(Unheard::Short(count, stretches));
    }
    let (raw, beyond) = (pairing.sums(band, false), pairing.sums(band, true));
    let all = raw.iter().sum::<Sums>();
    if all.spreads().into_iter().any(|spread| spread < LEAST_SPREAD_DB) {
        return Err(Unheard::Still);
    }
    let figure = |sums: &[Sums], of: &dyn Fn(Sums) -> Option<f64>| {
        let estimate = bootstrap::estimate(stretches, 1, |counts| of(drawn(sums, counts)))?;
        let Figure { value, within } = within(&estimate);
        Some(Figure { value, within: Interval { low: within.low.max(-1.0), high: within.high.min(1.0) } })
    };
    let short = || Unheard::Short(count, stretches);
    let correlation = figure(&raw, &Sums::correlation).ok_or_else(short)?;
    let beyond_speed = figure(&beyond, &Sums::correlation).ok_or_else(short)?;
    if correlation.within.low < LEAST_CORRELATION {
        return Err(Unheard::Unrelated(correlation.value));
    }
    if beyond_speed.within.low < LEAST_BEYOND {
        return Err(Unheard::OnlySpeed(beyond_speed.value));
    }
    let all_bands: Vec<Vec<Sums>> = (0..pairing.combustions.bands.len()).map(|k| pairing.sums(k, true)).collect();
    if let Some(rival) = rival(pairing, &all_bands, band) {
        let bands = &pairing.combustions.bands;
        return Err(Unheard::TwoBands(bands[band], bands[rival]));
    }
    let [middle_db, _] = all.means();
    let mut again = Again::of(pairing, &all_bands);
    let slopes = std::mem::take(&mut again.slopes).map(|slopes| middle_of(slopes, 0.0));
    let (slope, gain_db) = (all.slope().ok_or_else(short)?, all.gain(middle_db).ok_or_else(short)?);
    let own = pairing.combustions.bands[band];
    // The band's width is known to a bin, half of it at each edge.
    let by_width_db = 10.0 * (1.0 + 1.0 / own.bins as f64).log10();
    Ok(Explained {
        of: pairing.of,
        band: own,
        edges_hz: again.edges_hz.map(|edges| middle_of(edges, 0.5 * BIN_HZ)),
        held: pairing.held,
        lag_s: pairing.lag(samples, band),
        slope: Figure { value: slope, within: Interval { low: slopes[0].low, high: slopes[1].high } },
        gain_db: Figure { value: gain_db, within: middle_of(again.gain_db, by_width_db) },
        middle_db,
        correlation,
        beyond_speed,
        samples: count,
        stretches,
    })
}

/// The best band that shares nothing with the best of all, if stretches drawn again can't tell them apart.
fn rival(pairing: &Pairing, all: &[Vec<Sums>], best: usize) -> Option<usize> {
    let bands = &pairing.combustions.bands;
    let own = bands[best];
    let apart = |band: &Band| {
        band.first >= own.first + own.bins + SHARED_BINS || band.first + band.bins + SHARED_BINS <= own.first
    };
    let fit = |k: usize| all[k].iter().sum::<Sums>().correlation();
    let others = (0..bands.len()).filter(|k| apart(&bands[*k])).filter_map(|k| Some((k, fit(k)?)));
    let (other, _) = others.max_by(|a, b| a.1.total_cmp(&b.1))?;
    let ahead =
        |counts: &[f64]| Some(drawn(&all[best], counts).correlation()? - drawn(&all[other], counts).correlation()?);
    let estimate = bootstrap::estimate(pairing.stretches, 2, ahead)?;
    (within(&estimate).within.low <= 0.0).then_some(other)
}

/// What comes out when stretches are drawn again, the best band chosen anew each time.
#[derive(Default)]
struct Again {
    edges_hz: [Vec<f64>; 2],
    /// Of the log on the recording, and by the recording on the log: between them lies the truth whichever of the two
    /// scatters (R. Frisch, Statistical Confluence Analysis, 1934, from memory).
    slopes: [Vec<f64>; 2],
    gain_db: Vec<f64>,
}

impl Again {
    fn of(pairing: &Pairing, beyond: &[Vec<Sums>]) -> Again {
        let mut raw: Vec<Option<Vec<Sums>>> = vec![None; beyond.len()];
        let mut again = Again::default();
        for counts in bootstrap::draws(pairing.stretches, 3).take(ROUNDS) {
            let fit = |k: usize| drawn(&beyond[k], &counts).correlation().unwrap_or(-1.0);
            let best = (0..beyond.len()).map(|k| (k, fit(k))).max_by(|a, b| a.1.total_cmp(&b.1));
            let Some((best, _)) = best else { continue };
            let own = raw[best].get_or_insert_with(|| pairing.sums(best, false));
            let (all, sums) = (own.iter().sum::<Sums>(), drawn(own, &counts));
            let [middle_db, _] = all.means();
            let bounds = sums.slope_bounds().into_iter().flatten();
            again.slopes.iter_mut().zip(bounds).for_each(|(found, slope)| found.push(slope));
            again.gain_db.extend(sums.gain(middle_db));
            let range = pairing.combustions.bands[best].range_hz();
            again.edges_hz.iter_mut().zip(range).for_each(|(found, hz)| found.push(hz));
        }
        again
    }
}

/// The middle 95 % of values, `reach` more to either side.
fn middle_of(mut values: Vec<f64>, reach: f64) -> Interval {
    values.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| values.get((values.len() as f64 * share) as usize).copied();
    let last = values.last().copied().unwrap_or(f64::NAN);
    let tail = 0.5 * (1.0 - CONFIDENCE);
    Interval { low: at(tail).unwrap_or(last) - reach, high: at(1.0 - tail).unwrap_or(last) + reach }
}

fn within(estimate: &Estimate) -> Figure {
    let half = t_quantile((estimate.blocks as f64 - 1.0).max(1.0), CONFIDENCE) * estimate.error;
    Figure { value: estimate.value, within: Interval { low: estimate.value - half, high: estimate.value + half } }
}

impl Samples {
    /// Stretch of each sample, numbered without gaps.
    fn stretches(&self) -> Vec<u32> {
        let start_s = self.t_s.first().copied().unwrap_or(0.0);
        let (mut number, mut before) = (0, 0);
        let one = |t_s: &f64| {
            let stretch = ((t_s - start_s) / STRETCH_S) as u64;
            number += u32::from(stretch != before);
            before = stretch;
            number
        };
        self.t_s.iter().map(one).collect()
    }
}

impl Combustions {
    /// Indices of those of a kind.
    fn of(&self, of: Of) -> Vec<u32> {
        let is_own = |k: &usize| match of {
            Of::All => true,
            Of::Channel(channel) => self.channel.get(*k) == Some(&channel),
            Of::Cylinder(cylinder) => self.cylinder.get(*k) == Some(&Some(cylinder)),
        };
        (0..self.t_s.len()).filter(is_own).map(|k| k as u32).collect()
    }
}

/// A sample and the combustions it may show.
struct Row {
    level_db: f64,
    /// Places in [`Pairing::chosen`].
    from: u32,
    end: u32,
    stretch: u32,
    class: u32,
}

/// Samples laid beside combustions, sampled one way.
struct Pairing<'a> {
    combustions: &'a Combustions,
    chosen: Vec<u32>,
    of: Of,
    held: bool,
    step: i32,
    rows: Vec<Row>,
    /// Stretches that hold samples.
    stretches: usize,
}

impl<'a> Pairing<'a> {
    fn of(
        combustions: &'a Combustions,
        chosen: &[u32],
        samples: &Samples,
        (of, held, step): (Of, bool, i32),
        most: usize,
    ) -> Pairing<'a> {
        let lag_s = f64::from(step) * LAG_STEP_S;
        let time = |k: &u32| combustions.t_s.get(*k as usize).copied().unwrap_or(f64::INFINITY);
        let stride = samples.t_s.len() / most + 1;
        let numbers = samples.stretches();
        let row = |k: usize| {
            let (t_s, before_s) = (samples.t_s.get(k)? - lag_s, samples.before_s.get(k)? - lag_s);
            let end = chosen.partition_point(|one| time(one) <= t_s);
            let last = end.checked_sub(1)?;
            let last_one = *chosen.get(last)?;
            if t_s - time(&last_one) > FAR_S {
                return None;
            }
            let from = if held { chosen.partition_point(|one| time(one) <= before_s).min(last) } else { last };
            let class = combustions.rpm.get(last_one as usize)? / CLASS_RPM;
            let (level_db, stretch) = (*samples.level_db.get(k)?, *numbers.get(k)?);
            Some(Row { level_db, from: from as u32, end: end as u32, stretch, class: class as u32 })
        };
        let rows: Vec<Row> = (0..samples.t_s.len()).step_by(stride).filter_map(row).collect();
        let stretches = numbers.last().map_or(0, |last| *last as usize + 1);
        Pairing { combustions, chosen: chosen.to_vec(), of, held, step, rows, stretches }
    }

    /// Sums of each stretch: the recording's level in a band against the log's, beyond speed or as they are.
    fn sums(&self, band: usize, beyond_speed: bool) -> Vec<Sums> {
        let Some(levels) = self.combustions.level_db.get(band) else { return Vec::new() };
        let shown = |row: &Row| {
            let own = self.chosen.get(row.from as usize..row.end as usize).unwrap_or_default();
            let level = |k: &u32| levels.get(*k as usize).copied().unwrap_or(f32::NEG_INFINITY);
            f64::from(own.iter().map(level).fold(f32::NEG_INFINITY, f32::max))
        };
        let mut pairs: Vec<[f64; 2]> = self.rows.iter().map(|row| [shown(row), row.level_db]).collect();
        if beyond_speed {
            let classes = self.rows.iter().map(|row| row.class as usize + 1).max().unwrap_or(0).min(1000);
            let mut means = vec![Sums::default(); classes];
            for (row, pair) in self.rows.iter().zip(&pairs) {
                if let Some(mean) = means.get_mut(row.class as usize) {
                    mean.add(*pair);
                }
            }
            for (row, pair) in self.rows.iter().zip(&mut pairs) {
                let [x, y] = means.get(row.class as usize).map_or([0.0; 2], Sums::means);
                *pair = [pair[0] - x, pair[1] - y];
            }
        }
        let mut sums = vec![Sums::default(); self.stretches];
        for (row, pair) in self.rows.iter().zip(pairs) {
            if let Some(sum) = sums.get_mut(row.stretch as usize) {
                sum.add(pair);
            }
        }
        sums
    }

    /// The band that goes with the log best beyond speed.
    fn best_band(&self) -> Option<usize> {
        let fit = |k: usize| Some((k, self.sums(k, true).iter().sum::<Sums>().correlation()?));
        (0..self.combustions.bands.len()).filter_map(fit).max_by(|a, b| a.1.total_cmp(&b.1)).map(|(k, _)| k)
    }

    /// The best of the finer lags around.
    fn nearer(self, samples: &Samples, band: usize) -> Pairing<'a> {
        let reach = COARSE as i32 - 1;
        let fit = |pairing: &Pairing| pairing.sums(band, true).iter().sum::<Sums>().correlation().unwrap_or(-1.0);
        let near = (self.step - reach..=self.step + reach).filter(|step| LAGS.contains(step)).map(|step| {
            let pairing = self.at(samples, step);
            (fit(&pairing), pairing)
        });
        let best = near.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, pairing)| pairing);
        best.unwrap_or(self)
    }

    /// With all samples, at another lag.
    fn at(&self, samples: &Samples, step: i32) -> Pairing<'a> {
        Pairing::of(self.combustions, &self.chosen, samples, (self.of, self.held, step), MOST_SAMPLES)
    }
}

impl Pairing<'_> {
    /// The lag, and where the best lag lies when stretches are drawn again; the clocks' own error is added.
    fn lag(&self, samples: &Samples, band: usize) -> Figure {
        let coarse = COARSE as i32;
        let is_near = |step: &i32| {
            let apart = (step - self.step).abs();
            apart < coarse || (apart <= NEAR_LAGS && apart % coarse == 0)
        };
        let steps: Vec<i32> = LAGS.filter(is_near).collect();
        let at = |step: &i32| self.at(samples, *step).sums(band, true);
        let sums: Vec<Vec<Sums>> = steps.iter().map(at).collect();
        let best = |counts: Vec<f64>| {
            let fits = sums.iter().map(|sums| drawn(sums, &counts).correlation().unwrap_or(-1.0));
            let best = fits.zip(&steps).max_by(|a, b| a.0.total_cmp(&b.0));
            best.map(|(_, step)| f64::from(*step) * LAG_STEP_S)
        };
        let found = bootstrap::draws(self.stretches, 4).take(ROUNDS).filter_map(best).collect();
        let within = middle_of(found, CLOCK_S + 0.5 * LAG_STEP_S);
        Figure { value: f64::from(self.step) * LAG_STEP_S, within }
    }
}

/// Sums of pairs (recording, log).
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    count: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

impl Sums {
    fn add(&mut self, [x, y]: [f64; 2]) {
        if x.is_finite() && y.is_finite() {
            self.more(&Sums { count: 1.0, x, y, xx: x * x, xy: x * y, yy: y * y }, 1.0);
        }
    }

    fn more(&mut self, other: &Sums, times: f64) {
        self.count += times * other.count;
        self.x += times * other.x;
        self.y += times * other.y;
        self.xx += times * other.xx;
        self.xy += times * other.xy;
        self.yy += times * other.yy;
    }

    fn means(&self) -> [f64; 2] {
        if self.count > 0.0 { [self.x / self.count, self.y / self.count] } else { [0.0; 2] }
    }

    /// Variances of both and their covariance.
    fn variances(&self) -> [f64; 3] {
        let [x, y] = self.means();
        let n = self.count.max(1.0);
        [(self.xx / n - x * x).max(0.0), (self.yy / n - y * y).max(0.0), self.xy / n - x * y]
    }

    fn spreads(&self) -> [f64; 2] {
        let [x, y, _] = self.variances();
        [x.sqrt(), y.sqrt()]
    }

    fn correlation(self: Sums) -> Option<f64> {
        let [x, y, xy] = self.variances();
        (x > 0.0 && y > 0.0 && self.count > 2.0).then(|| xy / (x * y).sqrt())
    }

    /// Slope of the line with the least squares across it: both levels scatter, so neither is taken for exact.
    ///
    /// # Source
    /// R. J. Adcock, The Analyst 5 (1878) 53; W. E. Deming, Statistical Adjustment of Data (1943), equal variances (from
    /// memory).
    fn slope(self: Sums) -> Option<f64> {
        let [x, y, xy] = self.variances();
        (xy > 0.0).then(|| (y - x + ((y - x).powi(2) + 4.0 * xy * xy).sqrt()) / (2.0 * xy))
    }

    /// Least squares of the log on the recording, and of the recording on the log turned round.
    fn slope_bounds(self: Sums) -> Option<[f64; 2]> {
        let [x, y, xy] = self.variances();
        (xy > 0.0 && x > 0.0).then(|| [xy / x, y / xy])
    }

    /// The log's level by that line where the recording's is `x`, less `x`.
    fn gain(self: Sums, x: f64) -> Option<f64> {
        let [own, log] = self.means();
        Some(log + self.slope()? * (x - own) - x)
    }
}

impl<'a> std::iter::Sum<&'a Sums> for Sums {
    fn sum<I: Iterator<Item = &'a Sums>>(all: I) -> Sums {
        all.fold(Sums::default(), |mut sum, one| {
            sum.more(one, 1.0);
            sum
        })
    }
}

/// Stretches, each as often as drawn.
fn drawn(sums: &[Sums], counts: &[f64]) -> Sums {
    sums.iter().zip(counts).fold(Sums::default(), |mut sum, (one, times)| {
        sum.more(one, *times);
        sum
    })
}
