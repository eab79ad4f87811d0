//! Trade words for what a column holds, in English, German, French and Spanish (common practice, no source).
//!
//! Words are lower case without accents (German umlauts as ae, oe, ue), as [`super::names::plain_words`] gives them. A
//! word of five letters or more is also found inside compounds; a shorter one must stand alone.

use super::names;
use super::roles::Role;

/// How one role is told.
pub(super) struct Trade {
    pub role: Role,
    /// For the reason: "the name says ...".
    pub what: &'static str,
    /// Words with their weight; the heaviest found counts.
    pub words: &'static [(&'static str, f64)],
    /// Words that speak against it.
    pub not: &'static [&'static str],
    pub units: &'static [&'static str],
    /// Whether the unit alone is enough.
    pub unit_tells: bool,
    /// Plausible values.
    pub low: f64,
    pub high: f64,
}

impl Trade {
    /// Fits nothing.
    pub(super) const NOTHING: Trade = Trade {
        role: Role::Other,
        what: "",
        words: &[],
        not: &[],
        units: &[],
        unit_tells: false,
        low: f64::NEG_INFINITY,
        high: f64::INFINITY,
    };

    /// +2 for a unit of this role, -2 for a known unit of another quantity.
    pub(super) fn unit_score(&self, unit: Option<&str>) -> f64 {
        let Some(unit) = unit.map(names::plain_unit) else { return 0.0 };
        if self.units.contains(&unit.as_str()) {
            2.0
        } else if names::is_unit(&unit) && !self.units.is_empty() {
            -2.0
        } else {
            0.0
        }
    }
}

fn has(words: &str, word: &str) -> bool {
    let alone = |text: &str| {
        text.match_indices(word).any(|(at, _)| {
            let before = text.get(..at).is_none_or(|t| t.is_empty() || t.ends_with(' '));
            let after = text.get(at + word.len()..).is_none_or(|t| t.is_empty() || t.starts_with(' '));
            before && after
        })
    };
    alone(words) || (word.len() >= 5 && words.contains(word))
}

fn any(words: &str, list: &[&str]) -> bool {
    list.iter().any(|word| has(words, word))
}

/// Weight of a name for a role.
pub(super) fn score(trade: &Trade, words: &str) -> f64 {
    let best = trade.words.iter().filter(|(word, _)| has(words, word)).map(|(_, weight)| *weight).fold(0.0, f64::max);
    if best > 0.0 && any(words, trade.not) { best - 3.0 } else { best }
}

/// Whether a name speaks of a counter of rows.
pub(super) fn names_a_counter(words: &str) -> bool {
    any(
        words,
        &["index", "idx", "sample", "record", "row", "line", "nr", "no", "number", "zeile", "count", "id", "satz"],
    )
}

const KNOCK: [&str; 13] = [
    "knock",
    "knk",
    "klopf",
    "cliquet",
    "detonation",
    "detonacion",
    "picado",
    "pinking",
    "pinging",
    "autoallum",
    "ks",
    "kns",
    "det",
];
const RETARD: [&str; 12] = [
    "retard",
    "kr",
    "ruecknahme",
    "zuruecknahme",
    "spaetverstellung",
    "retrait",
    "retraso",
    "pulled",
    "pull",
    "retardo",
    "spaet",
    "rappel",
];
const CORRECTION: [&str; 9] =
    ["correction", "korrektur", "corr", "correccion", "adjust", "trim", "regelung", "verstellung", "korr"];
const SPARK: [&str; 12] = [
    "ignition",
    "ign",
    "spark",
    "timing",
    "zuend",
    "zuendung",
    "zuendwinkel",
    "allumage",
    "avance",
    "encendido",
    "advance",
    "chispa",
];
const LIMIT: [&str; 10] =
    ["limit", "threshold", "schwelle", "grenze", "grenzwert", "seuil", "umbral", "limite", "maximum allowed", "thresh"];
const BACKGROUND: [&str; 20] = [
    "background",
    "noise",
    "floor",
    "grundgeraeusch",
    "grundpegel",
    "hintergrund",
    "rauschen",
    "geraeusch",
    "average",
    "avg",
    "mean",
    "mittel",
    "mittelwert",
    "reference",
    "referenz",
    "bruit",
    "ruido",
    "fond",
    "fondo",
    "baseline",
];
const FLAG: [&str; 14] = [
    "flag",
    "detected",
    "detect",
    "event",
    "erkannt",
    "erkennung",
    "active",
    "aktiv",
    "detecte",
    "detectado",
    "status",
    "bool",
    "count",
    "zaehler",
];
const SETTING: [&str; 12] = [
    "gain",
    "window",
    "frequency",
    "enable",
    "fenster",
    "frequenz",
    "verstaerkung",
    "fenetre",
    "ventana",
    "filter",
    "fault",
    "error",
];

/// Role of a column that speaks of knock, and what its name says.
pub(super) fn knock_role(words: &str, unit: Option<&str>, binary: bool) -> Option<(Role, &'static str)> {
    let unit = unit.map(names::plain_unit).unwrap_or_default();
    let in_degrees =
        ["deg", "°", "º", "grad", "°ca", "deg ca", "degca", "°crk", "°kw", "°btdc", "degrees", "kw°", "grad kw"]
            .contains(&unit.as_str());
    if !any(words, &KNOCK) {
        let retards = any(words, &RETARD) && !any(words, &["fuel", "throttle", "cam"]);
        let corrects = any(words, &SPARK) && any(words, &CORRECTION);
        let background =
            any(words, &["background noise", "noise level", "grundgeraeusch", "bruit de fond", "ruido de fondo"]);
        return match (retards || corrects, background) {
            (true, _) => Some((Role::Correction, "degrees taken out")),
            (_, true) => Some((Role::Background, "background noise")),
            _ => None,
        };
    }
    Some(match () {
        () if in_degrees
            || any(words, &RETARD)
            || any(words, &["ret"])
            || (any(words, &CORRECTION) && !any(words, &LIMIT)) =>
        {
            (Role::Correction, "what knock control took out")
        }
        () if any(words, &SPARK) => (Role::Correction, "what knock control took out"),
        () if any(words, &LIMIT) => (Role::LoggedLimit, "a knock limit"),
        () if any(words, &BACKGROUND) => (Role::Background, "knock background"),
        () if any(words, &SETTING) => (Role::Other, "a setting of knock control"),
        () if any(words, &FLAG) || binary => (Role::KnockFlag, "knock found or not"),
        () => (Role::Level, "knock level"),
    })
}

/// Roles told by words, unit and range; knock has its own rules above.
pub(super) const TRADES: [Trade; 13] = [
    Trade {
        role: Role::Time,
        what: "time",
        words: &[
            ("time", 3.0),
            ("zeit", 3.0),
            ("temps", 3.0),
            ("tiempo", 3.0),
            ("timestamp", 3.5),
            ("zeitstempel", 3.5),
            ("elapsed", 3.0),
            ("horodatage", 3.0),
            ("hora", 2.5),
            ("heure", 2.5),
            ("uhrzeit", 3.5),
            ("t", 2.0),
            ("sec", 2.0),
            ("seconds", 2.5),
            ("sekunden", 2.5),
            ("segundos", 2.5),
            ("secondes", 2.5),
            ("ms", 2.0),
            ("clock", 2.0),
        ],
        not: &[
            "inj",
            "inject",
            "injector",
            "einspritz",
            "dwell",
            "schliess",
            "lap",
            "delay",
            "burn",
            "ign",
            "ignition",
            "open",
            "duration",
            "pulse",
            "date",
            "spark",
            "inyeccion",
            "response",
            "rise",
            "bobine",
            "remaining",
        ],
        units: &[
            "s",
            "ms",
            "us",
            "µs",
            "μs",
            "ns",
            "sec",
            "secs",
            "seconds",
            "sek",
            "min",
            "h",
            "hh:mm:ss",
            "hh:mm:ss.fff",
            "hh:mm:ss.sss",
            "mm:ss.fff",
            "mm:ss.0",
        ],
        low: 0.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Speed,
        what: "engine speed",
        words: &[
            ("rpm", 3.0),
            ("engine speed", 4.0),
            ("drehzahl", 3.5),
            ("motordrehzahl", 4.0),
            ("regime", 3.0),
            ("regime moteur", 4.0),
            ("regimen", 3.0),
            ("revoluciones", 3.5),
            ("revs", 2.5),
            ("speed", 2.0),
            ("n", 1.5),
            ("engine rpm", 4.0),
            ("velocidad motor", 3.5),
            ("vitesse moteur", 3.5),
            ("tr min", 2.5),
            ("crank speed", 3.0),
            ("umdrehungen", 3.0),
        ],
        not: &[
            "vehicle",
            "road",
            "wheel",
            "ground",
            "car",
            "fahrzeug",
            "geschwindigkeit",
            "gps",
            "turbo",
            "turbine",
            "target",
            "desired",
            "soll",
            "sollwert",
            "limit",
            "limiter",
            "error",
            "gradient",
            "shaft",
            "fan",
            "pump",
            "cut",
            "launch",
            "idle",
            "delta",
            "vehicule",
            "consigne",
            "cam",
            "gear",
            "rate",
            "begrenzer",
            "max",
            "flag",
            "shift",
        ],
        units: &[
            "rpm",
            "1/min",
            "u/min",
            "min-1",
            "min^-1",
            "tr/min",
            "rev/min",
            "r/min",
            "giri/min",
            "krpm",
            "rpm x1000",
            "1/s",
            "rps",
            "rad/s",
            "hz",
        ],
        unit_tells: true,
        low: 0.0,
        high: 25_000.0,
    },
    Trade {
        role: Role::Load,
        what: "load",
        words: &[
            ("load", 3.0),
            ("last", 3.0),
            ("motorlast", 3.5),
            ("charge moteur", 3.0),
            ("carga", 3.0),
            ("map", 3.0),
            ("manifold", 3.0),
            ("air mass", 3.5),
            ("luftmasse", 3.5),
            ("airflow", 2.5),
            ("air flow", 2.5),
            ("maf", 2.5),
            ("boost", 2.5),
            ("ladedruck", 3.0),
            ("saugrohrdruck", 3.5),
            ("saugrohr", 2.5),
            ("pression admission", 3.5),
            ("pression collecteur", 3.5),
            ("presion colector", 3.5),
            ("presion del colector", 3.5),
            ("fuellung", 3.0),
            ("remplissage", 3.0),
            ("llenado", 3.0),
            ("presion admision", 3.5),
            ("charge pressure", 3.0),
            ("charge", 2.0),
            ("torque", 2.0),
            ("drehmoment", 2.0),
            ("intake pressure", 3.0),
            ("relative filling", 3.0),
            ("masse d air", 3.0),
            ("masa de aire", 3.0),
        ],
        not: &[
            "temp",
            "temperature",
            "target",
            "desired",
            "soll",
            "sollwert",
            "control",
            "duty",
            "solenoid",
            "consigne",
            "error",
            "valve",
            "fuel",
            "correction",
            "battery",
            "voltage",
            "lambda",
            "switch",
        ],
        units: &[
            "kpa", "hpa", "mpa", "bar", "mbar", "psi", "psia", "psig", "%", "mg/stk", "mg/str", "mg/hub", "g/rev",
            "g/cyl", "mg", "kg/h", "g/s", "nm", "inhg", "mmhg",
        ],
        low: -110.0,
        high: 5000.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Throttle,
        what: "throttle",
        words: &[
            ("throttle", 3.5),
            ("tps", 3.0),
            ("drosselklappe", 3.5),
            ("drossel", 3.0),
            ("dk", 2.0),
            ("papillon", 3.5),
            ("mariposa", 3.5),
            ("acelerador", 3.0),
            ("pedal", 2.5),
            ("accelerator", 3.0),
            ("fahrpedal", 3.0),
            ("pedale", 2.5),
        ],
        not: &["target", "desired", "soll", "sollwert", "rate", "delta", "brake", "bremse", "clutch", "frein", "freno"],
        units: &["%", "pct", "deg", "°", "v", "degrees"],
        low: -20.0,
        high: 120.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Ignition,
        what: "ignition angle",
        words: &[
            ("ignition", 3.0),
            ("ignition angle", 4.0),
            ("ignition timing", 4.0),
            ("spark", 3.0),
            ("spark advance", 4.0),
            ("timing", 2.5),
            ("advance", 2.5),
            ("zuendwinkel", 4.0),
            ("zuendzeitpunkt", 4.0),
            ("zuendung", 3.0),
            ("zw", 2.0),
            ("allumage", 3.5),
            ("avance", 3.0),
            ("encendido", 3.5),
            ("chispa", 3.0),
            ("ign", 2.5),
            ("ign angle", 3.5),
        ],
        not: &[
            "cut",
            "voltage",
            "coil",
            "dwell",
            "switch",
            "key",
            "time",
            "cam",
            "inject",
            "injection",
            "target",
            "soll",
            "zeit",
            "schalter",
            "misfire",
            "counter",
            "abschaltung",
            "klemme",
            "vvt",
            "coupure",
            "corte",
            "duration",
        ],
        units: &[
            "deg", "°", "º", "degrees", "grad", "°btdc", "deg btdc", "btdc", "°ca", "degca", "deg ca", "°crk", "°kw",
            "kw°", "grad kw", "°v",
        ],
        low: -40.0,
        high: 80.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Ignition,
        what: "",
        units: &["°btdc", "deg btdc", "btdc", "°kw", "kw°"],
        unit_tells: true,
        low: -40.0,
        high: 80.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Cut,
        what: "a cut",
        words: &[
            ("cut", 3.0),
            ("fuel cut", 4.5),
            ("ignition cut", 4.5),
            ("spark cut", 4.5),
            ("limiter", 3.5),
            ("rev limit", 4.0),
            ("launch", 3.0),
            ("abschaltung", 3.5),
            ("schubabschaltung", 4.0),
            ("begrenzer", 3.5),
            ("coupure", 3.5),
            ("corte", 3.5),
            ("overrun", 3.0),
            ("schubbetrieb", 3.0),
            ("flat shift", 3.0),
            ("cutoff", 3.5),
            ("rupteur", 3.0),
        ],
        not: &["rpm setting", "speed setting"],
        units: &["%", "bool", "on/off", "0/1"],
        low: 0.0,
        high: 20_000.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Fuel,
        what: "fuel",
        words: &[
            ("fuel", 3.0),
            ("kraftstoff", 3.0),
            ("carburant", 3.0),
            ("combustible", 3.0),
            ("injection", 2.5),
            ("einspritzzeit", 3.5),
            ("einspritz", 3.0),
            ("injector", 2.5),
            ("pulse width", 3.0),
            ("inj", 2.5),
            ("ti", 2.0),
            ("tiempo de inyeccion", 4.0),
            ("temps d injection", 4.0),
            ("ethanol", 2.5),
            ("injection time", 4.0),
            ("inyeccion", 3.0),
        ],
        not: &["cut", "temp", "temperature", "level", "trim", "abschaltung", "coupure", "corte"],
        low: -1000.0,
        high: 1e5,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Coolant,
        what: "coolant temperature",
        words: &[
            ("coolant", 3.5),
            ("clt", 3.0),
            ("ect", 3.0),
            ("water temp", 4.0),
            ("kuehlmittel", 3.5),
            ("kuehlwasser", 3.5),
            ("wassertemp", 3.5),
            ("engine temp", 3.5),
            ("motortemp", 3.5),
            ("eau", 2.5),
            ("refrigerante", 3.5),
            ("agua", 3.0),
            ("liquide de refroidissement", 4.0),
            ("refroidissement", 3.0),
            ("water", 2.5),
            ("engine temperature", 4.0),
        ],
        not: &["pressure", "druck", "level", "pump", "injection", "pression", "correction", "fan"],
        units: &["°c", "ºc", "degc", "deg c", "c", "celsius", "°f", "ºf", "degf", "deg f", "f", "k", "kelvin"],
        low: -60.0,
        high: 420.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Air,
        what: "air temperature",
        words: &[
            ("iat", 3.5),
            ("intake air", 3.0),
            ("air temp", 4.0),
            ("intake temp", 3.5),
            ("ansaugluft", 3.5),
            ("ansaugtemp", 3.5),
            ("lufttemp", 3.5),
            ("charge temp", 3.5),
            ("temperature d air", 4.0),
            ("temp air", 3.5),
            ("temperature air", 4.0),
            ("temperatura aire", 4.0),
            ("temperatura de aire", 4.0),
            ("act", 2.5),
            ("ladelufttemp", 4.0),
            ("mat", 2.5),
            ("air temperature", 4.0),
            ("temperatura admision", 4.0),
            ("temperature admission", 4.0),
            ("ladeluft", 2.5),
            ("manifold temp", 4.0),
            ("air intake", 2.5),
        ],
        not: &["pressure", "mass", "flow", "fuel", "correction", "druck", "masse", "pression"],
        units: &["°c", "ºc", "degc", "deg c", "c", "celsius", "°f", "ºf", "degf", "deg f", "f", "k", "kelvin"],
        low: -60.0,
        high: 500.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Mixture,
        what: "mixture",
        words: &[
            ("lambda", 3.5),
            ("afr", 3.5),
            ("air fuel", 4.0),
            ("wideband", 3.0),
            ("mixture", 3.0),
            ("gemisch", 3.0),
            ("melange", 3.0),
            ("richesse", 3.5),
            ("mezcla", 3.5),
            ("ego", 2.0),
            ("luftzahl", 3.5),
            ("o 2", 2.5),
            ("o2", 2.5),
        ],
        not: &[
            "target",
            "desired",
            "soll",
            "sollwert",
            "correction",
            "corr",
            "trim",
            "korrektur",
            "heater",
            "consigne",
        ],
        units: &["lambda", "λ", "afr", "v", "mv"],
        unit_tells: false,
        low: 0.0,
        high: 5000.0,
    },
    Trade {
        role: Role::Mixture,
        what: "",
        units: &["lambda", "λ", "afr"],
        unit_tells: true,
        low: 0.0,
        high: 40.0,
        ..Trade::NOTHING
    },
    Trade {
        role: Role::Gear,
        what: "gear",
        words: &[
            ("gear", 3.5),
            ("gang", 3.5),
            ("rapport", 3.0),
            ("marcha", 3.5),
            ("gangstufe", 3.5),
            ("vitesse engagee", 4.0),
        ],
        not: &["ratio", "oil", "temp", "richesse", "lever"],
        low: -1.0,
        high: 12.0,
        ..Trade::NOTHING
    },
];
