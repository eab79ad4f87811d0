//! The fields of an engine sheet, each with its range and the reason for it.
//!
//! The ranges enclose every piston engine we can think of, model engines to ship's auxiliaries (common practice, no
//! source): they catch slips of unit and of the decimal mark, not unusual engines.

use super::json::{self, Fields, Span};
use super::sheet::{Cam, Crank, Edge, Ignition, Missing, Sheet, SheetSensor};
use crate::error::{Error, Loaded};
use serde_json::{Map, Value};

const BORE_MM: Span = Span(20.0, 400.0, "mm (piston engines; inches are multiplied by 25.4)");
const STROKE_MM: Span = Span(20.0, 600.0, "mm (piston engines; inches are multiplied by 25.4)");
const CYLINDERS: Span = Span(1.0, 16.0, "cylinders");
const CYLINDER: Span = Span(1.0, 16.0, "(cylinders count from 1)");
const GAS_K: Span = Span(500.0, 4000.0, "kelvin (burned gas; not degrees Celsius)");
const CHANNEL: Span = Span(1.0, 32.0, "(channels count from 1)");
const VOLTS: Span = Span(1e-4, 1000.0, "volts at full scale");
const MV_PER_G: Span = Span(0.01, 10_000.0, "millivolts per g");
const TEETH: Span = Span(2.0, 400.0, "teeth, the missing ones counted");
const MISSING: Span = Span(1.0, 399.0, "missing teeth (0: use the kind even-teeth)");
const TURN_DEG: Span = Span(0.0, 360.0, "degrees of one crank turn");
const CYCLE_DEG: Span = Span(-720.0, 720.0, "crank degrees (one cycle either way)");
const IGNITION_DEG: Span = Span(-60.0, 90.0, "degrees before TDC (an ignition angle; after TDC is negative)");
const RPM: Span = Span(0.0, 30_000.0, "1/min");
const ANY: Span = Span(-1e9, 1e9, "");
const MOST_LISTED: usize = 400;

/// Parses and checks a whole sheet.
pub(super) fn parse(name: &str, bytes: &[u8]) -> Result<Loaded<Sheet>, Error> {
    sheet(json::versioned(name, bytes, "sheet")?)
}

/// Checks the fields of a sheet whose version is known.
pub(super) fn sheet(mut fields: Fields) -> Result<Loaded<Sheet>, Error> {
    let mut notes = Vec::new();
    let mut sheet = Sheet {
        name: fields.text("name")?,
        bore_mm: fields.number("bore_mm", BORE_MM)?,
        stroke_mm: fields.number("stroke_mm", STROKE_MM)?,
        cylinders: fields.whole("cylinders", CYLINDERS)?,
        strokes: strokes(&mut fields)?,
        gas_temperature_k: gas_temperature(&mut fields)?,
        crank: fields.object("crank")?.map(|inner| crank(inner, &mut notes)).transpose()?,
        cam: fields.object("cam")?.map(|inner| cam(inner, &mut notes)).transpose()?,
        events_deg_atdc: events(&mut fields)?,
        control: control(&mut fields)?,
        ..Sheet::default()
    };
    sheet.firing_order = firing_order(&mut fields, sheet.cylinders)?;
    sheet.firing_angles_deg = firing_angles(&mut fields, &sheet)?;
    sheet.ignition =
        fields.object("ignition")?.map(|inner| ignition(inner, sheet.cylinders, &mut notes)).transpose()?;
    sheet.sensors = sensors(&mut fields, sheet.cylinders, &mut notes)?;
    sheet.unknown = fields.rest(&mut notes);
    Ok(Loaded { value: sheet, notes })
}

fn strokes(fields: &mut Fields) -> Result<u16, Error> {
    match fields.whole("strokes", Span(2.0, 4.0, "(2 or 4)"))?.unwrap_or(4) {
        3 => Err(fields.silly("strokes", 3, "2 or 4")),
        strokes => Ok(strokes),
    }
}

fn gas_temperature(fields: &mut Fields) -> Result<Option<[f64; 2]>, Error> {
    let key = "gas_temperature_k";
    match fields.numbers(key, GAS_K)?.as_deref() {
        None => Ok(None),
        Some([low, high]) if low <= high => Ok(Some([*low, *high])),
        Some([low, high]) => Err(fields.silly(key, format!("{low} to {high}"), "a range with the cooler end first")),
        Some(list) => Err(fields.wrong(key, format!("{} numbers", list.len()), "two numbers, cooler and hotter")),
    }
}

fn firing_order(fields: &mut Fields, cylinders: Option<u16>) -> Result<Option<Vec<u16>>, Error> {
    let key = "firing_order";
    let Some(order) = fields.wholes(key, CYLINDER)? else { return Ok(None) };
    let count = cylinders.map_or(order.len(), usize::from);
    let each_once = (1..=count as u16).all(|cylinder| order.iter().filter(|c| **c == cylinder).count() == 1);
    if order.len() != count || !each_once || order.is_empty() {
        return Err(fields.silly(key, format!("{order:?}"), format!("each of the {count} cylinders, once")));
    }
    Ok(Some(order))
}

fn firing_angles(fields: &mut Fields, sheet: &Sheet) -> Result<Option<Vec<f64>>, Error> {
    let key = "firing_angles_deg";
    let whole = sheet.cycle_deg();
    let Some(angles) = fields.numbers(key, Span(0.0, whole, "degrees of one cycle"))? else { return Ok(None) };
    let order = sheet.firing_order.as_ref().map(Vec::len);
    let expected = sheet.cylinders.map(usize::from).or(order).unwrap_or(angles.len());
    if angles.len() != expected {
        let found = format!("{} angles", angles.len());
        return Err(fields.silly(key, found, format!("{expected}, one for each cylinder in firing order")));
    }
    let rising = angles.is_sorted() && angles.first() == Some(&0.0) && angles.last().is_some_and(|last| *last < whole);
    if !rising {
        let allowed = format!("angles that start with 0, rise in firing order and stay below {whole}");
        return Err(fields.silly(key, format!("{angles:?}"), allowed));
    }
    Ok(Some(angles))
}

fn sensors(
    fields: &mut Fields,
    cylinders: Option<u16>,
    notes: &mut Vec<Error>,
) -> Result<Option<Vec<SheetSensor>>, Error> {
    let Some(list) = fields.objects("sensors")? else { return Ok(None) };
    if list.len() > 32 {
        return Err(fields.silly("sensors", format!("{} sensors", list.len()), "0 to 32"));
    }
    let mut sensors: Vec<SheetSensor> = Vec::new();
    for inner in list {
        let sensor = sensor(inner, cylinders, notes)?;
        if sensors.iter().any(|other| other.channel == sensor.channel) {
            return Err(fields.silly("sensors", format!("channel {} twice", sensor.channel), "one sensor a channel"));
        }
        sensors.push(sensor);
    }
    Ok(Some(sensors))
}

fn sensor(mut inner: Fields, cylinders: Option<u16>, notes: &mut Vec<Error>) -> Result<SheetSensor, Error> {
    let highest = cylinders.map_or(16.0, f64::from);
    let heard = inner.wholes("cylinders", Span(1.0, highest, "(the engine's cylinders)"))?;
    if let Some(heard) = &heard
        && heard.iter().enumerate().any(|(k, cylinder)| heard.iter().take(k).any(|other| other == cylinder))
    {
        return Err(inner.silly("cylinders", format!("{heard:?}"), "a list that names each cylinder once"));
    }
    let sensor = SheetSensor {
        channel: inner.needed("channel", CHANNEL)?,
        cylinders: heard,
        volts_full_scale: inner.number("volts_full_scale", VOLTS)?,
        mv_per_g: inner.number("mv_per_g", MV_PER_G)?,
    };
    inner.rest(notes);
    Ok(sensor)
}

const CRANK_KINDS: [&str; 6] =
    ["missing-tooth", "even-teeth", "edge-list", "pulse-per-turn", "pulse-per-cycle", "none"];

fn crank(mut inner: Fields, notes: &mut Vec<Error>) -> Result<Crank, Error> {
    let kind = inner.word("kind", &CRANK_KINDS)?;
    let kind = kind.ok_or_else(|| inner.wrong("kind", "nothing".into(), "the kind of crank signal"))?;
    if kind == 5 {
        inner.rest(&mut Vec::new()); // a wheel that is not fitted may still be described
        return Ok(Crank::None);
    }
    let channel = inner.needed("channel", CHANNEL)?;
    let edge = edge(&mut inner)?;
    let crank = match kind {
        0 => missing_tooth(&mut inner, channel, edge)?,
        1 => Crank::EvenTeeth { channel, teeth: inner.needed("teeth", TEETH)?, edge },
        2 => Crank::EdgeList { channel, edges_deg: edges(&mut inner)?, edge },
        3 => Crank::PulsePerTurn { channel, deg_btdc: inner.number("deg_btdc", CYCLE_DEG)?, edge },
        _ => Crank::PulsePerCycle { channel, deg_btdc: inner.number("deg_btdc", CYCLE_DEG)?, edge },
    };
    inner.rest(notes);
    Ok(crank)
}

fn missing_tooth(inner: &mut Fields, channel: u16, edge: Option<Edge>) -> Result<Crank, Error> {
    let teeth = inner.needed("teeth", TEETH)?;
    let missing = missing(inner)?;
    let gone = match &missing {
        Missing::One(gone) => u32::from(*gone),
        Missing::Several(list) => gone_of(list, u32::from(teeth)),
    };
    if let Missing::Several(list) = &missing
        && !in_turn(list, u32::from(teeth))
        && !usize::from(teeth).is_multiple_of(list.len())
    {
        let expected =
            "standing and missing teeth in turn, adding up to the wheel, or the missing teeth of evenly spaced gaps";
        return Err(inner.wrong("missing", format!("{} gaps on {teeth} teeth", list.len()), expected));
    }
    if gone * 2 >= u32::from(teeth) {
        return Err(inner.silly("missing", gone, format!("less than half of the {teeth} teeth")));
    }
    let gap_deg_btdc = inner.number("gap_deg_btdc", CYCLE_DEG)?;
    Ok(Crank::MissingTooth { channel, teeth, missing, gap_deg_btdc, edge })
}

/// Missing teeth of a list of gaps; a list that adds up to the whole wheel holds standing and missing teeth in turn.
fn gone_of(list: &[u16], teeth: u32) -> u32 {
    let skip = usize::from(in_turn(list, teeth));
    list.iter().skip(skip).step_by(skip + 1).map(|gone| u32::from(*gone)).sum()
}

fn in_turn(list: &[u16], teeth: u32) -> bool {
    list.len().is_multiple_of(2) && list.iter().map(|count| u32::from(*count)).sum::<u32>() == teeth
}

fn missing(inner: &mut Fields) -> Result<Missing, Error> {
    if !inner.all().get("missing").is_some_and(Value::is_array) {
        return inner.needed("missing", MISSING).map(Missing::One);
    }
    let list = inner.wholes("missing", MISSING)?.unwrap_or_default();
    if list.is_empty() {
        return Err(inner.wrong("missing", "an empty list".into(), "the missing teeth of each gap"));
    }
    Ok(Missing::Several(list))
}

fn edges(inner: &mut Fields) -> Result<Vec<f64>, Error> {
    let key = "edges_deg";
    let edges = inner.numbers(key, TURN_DEG)?.unwrap_or_default();
    let rising = edges.iter().zip(edges.iter().skip(1)).all(|(a, b)| a < b);
    if edges.is_empty() || edges.len() > MOST_LISTED || !rising || edges.last().is_some_and(|last| *last >= 360.0) {
        let found = format!("{} angles", edges.len());
        return Err(inner.silly(key, found, format!("1 to {MOST_LISTED} rising angles from 0 to below 360 degrees")));
    }
    Ok(edges)
}

fn edge(inner: &mut Fields) -> Result<Option<Edge>, Error> {
    let word = inner.word("edge", &["rising", "falling"])?;
    Ok(word.map(|k| if k == 0 { Edge::Rising } else { Edge::Falling }))
}

fn cam(mut inner: Fields, notes: &mut Vec<Error>) -> Result<Cam, Error> {
    let kind = inner.word("kind", &["pulse-per-cycle", "none"])?;
    match kind.ok_or_else(|| inner.wrong("kind", "nothing".into(), "the kind of cam signal"))? {
        0 => {
            let channel = inner.needed("channel", CHANNEL)?;
            let edge = edge(&mut inner)?;
            let deg_btdc = inner.number("deg_btdc", CYCLE_DEG)?;
            inner.rest(notes);
            Ok(Cam::PulsePerCycle { channel, deg_btdc, edge })
        }
        _ => Ok(Cam::None),
    }
}

fn ignition(mut inner: Fields, cylinders: Option<u16>, notes: &mut Vec<Error>) -> Result<Ignition, Error> {
    let highest = cylinders.map_or(16.0, f64::from);
    let ignition = Ignition {
        channel: inner.needed("channel", CHANNEL)?,
        cylinder: inner.needed("cylinder", Span(1.0, highest, "(the engine's cylinders)"))?,
        deg_btdc: inner
            .number("deg_btdc", IGNITION_DEG)?
            .ok_or_else(|| inner.wrong("deg_btdc", "nothing".into(), "the ignition angle held while recording"))?,
        edge: edge(&mut inner)?,
    };
    inner.rest(notes);
    Ok(ignition)
}

/// Named angles: a number, a list of numbers (one a cylinder), or null.
fn events(fields: &mut Fields) -> Result<Option<Map<String, Value>>, Error> {
    let Some(inner) = fields.object("events_deg_atdc")? else { return Ok(None) };
    let map = inner.all();
    map.iter().try_for_each(|(key, value)| number_or_list(&inner, key, value, CYCLE_DEG))?;
    Ok(Some(map.clone()))
}

const CONTROL_NUMBERS: [(&str, Span); 9] = [
    ("centre_hz", Span(100.0, 100_000.0, "Hz")),
    ("q", Span(0.01, 1000.0, "")),
    ("gain_db", Span(-200.0, 200.0, "dB")),
    ("window_step_deg", Span(0.0, 360.0, "degrees")),
    ("rpm", RPM),
    ("load", ANY),
    ("resolution", Span(0.0, 1e6, "")),
    ("retard_deg", Span(0.0, 90.0, "degrees")),
    ("recovery_deg_per_s", Span(0.0, 1e4, "degrees per second")),
];

/// What the control unit can be set to stays a map; its numbers are checked.
fn control(fields: &mut Fields) -> Result<Option<Map<String, Value>>, Error> {
    let Some(inner) = fields.object("control")? else { return Ok(None) };
    let map = inner.all();
    for (key, span) in CONTROL_NUMBERS {
        number_or_list(&inner, key, map.get(key).unwrap_or(&Value::Null), span)?;
    }
    Ok(Some(map.clone()))
}

fn number_or_list(inner: &Fields, key: &str, value: &Value, span: Span) -> Result<(), Error> {
    match value {
        Value::Null => Ok(()),
        Value::Array(list) => list.iter().try_for_each(|each| inner.check(key, each, span).map(drop)),
        one => inner.check(key, one, span).map(drop),
    }
}
