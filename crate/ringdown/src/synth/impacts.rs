//! Metal on metal: valves closing, injectors, piston slap. Angles belong to the engine, voices are invented.

use super::engine::Engine;
use super::random::Random;
use super::ringing::{Blow, Rings};
use super::sensor::SENSORS;

/// What strikes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    IntakeValve,
    ExhaustValve,
    Injector,
    Piston,
}

/// Every part, in the order of the cycle.
pub(super) const PARTS: [Part; 4] = [Part::Piston, Part::ExhaustValve, Part::Injector, Part::IntakeValve];

/// One tone of a part: Hz, decay, amplitude at 4000 rpm, delay.
struct Tone {
    hz: f64,
    decay_s: f64,
    amplitude: f64,
    wait_s: f64,
}

const fn tone(hz: f64, decay_s: f64, amplitude: f64) -> Tone {
    Tone { hz, decay_s, amplitude, wait_s: 0.0 }
}

const INTAKE: [Tone; 2] = [tone(8350.0, 4.0e-4, 0.10), tone(2740.0, 7.0e-4, 0.12)];
const EXHAUST: [Tone; 2] = [tone(7250.0, 5.0e-4, 0.09), tone(3080.0, 7.0e-4, 0.13)];
/// Opening, and closing some milliseconds later whatever the speed.
const INJECTOR: [Tone; 2] =
    [tone(11_200.0, 2.5e-4, 0.07), Tone { hz: 9600.0, decay_s: 2.5e-4, amplitude: 0.05, wait_s: 0.0042 }];
const PISTON: [Tone; 2] = [tone(1850.0, 6.0e-4, 0.20), tone(4150.0, 2.5e-4, 0.06)];

impl Part {
    /// Where it strikes, degrees after the cylinder's firing TDC, 0..720, and by how much that wanders.
    pub fn strikes(self, engine: &Engine) -> (f64, f64) {
        match self {
            Part::Piston => (5.0, 1.5),
            Part::ExhaustValve => (engine.exhaust_close_deg_atdc, 0.8),
            Part::Injector => (engine.injection_deg_atdc + 720.0, 0.3),
            Part::IntakeValve => (engine.intake_close_deg_atdc + 720.0, 0.8),
        }
    }

    /// Strikes: valves harder with speed, the piston with load and cold, the injector always the same.
    pub fn strike(self, at: &Strike, random: &mut Random, rings: &mut Rings) {
        let speed = at.rpm / 4000.0;
        let (tones, force) = match self {
            Part::IntakeValve => (&INTAKE, speed),
            Part::ExhaustValve => (&EXHAUST, speed),
            Part::Injector => (&INJECTOR, 1.0),
            Part::Piston => (&PISTON, speed.sqrt() * (0.3 + 0.7 * at.load) * (1.0 + 0.006 * (90.0 - at.coolant_c))),
        };
        let force = force * libm::exp(0.18 * random.normal());
        for tone in tones {
            let blow = Blow {
                hz: tone.hz * (1.0 + 0.006 * at.cylinder_index as f64),
                decay_s: tone.decay_s,
                amplitude: force * tone.amplitude,
                wait_s: tone.wait_s,
                heard: at.heard,
            };
            rings.strike(&blow, random);
        }
    }
}

/// The moment of a blow.
pub(super) struct Strike {
    pub cylinder_index: usize,
    pub rpm: f64,
    pub load: f64,
    pub coolant_c: f64,
    pub heard: [f64; SENSORS],
}
