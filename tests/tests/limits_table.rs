//! The table to type in: the same in section 8, on the hand-over sheet and as CSV; by a common rule, shaped, by sensor, in
//! the control unit's own steps. All on a short piece of the demo; truth is plain arithmetic on what is shown.
//!
//! check: section 8, hand-over and CSV in dB over floor | each other | every cell

use ringdown::card::choices::Shape;
use ringdown::card::{Card, Choices, FileRole, Input};
use ringdown::out::chart::figure;
use ringdown::out::figure::Layer;
use ringdown::out::table::{Layout, limits_csv};
use ringdown::out::view::Table;
use ringdown::out::{result, section};
use ringdown::synth::{Demo, Evening};
use serde_json::Value;

fn work(card: &mut Card) {
    while !card.step().progress.done {}
}

/// The safe evening's recording and sheet, cut short.
fn card() -> Card {
    let mut card = Card::default();
    for file in Demo::excerpt(Evening::Two).finish() {
        if file.name.ends_with(".truth.json") || file.name.ends_with(".csv") {
            continue;
        }
        let role = file.role.and_then(FileRole::of_word);
        card.add(Input::from_bytes(file.name, file.bytes), role).expect("the demo is read");
    }
    // An excerpt holds few cycles: one false alarm in a hundred is what it can carry.
    card.choose(Choices {
        false_alarm: 0.01,
        breakpoints: Some(vec![2500.0, 3000.0, 4000.0, 9000.0]),
        ..Choices::default()
    })
    .expect("in range");
    work(&mut card);
    card
}

fn table(card: &Card, number: u8, id: &str) -> Table {
    let view = section::view(card, number).expect("a section");
    view.tables.into_iter().find(|table| table.id == id).unwrap_or_else(|| panic!("no table {id} in section {number}"))
}

/// Rows of the first block of the CSV: name and values, `None` where empty.
fn csv_rows(card: &Card) -> Vec<(String, Vec<Option<f64>>)> {
    let csv = limits_csv(card, Layout::default());
    let block = csv.split("\r\n").next().expect("a block");
    let line = |line: &str| {
        let mut cells = line.split(',').map(|cell| cell.trim_matches('"').to_owned());
        let name = cells.next().expect("a name");
        (name, cells.map(|cell| cell.parse().ok()).collect())
    };
    // The head's first cell holds a comma.
    block.lines().skip(1).filter(|text| !text.is_empty()).map(line).collect()
}

fn same_table(card: &Card) {
    for (number, id) in [(8, "limits"), (11, "limits")] {
        let shown = table(card, number, id);
        let csv = csv_rows(card);
        assert!(!csv.is_empty());
        for ((name, values), row) in csv.iter().zip(&shown.rows) {
            assert_eq!(name, &row.cells[0].text);
            assert_eq!(values.len(), row.cells.len() - 1, "{name}");
            for (value, cell) in values.iter().zip(&row.cells[1..]) {
                match value {
                    Some(value) => assert_eq!(format!("{value:.1}"), cell.text, "{name}"),
                    None => assert!(cell.need && cell.text.starts_with('+'), "{name}: {}", cell.text),
                }
            }
        }
        // One more row in the section: false alarms a minute.
        assert_eq!(shown.rows.len(), csv.len() + 1);
    }
}

#[test]
fn section_8_the_sheet_handed_over_and_the_csv_hold_the_same_table() {
    let mut card = card();
    same_table(&card);
    let csv = csv_rows(&card);
    assert!(csv.iter().any(|(_, values)| values.iter().any(Option::is_some)), "{csv:?}");
    assert!(csv.iter().all(|(_, values)| values[3].is_none()), "nobody drove 9000 1/min: {csv:?}");
    let view = section::view(&card, 8).expect("limits");
    assert!(view.todo.iter().any(|act| act.contains("short pulls") && act.contains("9\u{202f}150")), "{:?}", view.todo);
    // One limit for each sensor: cylinders 1 and 2 have channel 1, 3 and 4 channel 2; no cylinder gets less over the floor than
    // its own, and what is typed in has one row for each sensor too.
    let mut sheet: Value = serde_json::to_value(card.sheet().expect("a sheet")).expect("JSON");
    sheet["control"]["per"] = "sensor".into();
    card.set_sheet(sheet.to_string().as_bytes()).expect("a good sheet");
    work(&mut card);
    let by_sensor = csv_rows(&card);
    assert_eq!(by_sensor.len(), 2, "{by_sensor:?}");
    same_table(&card);
    for (at, (_, shared)) in by_sensor.iter().enumerate() {
        for (_, own) in &csv[2 * at..2 * at + 2] {
            for (shared, own) in shared.iter().zip(own) {
                assert!(
                    shared.is_none_or(|shared| own.is_some_and(|own| shared >= own - 1e-6)),
                    "{shared:?} for {own:?}"
                );
            }
        }
    }
    let typed = table(&card, 11, "typed");
    let names =
        |rows: &[ringdown::out::view::Row]| rows.iter().map(|row| row.cells[0].text.clone()).collect::<Vec<_>>();
    assert_eq!(names(&typed.rows), by_sensor.iter().map(|(name, _)| name.clone()).collect::<Vec<_>>());
}

#[test]
fn a_common_rule_is_a_choice_that_says_what_it_gives() {
    let mut card = card();
    let own = card.choices().clone();
    card.choose(Choices { rule: Some("over-floor:8".into()), ..own.clone() }).expect("a rule");
    work(&mut card);
    let csv = csv_rows(&card);
    let given: Vec<f64> = csv.iter().flat_map(|(_, values)| values.iter().flatten().copied()).collect();
    assert!(!given.is_empty() && given.iter().all(|height| (height - 8.0).abs() < 1e-5), "{given:?}");
    let finding = section::view(&card, 8).expect("limits").finding;
    assert!(finding.contains("8 dB over the floor") && finding.contains('%'), "{finding}");
    let saved = result::card(&card);
    assert_eq!(saved["choices"]["rule"], "over-floor:8");
    for wrong in ["over-floor:0", "over-floor:1e9", "mean-plus:NaN", "whatever", "over-floor:", ":"] {
        assert!(card.choose(Choices { rule: Some(wrong.into()), ..own.clone() }).is_err(), "{wrong}");
    }
    card.choose(Choices { rule: Some("law".into()), ..own }).expect("the law");
}

#[test]
fn shapes_only_raise_limits() {
    let mut card = card();
    let limits = |card: &Card| -> Vec<Option<f64>> {
        result::result(card)["limits"].as_array().expect("limits").iter().map(|cell| cell["limit"].as_f64()).collect()
    };
    let own = card.choices().clone();
    let learnt = limits(&card);
    for shape in [Shape::Rising, Shape::Smoothed] {
        card.choose(Choices { shape, ..own.clone() }).expect("a shape");
        work(&mut card);
        for (shaped, learnt) in limits(&card).iter().zip(&learnt) {
            assert_eq!(shaped.is_some(), learnt.is_some());
            assert!(shaped >= learnt, "{shape:?}: {shaped:?} under {learnt:?}");
        }
    }
}

/// The demo's control unit takes dB over its background in steps of 0.1, and bands around listed centres.
#[test]
fn what_is_typed_in_stands_on_the_steps_of_the_control_unit_and_is_recounted() {
    let card = card();
    let (own, typed) = (card.outcome().and_then(|outcome| outcome.through_own.as_ref()), table(&card, 11, "typed"));
    for (cells, row) in own.expect("the sheet has a control unit").table.iter().zip(&typed.rows) {
        let name = &row.cells[0].text;
        for (cell, shown) in cells.iter().zip(&row.cells[1..]) {
            let (Some(limit), Some(floor)) = (cell.limit, cell.floor) else { continue };
            let value = limit - floor;
            let shown: f64 = shown.text.parse().unwrap_or_else(|_| panic!("{name}: no number"));
            assert!(shown >= value - 1e-6 && shown < value + 0.1, "{name}: {shown} for {value}");
            assert!((shown * 10.0 - (shown * 10.0).round()).abs() < 1e-9, "{shown}");
        }
    }
    assert!(typed.caption.contains(" safe cycles at hand"), "{}", typed.caption);
    let to_set = table(&card, 11, "to-set");
    let centre = &to_set.rows[0].cells[1].text;
    let listed = ["4.80", "5.10", "5.40", "5.70", "6.00", "6.30", "6.60", "6.90"];
    assert!(listed.iter().any(|khz| centre.starts_with(khz)), "{centre}");
}

/// Floor and limits handed over come from the control unit's own filter: each row is said, its numbers are those learnt, and
/// another quality, which lets less background through, lowers the floor.
#[test]
fn what_is_handed_over_is_measured_through_a_filter_like_the_control_units_own() {
    let mut card = card();
    let floors = |card: &Card| -> Vec<Option<f64>> {
        let own = card.outcome().and_then(|outcome| outcome.through_own.as_ref()).expect("a control unit");
        let shown = table(card, 11, "through-own");
        assert_eq!(shown.rows.len(), 2 * own.groups.len());
        for (cells, lines) in own.table.iter().zip(shown.rows.chunks(2)) {
            for ((cell, over), floor) in cells.iter().zip(&lines[0].cells[1..]).zip(&lines[1].cells[1..]) {
                let text = |value: Option<f64>| value.map_or_else(|| "–".to_owned(), |value| format!("{value:.1}"));
                assert_eq!(floor.text.replace('\u{2212}', "-"), text(cell.floor));
                assert_eq!(over.text, text(cell.limit.zip(cell.floor).map(|(limit, floor)| limit - floor)));
            }
        }
        own.table.iter().flatten().map(|cell| cell.floor).collect()
    };
    let wide = floors(&card);
    let mut sheet: Value = serde_json::to_value(card.sheet().expect("a sheet")).expect("JSON");
    sheet["control"]["q"] = 12.into();
    sheet["control"]["gain_db"] = serde_json::json!([0, 6.5]);
    card.set_sheet(sheet.to_string().as_bytes()).expect("a good sheet");
    work(&mut card);
    let narrow = floors(&card);
    let both = wide.iter().zip(&narrow).filter_map(|(wide, narrow)| Some(wide.as_ref()? - narrow.as_ref()?));
    let lower: Vec<f64> = both.collect();
    assert!(lower.len() > 5 && lower.iter().all(|db| *db > 1.0), "{lower:?} dB");
    let to_set = table(&card, 11, "to-set");
    assert!(to_set.rows.iter().any(|row| row.cells[1].text.contains("6.5")), "{to_set:?}");
    sheet["control"] = Value::Null;
    card.set_sheet(sheet.to_string().as_bytes()).expect("a good sheet");
    work(&mut card);
    assert!(card.outcome().is_some_and(|outcome| outcome.through_own.is_none()));
}

/// With load breakpoints in the sheet, stretches of known load have their own floor and limits.
#[test]
fn load_breakpoints_part_the_table_where_load_is_known() {
    let mut log = String::from("time_s,rpm,load_kpa,knock_db\n");
    // A fixed pattern of 0.8 dB about -40 dB at 40 kPa and -30 dB at 90 kPa.
    for row in 0..6000_u32 {
        let (loud, noise) = (row / 500 % 2 == 1, f64::from(row * 7919 % 101) / 100.0 - 0.5);
        let (load, level) = if loud { (90, -30.0) } else { (40, -40.0) };
        log += &format!("{:.2},{},{load},{:.3}\n", f64::from(row) * 0.05, 2000 + row % 500 * 4, level + 1.6 * noise);
    }
    let mut card = Card::default();
    card.add(Input::from_bytes("pulls.csv", log.into_bytes()), Some(FileRole::Safe)).expect("a log");
    card.set_sheet(br#"{"sheet":1,"control":{"rpm":[2500,3500],"load":[40,90]}}"#).expect("a sheet");
    card.choose(Choices { false_alarm: 0.01, ..Choices::default() }).expect("in range");
    work(&mut card);
    let result = result::result(&card);
    let floors: Vec<(f64, f64)> = result["floor"]
        .as_array()
        .expect("floor")
        .iter()
        .map(|cell| (cell["load"].as_f64().expect("a load"), cell["level"].as_f64().expect("a level")))
        .collect();
    assert_eq!(floors.len(), 4, "{floors:?}");
    for (load, level) in floors {
        let truth = if load == 40.0 { -40.0 } else { -30.0 };
        assert!((level - truth).abs() < 0.5, "load {load}: {level}");
    }
    let loads: Vec<f64> =
        result["coverage"].as_array().expect("coverage").iter().filter_map(|cell| cell["load"].as_f64()).collect();
    assert_eq!(loads, [40.0, 40.0, 90.0, 90.0]);
    let map = figure(&card, "coverage").expect("a map");
    let names: Vec<&str> = map.y.ticks.iter().map(|tick| tick.1.as_str()).collect();
    assert_eq!(names, ["load 40", "load 90"]);
    let Some(Layer::Heat { columns: 2, rows: 2, values, .. }) = map.layers.first() else { panic!("{map:?}") };
    assert!(values.0.iter().all(|share| *share == 100.0), "{values:?}");
}
