//! A sensor that loses the engine on the way: a cable that breaks, a plug that works loose, an input that drops out.

use super::spectra::REST_BELOW_RPM;
use crate::stats::robust::{Definition, quantile, sorted};
use std::collections::BTreeMap;

/// Width of a row of like speeds, 1/min.
const ROW_RPM: f32 = 500.0;
/// A sensor that falls so far below what it usually hears at that speed, or at any, has lost the engine: a closed throttle
/// takes off less than the first, all speeds of an engine differ by less than the second (common practice, no source).
const SILENT_AT_SPEED_DB: f64 = 25.0;
const SILENT_DB: f64 = 40.0;
/// Stretches in a row that it must last.
const LASTS: usize = 2;
/// What a sensor usually hears: so many of its stretches are quieter. It may be dead for most of the time.
const USUAL_SHARE: f64 = 0.97;

/// Share of the stretches with the engine turning in which a sensor hears nothing of it; `None` where there are no such
/// ones. `levels_db` and `speeds_rpm` (NaN where not known): one each for every stretch of some 0.1 s.
pub fn silent_share(levels_db: &[f64], speeds_rpm: &[f32]) -> Option<f64> {
    let turning =
        |(db, rpm): (&f64, &f32)| (f64::from(*rpm) >= REST_BELOW_RPM).then_some((*db, (rpm / ROW_RPM) as usize));
    let stretches: Vec<Option<(f64, usize)>> = levels_db.iter().zip(speeds_rpm).map(turning).collect();
    let mut by_row: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for (db, row) in stretches.iter().flatten() {
        by_row.entry(*row).or_default().push(*db);
    }
    let usual_db = |levels: &[f64]| quantile(&sorted(levels), USUAL_SHARE, Definition::Linear);
    let all: Vec<f64> = by_row.values().flatten().copied().collect();
    let all_db = usual_db(&all)?;
    let least_db = |(row, levels): (&usize, &Vec<f64>)| {
        Some((*row, (usual_db(levels)? - SILENT_AT_SPEED_DB).max(all_db - SILENT_DB)))
    };
    let least_db: BTreeMap<usize, f64> = by_row.iter().filter_map(least_db).collect();
    let is_silent = |stretch: &Option<(f64, usize)>| {
        stretch.is_some_and(|(db, row)| least_db.get(&row).is_some_and(|least_db| db < *least_db))
    };
    let runs = stretches.chunk_by(|a, b| is_silent(a) == is_silent(b)).filter(|run| is_silent(&run[0]));
    let silent: usize = runs.map(<[_]>::len).filter(|len| *len >= LASTS).sum();
    (silent > 0).then(|| silent as f64 / all.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two pulls from 1000 to 6000 1/min, 9 dB louder at the top; loud and quiet cycles 3 dB apart.
    fn pulls() -> (Vec<f64>, Vec<f32>) {
        let rpm = |at: usize| 1000.0 + 50.0 * (at % 100) as f32;
        let db = |at: usize| -50.0 + f64::from(rpm(at)) / 550.0 + [0.0, 3.0, 1.0][at % 3];
        ((0..200).map(db).collect(), (0..200).map(rpm).collect())
    }

    #[test]
    fn a_sensor_that_falls_silent_is_told_with_its_share_of_the_running() {
        for (from, share) in [(100, 0.5), (40, 0.8), (170, 0.15)] {
            let (mut db, rpm) = pulls();
            db[from..].fill(-90.0);
            let found = silent_share(&db, &rpm).expect("it is silent");
            assert!((found - share).abs() < 1e-9, "from {from}: {found}");
        }
        let (mut db, rpm) = pulls();
        (0..5).for_each(|at| db[20 + 30 * at..][..3].fill(-80.0));
        assert!((silent_share(&db, &rpm).expect("it drops out") - 15.0 / 200.0).abs() < 1e-9);
    }

    #[test]
    fn what_any_engine_does_is_no_silence() {
        let (db, rpm) = pulls();
        assert_eq!(silent_share(&db, &rpm), None);
        // a closed throttle, a standing engine, a single gap, unknown speed
        let mut overrun = db.clone();
        overrun[50..90].iter_mut().for_each(|db| *db -= 18.0);
        assert_eq!(silent_share(&overrun, &rpm), None);
        let mut standing = (db.clone(), rpm.clone());
        standing.0[150..].fill(-90.0);
        standing.1[150..].fill(0.0);
        assert_eq!(silent_share(&standing.0, &standing.1), None);
        let mut single = db.clone();
        single[77] = -90.0;
        assert_eq!(silent_share(&single, &rpm), None);
        assert_eq!(silent_share(&db, &vec![f32::NAN; 200]), None);
        assert_eq!(silent_share(&[], &[]), None);
    }
}
