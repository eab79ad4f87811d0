//! The luck of one combustion: how loud it burns, whether it knocks, how hard. All figures invented.

use super::engine::{CYLINDERS, Engine};
use super::noise::usual_db;
use super::random::{Memory, Random};

/// Spread of a combustion's level, and how much it remembers of the cycle before.
const SPREAD_DB: f64 = 1.6;
const MEMORY: f64 = 0.3;
/// Half of the most frequent knock comes at this advance; steepness; most.
const HALF_DEG_BTDC: f64 = 28.0;
const STEEPNESS_DEG: f64 = 1.3;
const MOST: f64 = 0.24;
/// Nothing knocks with less advance or load than this.
const NEVER_BELOW_DEG_BTDC: f64 = 21.0;
const NEVER_BELOW_LOAD: f64 = 0.7;
/// First mode over the cylinder's usual background: log-normal, never less than the least.
const INTENSITY_DB: f64 = 9.8;
const INTENSITY_SPREAD_DB: f64 = 4.5;
const INTENSITY_LEAST_DB: f64 = 2.0;
const HARDER_DB_PER_DEG: f64 = 0.3;
const INTENSITY_MEMORY: f64 = 0.15;

/// What a combustion depends on.
#[derive(Clone, Copy)]
pub(super) struct Conditions {
    pub rpm: f64,
    pub load: f64,
    pub ignition_deg_btdc: f64,
    /// Fuel and map let it knock at all.
    pub provoked: bool,
}

/// One combustion as it will be.
#[derive(Clone, Copy)]
pub(super) struct Combustion {
    pub level_db: f64,
    /// The same without this cycle's luck.
    pub usual_db: f64,
    pub knock: Option<KnockDraw>,
}

/// One knock as it will be.
#[derive(Clone, Copy)]
pub(super) struct KnockDraw {
    pub intensity_db: f64,
    pub onset_deg_atdc: f64,
    pub gas_k: f64,
}

/// What the cylinders remember.
#[derive(Default)]
pub(super) struct Luck {
    level: [Memory; CYLINDERS],
    knock: [Memory; CYLINDERS],
}

impl Luck {
    /// The next combustion of a cylinder.
    pub fn draw(&mut self, index: usize, at: Conditions, engine: &Engine, random: &mut Random) -> Combustion {
        let usual_db = usual_db(at.rpm, at.load, at.ignition_deg_btdc) + engine.loudness_db[index];
        let level_db = usual_db + SPREAD_DB * self.level[index].next(MEMORY, random);
        let harder = self.knock[index].next(INTENSITY_MEMORY, random);
        let chance = knock_share(at, engine.sooner_deg[index]);
        let knock = (random.unit() < chance).then(|| knock(at, harder, random));
        Combustion { level_db, usual_db, knock }
    }
}

/// Share of knocking cycles.
fn knock_share(at: Conditions, sooner_deg: f64) -> f64 {
    if !at.provoked || at.load < NEVER_BELOW_LOAD || at.ignition_deg_btdc < NEVER_BELOW_DEG_BTDC {
        return 0.0;
    }
    MOST / (1.0 + libm::exp((HALF_DEG_BTDC - at.ignition_deg_btdc - sooner_deg) / STEEPNESS_DEG))
}

fn knock(at: Conditions, harder: f64, random: &mut Random) -> KnockDraw {
    let advance_deg = at.ignition_deg_btdc - HALF_DEG_BTDC;
    let intensity_db = INTENSITY_DB + HARDER_DB_PER_DEG * advance_deg + INTENSITY_SPREAD_DB * harder;
    KnockDraw {
        intensity_db: intensity_db.max(INTENSITY_LEAST_DB),
        onset_deg_atdc: (15.0 - 0.4 * advance_deg + 3.0 * random.normal()).clamp(8.0, 28.0),
        gas_k: 2480.0 + 70.0 * random.normal(),
    }
}
