//! Engine sheets and cards: each silly value is refused with its field, unknown fields are kept.

use ringdown::read::card::CardFile;
use ringdown::read::sheet::Sheet;

const EXAMPLE: &str = r#"{"sheet":1,"name":"Alder Valley four","bore_mm":94.0,"stroke_mm":83.0,"cylinders":4,"strokes":4,
 "firing_order":[1,3,4,2],"firing_angles_deg":[0,180,360,540],"gas_temperature_k":[1500,2800],
 "sensors":[{"channel":1,"cylinders":[1,2],"volts_full_scale":null,"mv_per_g":null},{"channel":2,"cylinders":[3,4]}],
 "crank":{"kind":"missing-tooth","channel":3,"teeth":60,"missing":2,"gap_deg_btdc":84.0,"edge":"rising"},
 "cam":{"kind":"pulse-per-cycle","channel":4,"deg_btdc":60.0,"edge":"rising"},
 "events_deg_atdc":{"injection":-310,"intake_close":null,"exhaust_close":null},
 "control":{"centre_hz":null,"q":null,"gain_db":null,"filter":null,"window_step_deg":1,"limit":"over-background",
            "rpm":[1500,2000,2500,3000],"load":null,"per":"cylinder","resolution":0.1,"retard_deg":null,
            "recovery_deg_per_s":null}}"#;

#[test]
fn the_example_of_the_fixed_shapes_is_read_without_a_note() {
    let loaded = Sheet::parse("s.json", EXAMPLE.as_bytes()).unwrap();
    assert!(loaded.notes.is_empty(), "{:?}", loaded.notes);
    assert_eq!(loaded.value.firing(), Some(vec![(1, 0.0), (3, 180.0), (4, 360.0), (2, 540.0)]));
    let again = serde_json::to_vec(&loaded.value).unwrap();
    assert_eq!(Sheet::parse("s.json", &again).unwrap().value, loaded.value);
}

/// Even firing: cycle over cylinders, 720 degrees for four strokes, 360 for two.
#[test]
fn without_angles_cylinders_fire_evenly() {
    let firing = |json: &str| Sheet::parse("s", json.as_bytes()).unwrap().value.firing();
    let three = firing(r#"{"sheet":1,"cylinders":3,"firing_order":[1,2,3]}"#);
    assert_eq!(three, Some(vec![(1, 0.0), (2, 240.0), (3, 480.0)]));
    let two = firing(r#"{"sheet":1,"cylinders":2,"strokes":2,"firing_order":[1,2]}"#);
    assert_eq!(two, Some(vec![(1, 0.0), (2, 180.0)]));
    assert_eq!(firing(r#"{"sheet":1,"bore_mm":94}"#), None);
}

/// A list that adds up to the wheel holds standing and missing teeth in turn; any other the gaps of an evenly parted turn.
#[test]
fn several_gaps_are_listed_in_turn_or_evenly_spaced() {
    for list in ["[15,1,18,2]", "[2,2]", "[1,2,1]", "[3]"] {
        let json =
            format!(r#"{{"sheet":1,"crank":{{"kind":"missing-tooth","channel":1,"teeth":36,"missing":{list}}}}}"#);
        let sheet = Sheet::parse("s", json.as_bytes()).unwrap_or_else(|error| panic!("{list}: {error}"));
        assert!(sheet.notes.is_empty(), "{list}: {:?}", sheet.notes);
    }
}

/// Field, JSON of the rest of a sheet, and what the refusal must hold.
#[test]
fn silly_values_are_refused_with_their_field() {
    let cases = [
        ("bore_mm", r#""bore_mm":3.7"#, "20 to 400"),
        ("bore_mm", r#""bore_mm":"94""#, "a number"),
        ("stroke_mm", r#""stroke_mm":1e5"#, "20 to 600"),
        ("cylinders", r#""cylinders":17"#, "1 to 16"),
        ("cylinders", r#""cylinders":4.5"#, "whole"),
        ("strokes", r#""strokes":3"#, "2 or 4"),
        ("firing_order", r#""cylinders":4,"firing_order":[1,3,4,4]"#, "each of the 4"),
        ("firing_order", r#""cylinders":4,"firing_order":[1,3,2]"#, "each of the 4"),
        ("firing_angles_deg", r#""cylinders":2,"firing_angles_deg":[0]"#, "one for each"),
        ("firing_angles_deg", r#""cylinders":2,"firing_angles_deg":[0,720]"#, "below 720"),
        ("gas_temperature_k", r#""gas_temperature_k":[2800,1500]"#, "cooler"),
        ("gas_temperature_k", r#""gas_temperature_k":[80,1500]"#, "500 to 4000"),
        ("sensors[0].channel", r#""sensors":[{"channel":0}]"#, "1 to 32"),
        ("sensors[0].cylinders", r#""cylinders":4,"sensors":[{"channel":1,"cylinders":[5]}]"#, "1 to 4"),
        ("sensors", r#""sensors":[{"channel":1},{"channel":1}]"#, "channel 1 twice"),
        ("crank.kind", r#""crank":{"kind":"laser"}"#, "missing-tooth"),
        ("crank.teeth", r#""crank":{"kind":"even-teeth","channel":1,"teeth":1}"#, "2 to 400"),
        ("crank.missing", r#""crank":{"kind":"missing-tooth","channel":1,"teeth":4,"missing":2}"#, "less than half"),
        (
            "crank.missing",
            r#""crank":{"kind":"missing-tooth","channel":1,"teeth":60,"missing":[1,1,1,1,1,1,1]}"#,
            "7 gaps on 60",
        ),
        (
            "crank.missing",
            r#""crank":{"kind":"missing-tooth","channel":1,"teeth":36,"missing":[8,10,8,10]}"#,
            "less than half",
        ),
        ("crank.edge", r#""crank":{"kind":"pulse-per-turn","channel":1,"edge":"up"}"#, "rising, falling"),
        ("crank.edges_deg", r#""crank":{"kind":"edge-list","channel":1,"edges_deg":[10,5]}"#, "rising angles"),
        ("control.rpm", r#""control":{"rpm":[1500,"x"]}"#, "a number"),
        ("events_deg_atdc.injection", r#""events_deg_atdc":{"injection":9000}"#, "one cycle"),
        ("sheet", "", "version 2"),
    ];
    for (field, rest, said) in cases {
        let version = if rest.is_empty() { "2" } else { "1" };
        let comma = if rest.is_empty() { "" } else { "," };
        let error = Sheet::parse("s.json", format!("{{\"sheet\":{version}{comma}{rest}}}").as_bytes()).unwrap_err();
        let text = error.to_string();
        assert!(text.contains(&format!("field {field}")) && text.contains(said), "{field}: {text}");
    }
}

#[test]
fn broken_json_tells_its_line_and_deep_json_is_refused() {
    let error = Sheet::parse("s.json", b"{\"sheet\":1,\n\"bore_mm\":94,\n}").unwrap_err().to_string();
    assert!(error.contains("line 3"), "{error}");
    let deep = format!("{{\"sheet\":1,\"x\":{}{}}}", "[".repeat(100_000), "]".repeat(100_000));
    assert!(Sheet::parse("s.json", deep.as_bytes()).unwrap_err().to_string().contains("nested"));
    // Brackets inside a text nest nothing, behind a quote that belongs to it neither.
    let text = format!(r#"{{"sheet":1,"name":"\"{}"}}"#, "[{".repeat(500));
    assert_eq!(Sheet::parse("s.json", text.as_bytes()).unwrap().value.name.map(|name| name.len()), Some(1001));
    let large = format!("{{\"sheet\":1,\"name\":\"{}\"}}", "x".repeat(2 << 20));
    assert!(Sheet::parse("s.json", large.as_bytes()).unwrap_err().to_string().contains("bytes of JSON"));
}

#[test]
fn unknown_fields_are_kept_and_told() {
    let loaded = Sheet::parse("s.json", br#"{"sheet":1,"colour":"red"}"#).unwrap();
    assert_eq!(loaded.value.unknown["colour"], "red");
    assert!(loaded.notes[0].to_string().contains("colour"));
}

#[test]
fn a_card_comes_back_as_it_was_saved() {
    let json = format!(
        r#"{{"card":1,"sheet":{EXAMPLE},"files":[{{"name":"a.wav","sha256":"{}","bytes":44,"role":"engine-off"}}],
        "marks":[{{"file":"a.wav","from_s":1.5,"to_s":2,"label":"knock","ignition_deg_btdc":12}}],
        "labels":[{{"file":"a.wav","t_s":1.75,"knock":null}}],
        "choices":{{"band":[5300,6300],"window":[12,52],"feature":"energy","false_alarm":0.001,"confidence":0.95,
        "breakpoints":[1500,2000],"theme":"sun"}}}}"#,
        "0123456789abcdef".repeat(4)
    );
    let loaded = CardFile::parse("c.json", json.as_bytes()).unwrap();
    assert_eq!(loaded.notes.len(), 1, "{:?}", loaded.notes);
    assert_eq!(loaded.value.choices.band, Some([5300.0, 6300.0]));
    let again = serde_json::to_vec(&loaded.value).unwrap();
    assert_eq!(CardFile::parse("c.json", &again).unwrap().value, loaded.value);
    for (breakpoints, good) in [("[1500,1501]", true), ("[1500,1500]", false), ("[1500,1400]", false)] {
        let read = CardFile::parse("c.json", json.replace("[1500,2000]", breakpoints).as_bytes());
        assert_eq!(read.is_ok(), good, "{breakpoints}: {read:?}");
    }
    let wrong = json.replace("\"to_s\":2", "\"to_s\":1");
    let error = CardFile::parse("c.json", wrong.as_bytes()).unwrap_err().to_string();
    assert!(error.contains("field marks[0].to_s"), "{error}");
}

#[test]
fn a_sheet_has_room_for_as_many_sensors_as_a_recording_has_channels() {
    let with = |count: usize| {
        let list: Vec<String> = (1..=count).map(|channel| format!(r#"{{"channel":{channel}}}"#)).collect();
        Sheet::parse("s", format!(r#"{{"sheet":1,"sensors":[{}]}}"#, list.join(",")).as_bytes())
    };
    assert_eq!(with(32).unwrap().value.sensors.map(|sensors| sensors.len()), Some(32));
    assert!(with(33).unwrap_err().to_string().contains("33 sensors"));
}

/// What an engine can have is read as it stands, to the ends that a range states, on either side of TDC; one step further is not.
#[test]
fn values_are_read_up_to_the_ends_of_their_ranges() {
    let at = |before: &str, value: &str, after: &str| {
        Sheet::parse("s", format!(r#"{{"sheet":1,"cylinders":4,{before}{value}{after}}}"#).as_bytes())
    };
    let ranges = [
        (r#""ignition":{"channel":5,"cylinder":1,"deg_btdc":"#, "}", [-60.0, 90.0], 0.5),
        (r#""ignition":{"channel":5,"deg_btdc":-10,"cylinder":"#, "}", [1.0, 4.0], 1.0),
        (r#""cam":{"kind":"pulse-per-cycle","channel":4,"deg_btdc":"#, "}", [-720.0, 720.0], 0.5),
        (r#""crank":{"kind":"pulse-per-turn","channel":3,"deg_btdc":"#, "}", [-720.0, 720.0], 0.5),
        (r#""crank":{"kind":"pulse-per-cycle","channel":3,"deg_btdc":"#, "}", [-720.0, 720.0], 0.5),
        (r#""crank":{"kind":"even-teeth","channel":3,"teeth":"#, "}", [2.0, 400.0], 1.0),
        (r#""crank":{"kind":"edge-list","channel":3,"edges_deg":["#, "]}", [0.0, 359.5], 0.5),
        (r#""crank":{"kind":"missing-tooth","channel":3,"teeth":60,"missing":"#, "}", [1.0, 29.0], 1.0),
        (r#""crank":{"kind":"even-teeth","teeth":60,"channel":"#, "}", [1.0, 32.0], 1.0),
        (r#""sensors":[{"channel":1,"volts_full_scale":"#, "}]", [1e-4, 1000.0], 5e-5),
        (r#""sensors":[{"channel":1,"mv_per_g":"#, "}]", [0.01, 10_000.0], 0.005),
        (r#""sensors":[{"channel":1,"cylinders":["#, "]}]", [1.0, 4.0], 1.0),
        (r#""events_deg_atdc":{"injection":["#, "]}", [-720.0, 720.0], 0.5),
        (r#""bore_mm":"#, "", [20.0, 400.0], 0.5),
        (r#""gas_temperature_k":[1000,1000],"stroke_mm":"#, "", [20.0, 600.0], 0.5),
        (r#""control":{"gain_db":"#, "}", [-200.0, 200.0], 0.5),
        (r#""control":{"load":"#, "}", [-1e9, 1e9], 1e3),
        (r#""control":{"retard_deg":"#, "}", [0.0, 90.0], 0.5),
    ];
    for (before, after, [low, high], step) in ranges {
        for (value, good) in [(low, true), (high, true), (low - step, false), (high + step, false)] {
            let read = at(before, &value.to_string(), after);
            assert_eq!(read.is_ok(), good, "{before}{value}{after}: {read:?}");
        }
    }
    for (rest, good) in [
        (r#""firing_order":[4,3,2,1],"firing_angles_deg":[0,180,360,719]"#, true),
        (r#""firing_order":[4,3,2,1],"firing_angles_deg":[0,360,180,719]"#, false),
        (r#""firing_order":[4,3,2,1],"firing_angles_deg":[10,180,360,719]"#, false),
        (r#""firing_order":[4,3,2,1,1]"#, false),
        (r#""sensors":[{"channel":1,"cylinders":[1,2,1]}]"#, false),
        (r#""gas_temperature_k":[1000,2000,3000]"#, false),
        (r#""crank":{"kind":"edge-list","channel":3,"edges_deg":[]}"#, false),
        (r#""crank":{"kind":"edge-list","channel":3,"edges_deg":[10,10]}"#, false),
        (r#""crank":{"kind":"missing-tooth","channel":3,"teeth":60,"missing":[]}"#, false),
        (r#""ignition":{"channel":5,"cylinder":1}"#, false),
        (r#""crank":{"channel":5}"#, false),
        (r#""crank":{"kind":"none","channel":5,"teeth":"?"}"#, true),
        (r#""cam":{"kind":"none"}"#, true),
    ] {
        let read = at("", rest, "");
        assert!(read.as_ref().map_or(!good, |loaded| good && loaded.notes.is_empty()), "{rest}: {read:?}");
    }
}
