//! scratch
use ringdown::card::{Card, Input};
use std::time::Instant;
fn main() {
    let path = std::env::args().nth(1).unwrap();
    let t = Instant::now();
    let log = ringdown::read::log::Log::read("a.csv", Box::new(std::fs::File::open(&path).unwrap()), None).unwrap();
    println!("read {:.3} s, rows {}", t.elapsed().as_secs_f64(), log.value.t_s.len());
    let sum: f64 = log.value.columns.iter().flat_map(|c| &c.values).filter(|v| v.is_finite()).sum();
    println!("sum {sum:.17e} {:?}", log.notes.len());
    drop(log);
    if std::env::args().len() > 2 {
        return;
    }
    let t = Instant::now();
    let mut card = Card::default();
    let bytes = std::fs::metadata(&path).unwrap().len();
    let p = path.clone();
    let input = Input {
        name: "a.csv".into(),
        bytes,
        open: Box::new(move || Ok(Box::new(std::fs::File::open(&p)?) as Box<_>)),
        told: Default::default(),
    };
    card.add(input, None).unwrap();
    println!("added {:.3}", t.elapsed().as_secs_f64());
    loop {
        let t1 = Instant::now();
        let step = card.step();
        if t1.elapsed().as_secs_f64() > 0.02 {
            println!("step {:?} {:.3} at {:.3}", step.section, t1.elapsed().as_secs_f64(), t.elapsed().as_secs_f64());
        }
        if step.section == Some(11) || step.progress.done {
            break;
        }
    }
    for n in 1..=11 {
        let t1 = Instant::now();
        let v = ringdown::out::section::view(&card, n);
        println!("view {n} {:.3}", t1.elapsed().as_secs_f64());
        drop(v);
    }
    println!("all {:.3}", t.elapsed().as_secs_f64());
}
