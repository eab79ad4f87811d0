//! A card that another worker helps, against the same card worked alone: whatever is done elsewhere, in whatever order it
//! comes back, lost on the way, damaged or no longer wanted, the same result and the same texts come out, to the last digit.
//!
//! check: recordings worked by two | the same worked by one | the same result and texts

use outside_truth::breaking::Draw;
use ringdown::card::{Card, Choices, Errand, FileId, FileRole, Input, Runner};
use ringdown::out::{result, section};
use ringdown::synth::{Demo, DemoFile, Evening};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

/// Evening two in full, three as an excerpt: recordings and their card; a recording without a sheet, whose speed is told by ear.
fn files() -> &'static [DemoFile] {
    static FILES: OnceLock<Vec<DemoFile>> = OnceLock::new();
    FILES.get_or_init(|| {
        let all = [Demo::new(Evening::Two), Demo::excerpt(Evening::Three), Demo::excerpt(Evening::Stranger)];
        let all = all.into_iter().flat_map(Demo::finish);
        all.filter(|file| !file.name.ends_with(".truth.json") && !file.name.ends_with(".csv")).collect()
    })
}

fn input(file: &DemoFile) -> Input {
    Input::from_bytes(file.name.clone(), file.bytes.clone())
}

/// What becomes of errands.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Helper {
    None,
    /// Done at once.
    Eager,
    /// A step of each for a step of the card.
    Abreast,
    /// Done when the card can't go on without, or every now and then.
    Late,
    /// By chance done or not; now and then damaged, after which a file is left alone.
    Careless(u64),
    /// None is ever done.
    Failing,
}

struct Mate {
    helper: Helper,
    draw: Draw,
    out: Vec<Errand>,
    runners: BTreeMap<FileId, Runner>,
    begun: Option<u32>,
    /// Kinds of errands brought back.
    kinds: BTreeSet<u8>,
}

impl Mate {
    fn new(helper: Helper) -> Self {
        let seed = if let Helper::Careless(seed) = helper { seed } else { 1 };
        Self {
            helper,
            draw: Draw::new(seed),
            out: vec![],
            runners: BTreeMap::new(),
            begun: None,
            kinds: BTreeSet::new(),
        }
    }

    /// Up to two errands at once, as the page has it.
    fn ask(&mut self, card: &mut Card) {
        while self.helper != Helper::None && self.out.iter().all(|errand| errand.is_short) && self.out.len() < 2 {
            let Some(errand) = card.errand(|_| true) else { return };
            self.out.push(errand);
        }
    }

    /// A step of the oldest errand; whether there was one.
    fn step(&mut self, card: &mut Card) -> bool {
        let Some(errand) = self.out.first() else { return false };
        let (number, kind) = (errand.number, errand.order[0]);
        let runner = self.runners.entry(errand.file).or_insert_with(|| {
            let file = card.file(errand.file).expect("the file of the errand");
            Runner::new(input(files().iter().find(|own| own.name == file.input.name).expect("a file of the demo")))
        });
        if self.begun != Some(number) {
            runner.begin(&errand.order).expect("an errand for this file");
            self.begun = Some(number);
        }
        let Some(mut brought) = runner.step().expect("a readable file") else { return true };
        self.out.remove(0);
        let fate = match self.helper {
            Helper::Careless(_) => self.draw.below(30),
            Helper::Failing => 0,
            _ => 29,
        };
        match fate {
            0 => card.take_back(number, None),
            2..10 => card.recall(number),
            1 => {
                brought.truncate(self.draw.below(brought.len()));
                card.take_back(number, Some(&brought));
            }
            _ => {
                self.kinds.insert(kind);
                card.take_back(number, Some(&brought));
            }
        }
        true
    }
}

/// All that a card says.
fn said(card: &Card) -> Value {
    let views: Vec<_> = (1..=11).map(|number| json!(section::view(card, number))).collect();
    let hashes: Vec<_> = card.files().iter().map(|file| json!([file.sha256, file.notes])).collect();
    json!({"result": result::result(card), "views": views, "hashes": hashes})
}

fn given() -> Choices {
    Choices { band: Some([5200.0, 6600.0]), window: Some([8.0, 50.0]), ..Choices::default() }
}

/// Works the demo with such a helper; `change` after so many steps, a band and back.
fn worked(helper: Helper, choices: &Choices, change: Option<usize>) -> (Value, BTreeSet<u8>) {
    let mut card = Card::default();
    card.leave_search();
    for file in files() {
        card.add(input(file), file.role.and_then(FileRole::of_word)).expect("the demo is read");
    }
    card.choose(choices.clone()).expect("good choices");
    let mut mate = Mate::new(helper);
    let mut steps = 0;
    loop {
        mate.ask(&mut card);
        let step = card.step();
        if step.progress.done {
            break;
        }
        assert!(!step.waiting || !mate.out.is_empty(), "the card waits for nothing");
        match helper {
            Helper::Late if !step.waiting && steps % 30 > 0 => {}
            Helper::Eager | Helper::Late => while mate.step(&mut card) {},
            _ => _ = mate.step(&mut card),
        }
        steps += 1;
        if change.is_some_and(|change| steps % change == 0) && steps < 100 {
            card.choose(Choices { band: Some([7000.0, 9000.0]), ..choices.clone() }).expect("good choices");
            card.step();
            card.choose(choices.clone()).expect("good choices");
        }
    }
    (said(&card), mate.kinds)
}

fn assert_same(one: &Value, other: &Value, what: &str) {
    if one != other {
        let (one, other) = (one.to_string(), other.to_string());
        let at = one.bytes().zip(other.bytes()).position(|(a, b)| a != b).unwrap_or(0);
        let near = |text: &str| text.get(at.saturating_sub(200)..(at + 100).min(text.len())).unwrap_or("").to_owned();
        panic!("{what}:\n{}\nagainst\n{}", near(&one), near(&other));
    }
}

#[test]
fn two_workers_say_what_one_says() {
    let (alone, none) = worked(Helper::None, &given(), None);
    assert!(none.is_empty() && alone["result"]["limits"].as_array().is_some_and(|limits| !limits.is_empty()));
    let mut all = BTreeSet::new();
    for helper in [Helper::Eager, Helper::Abreast, Helper::Late, Helper::Careless(7), Helper::Careless(8)] {
        let (both, kinds) = worked(helper, &given(), None);
        assert_same(&alone, &both, &format!("{helper:?}"));
        assert!(kinds.len() > 1, "{helper:?}: {kinds:?}");
        all.extend(kinds);
    }
    assert_eq!(all, [0, 1, 2, 3].into(), "survey, events, sensors, hash");
    let (failing, kinds) = worked(Helper::Failing, &given(), None);
    assert_same(&alone, &failing, "nothing is ever done");
    assert!(kinds.is_empty());
    for (helper, change) in [(Helper::Abreast, 3), (Helper::Late, 7), (Helper::Careless(9), 5)] {
        let (both, _) = worked(helper, &given(), Some(change));
        assert_same(&alone, &both, &format!("{helper:?}, another band every {change} steps"));
    }
}

#[test]
fn two_workers_find_the_band_that_one_finds() {
    let (alone, _) = worked(Helper::None, &Choices::default(), None);
    let (both, _) = worked(Helper::Abreast, &Choices::default(), None);
    assert_same(&alone, &both, "band and window searched for");
}

/// Bytes that are no order are refused, whatever they hold.
#[test]
fn an_order_of_junk_is_refused_or_done() {
    let file = &files()[0];
    let mut draw = Draw::new(3);
    let mut card = Card::default();
    for file in files() {
        card.add(input(file), None).expect("the demo is read");
    }
    // a saved card knows the recordings by their hash, which comes first
    let order = std::iter::repeat_with(|| {
        card.step();
        card.errand(|_| true)
    });
    let order = order.take(1000).flatten().next().expect("a survey to be shared").order;
    let mut refused = 0;
    for _ in 0..200 {
        let mut junk = order.clone();
        (0..=draw.below(8)).for_each(|_| {
            let at = draw.below(junk.len());
            junk[at] = draw.below(256) as u8;
        });
        junk.truncate(1 + draw.below(junk.len()));
        let mut runner = Runner::new(input(file));
        refused += usize::from(runner.begin(&junk).and_then(|()| runner.step()).is_err());
    }
    assert!(refused > 20, "{refused} of 200 refused");
}
