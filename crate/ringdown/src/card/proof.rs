//! How the limits do against what the ear judged, against safe running, and over an ignition sweep.

use super::{Card, File, FileRole, Judged, MarkLabel};
use crate::card::recording::Recording;
use crate::stats::rate::Rate;
use crate::stats::roc::Roc;

/// What is known of how well the limits work.
#[derive(Debug, Clone, Default)]
pub struct Proof {
    /// Cycles labelled knock, and caught; `None` without labels.
    pub caught: Option<Rate>,
    /// Cycles labelled as not knocking, and alarmed.
    pub false_labelled: Option<Rate>,
    /// Safe events judged by limits learnt without them, and alarmed.
    pub false_held_out: Option<Rate>,
    /// Events of provoked files over their limit.
    pub over_limit: Option<Rate>,
    /// Level over floor of labelled knock against safe events and labelled quiet cycles.
    pub roc: Option<Roc>,
    /// Share over the limit at each marked ignition angle.
    pub sweep: Vec<(f64, Rate)>,
    /// Labelled cycles by cylinder: caught of knocking.
    pub by_group: Vec<(u16, Rate)>,
}

impl Card {
    /// Judges the judging; `None` before limits are learnt.
    pub fn proof(&self) -> Option<Proof> {
        let outcome = self.outcome()?;
        let files: Vec<(&File, &Recording, &[Judged])> = self
            .recordings()
            .filter(|(file, _)| matches!(file.role, FileRole::Knock | FileRole::Safe | FileRole::After))
            .filter_map(|(file, recording)| Some((file, recording, outcome.of(file.id)?)))
            .collect();
        let judged = || files.iter().flat_map(|(_, _, judged)| judged.iter()).filter(|event| event.knock().is_some());
        let over = |event: &&Judged| event.knock() == Some(true);
        let rate = |events: Vec<&Judged>| {
            let hits = events.iter().copied().filter(over).count() as u64;
            (!events.is_empty()).then_some(Rate { hits, trials: events.len() as u64 })
        };
        let labelled = |knock: bool| judged().filter(|event| event.label == Some(knock)).collect::<Vec<_>>();
        let over_floor = |events: &[&Judged]| -> Vec<f64> {
            events.iter().map(|event| f64::from(event.level_db - event.floor_db)).filter(|db| db.is_finite()).collect()
        };
        let (knocking, quiet) = (labelled(true), labelled(false));
        let safe: Vec<&Judged> = files
            .iter()
            .filter(|(file, ..)| file.role != FileRole::Knock)
            .flat_map(|(_, _, judged)| judged.iter())
            .filter(|event| event.used && event.knock().is_some())
            .collect();
        let provoked = files
            .iter()
            .filter(|(file, ..)| file.role == FileRole::Knock)
            .flat_map(|(_, _, judged)| judged.iter())
            .filter(|event| event.knock().is_some() && event.used);
        let by_group = (0..outcome.side.groups.len() as u16).filter_map(|group| {
            let own = knocking.iter().copied().filter(|event| event.group == group).collect();
            Some((group, rate(own)?))
        });
        Some(Proof {
            roc: Roc::new(&over_floor(&[safe.as_slice(), &quiet].concat()), &over_floor(&knocking)),
            by_group: by_group.collect(),
            caught: rate(knocking),
            false_labelled: rate(quiet),
            false_held_out: outcome.held_out.map(|(hits, trials)| Rate { hits, trials }),
            over_limit: rate(provoked.collect()),
            sweep: self.sweep(&files),
        })
    }

    /// Marked stretches with an ignition angle, pooled by angle.
    fn sweep(&self, files: &[(&File, &Recording, &[Judged])]) -> Vec<(f64, Rate)> {
        let mut sweep: Vec<(f64, Rate)> = Vec::new();
        for mark in self.marks().iter().filter(|mark| mark.label != MarkLabel::Exclude) {
            let Some(deg) = mark.ignition_deg_btdc else { continue };
            for (_, recording, judged) in files.iter().filter(|(file, ..)| file.input.name == mark.file) {
                let Some(crank) = recording.crank() else { continue };
                let inside = crank.events.iter().zip(judged.iter());
                for (_, event) in inside.filter(|(event, _)| (mark.from_s..mark.to_s).contains(&event.t_s)) {
                    let Some(knock) = event.knock() else { continue };
                    let at = sweep.iter().position(|(known, _)| (known - deg).abs() < 1e-6).unwrap_or_else(|| {
                        sweep.push((deg, Rate { hits: 0, trials: 0 }));
                        sweep.len() - 1
                    });
                    sweep[at].1.trials += 1;
                    sweep[at].1.hits += u64::from(knock);
                }
            }
        }
        sweep.sort_by(|a, b| a.0.total_cmp(&b.0));
        sweep
    }
}
