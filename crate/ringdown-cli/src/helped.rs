//! The card's work with another core's help: a thread does errands about the recordings it can open itself.

use ringdown::card::{Card, Errand, FileId, Input, Runner};
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::SystemTime;

/// Works the card to its end, telling the share done after each step.
pub fn work(card: &mut Card, paths: &[PathBuf], mut tell: impl FnMut(f64)) {
    let open = reachable(card, paths);
    let several = std::thread::available_parallelism().is_ok_and(|cores| cores.get() > 1);
    std::thread::scope(|scope| {
        let mut mate = (several && !open.is_empty()).then(|| {
            let (orders, errands) = channel();
            let (results, brought) = channel();
            let open = &open;
            scope.spawn(move || serve(open, &errands, &results));
            Mate { orders, brought, out: Vec::new() }
        });
        loop {
            if let Some(mate) = &mut mate {
                mate.take(card, false);
                mate.give(card, &open);
            }
            let step = card.step();
            tell(step.progress.share);
            if step.progress.done {
                return;
            }
            if step.waiting
                && let Some(mate) = &mut mate
            {
                mate.take(card, true);
            }
        }
    });
}

/// Where a file lies, and when it was last changed.
type Place = (PathBuf, Option<SystemTime>);

fn changed(path: &Path) -> Option<SystemTime> {
    std::fs::metadata(path).and_then(|metadata| metadata.modified()).ok()
}

/// Files the thread can open by their path. Two of one name and length can't be told apart, files of an archive or joined
/// ones have no path.
fn reachable(card: &Card, paths: &[PathBuf]) -> HashMap<FileId, Place> {
    let is = |path: &PathBuf, input: &Input| {
        path.file_name().is_some_and(|name| name.to_string_lossy() == input.name)
            && std::fs::metadata(path).is_ok_and(|metadata| metadata.len() == input.bytes)
    };
    let only = |input: &Input| {
        let mut same = paths.iter().filter(|path| is(path, input));
        same.next().filter(|_| same.next().is_none()).map(|path| (path.clone(), changed(path)))
    };
    card.recordings().filter_map(|(file, _)| Some((file.id, only(&file.input)?))).collect()
}

type Brought = (u32, Option<Vec<u8>>);

/// The thread as the card's side sees it.
struct Mate {
    orders: Sender<(Errand, ringdown::read::Told)>,
    brought: Receiver<Brought>,
    out: Vec<(u32, bool)>,
}

impl Mate {
    /// One errand, and one more behind a short one, so that the thread never stands idle.
    fn give(&mut self, card: &mut Card, open: &HashMap<FileId, Place>) {
        while self.out.is_empty() || matches!(self.out[..], [(_, true)]) {
            let Some(errand) = card.errand(|id| open.contains_key(&id)) else { return };
            let (number, is_short) = (errand.number, errand.is_short);
            let told = card.file(errand.file).map(|file| file.input.told.clone()).unwrap_or_default();
            if self.orders.send((errand, told)).is_err() {
                card.take_back(number, None);
                return;
            }
            self.out.push((number, is_short));
        }
    }

    /// Hands the card what has come; `patient`: once something has.
    fn take(&mut self, card: &mut Card, patient: bool) {
        let first = if patient { self.brought.recv().ok() } else { None };
        if patient && first.is_none() {
            self.out.drain(..).for_each(|(number, _)| card.take_back(number, None)); // the thread broke down
        }
        for (number, brought) in first.into_iter().chain(self.brought.try_iter()) {
            self.out.retain(|(out, _)| *out != number);
            card.take_back(number, brought.as_deref());
        }
    }
}

/// Does errands until nobody gives any more.
fn serve(open: &HashMap<FileId, Place>, errands: &Receiver<(Errand, ringdown::read::Told)>, results: &Sender<Brought>) {
    let mut runners: HashMap<FileId, Runner> = HashMap::new();
    while let Ok((errand, told)) = errands.recv() {
        let done = open.get(&errand.file).filter(|(path, then)| changed(path) == *then).and_then(|(path, _)| {
            let runner = match runners.entry(errand.file) {
                std::collections::hash_map::Entry::Occupied(known) => known.into_mut(),
                std::collections::hash_map::Entry::Vacant(new) => {
                    new.insert(Runner::new(crate::files::input_told(path, told).ok()?))
                }
            };
            runner.begin(&errand.order).ok()?;
            // What fails here fails in the card's own hands, too, and is told there.
            loop {
                if let Some(brought) = runner.step().ok()? {
                    return Some(brought);
                }
            }
        });
        if results.send((errand.number, done)).is_err() {
            return;
        }
    }
}
