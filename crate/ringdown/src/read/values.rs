//! A column's values, held as they were written: whole numbers over a power of ten, in stretches of two, four or eight bytes a
//! value. What a logger writes has few digits; a million rows of forty columns take 80 MB so, not 320, and a machine spends
//! less time on clearing memory than it would on reading the numbers.
//!
//! Nothing is lost: a stretch is held short only where every value comes back bit by bit. A decimal number is the whole number
//! of its digits over a power of ten, correctly rounded, and so is what comes back (IEEE 754, 5.4.1).

use super::number::TENS;
use std::collections::TryReserveError;

/// Values of a stretch; a power of two.
pub(super) const STRETCH: usize = 1 << 8;
/// Most decimals tried.
const MOST_DECIMALS: u8 = 6;
/// Stands for a missing value among whole numbers.
const MISSING: i32 = i32::MIN;
const MISSING_SHORT: i16 = i16::MIN;
/// Values looked at before one that doesn't come back ends a try.
const AT_ONCE: usize = 64;
/// Added to a number and taken away again it leaves the nearest whole one, which stands in the lowest bits of the sum.
const ROUNDING: f64 = 1.5 * (1_u64 << 52) as f64;

/// Numbers of a column, row by row; NaN = missing.
#[derive(Debug, Clone, Default)]
pub struct Values {
    packed: Vec<Stretch>,
    /// Those after the last whole stretch that is packed.
    open: Vec<f64>,
    /// Decimals of the last stretch.
    decimals: u8,
    /// Where values read elsewhere were put behind these: so many stretches and rows are before them, the last stretch of
    /// those a short one.
    seam: Seam,
}

#[derive(Debug, Clone, Copy, Default)]
struct Seam {
    stretches: usize,
    rows: usize,
}

#[derive(Debug, Clone)]
enum Stretch {
    Short(u8, Vec<i16>),
    Long(u8, Vec<i32>),
    Plain(Vec<f64>),
}

impl Values {
    /// How many there are.
    pub fn len(&self) -> usize {
        self.packed_rows() + self.open.len()
    }

    fn packed_rows(&self) -> usize {
        self.seam.rows + (self.packed.len() - self.seam.stretches) * STRETCH
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The value of a row; `None` beyond the last.
    pub fn get(&self, row: usize) -> Option<f64> {
        let (before, row_there) =
            if row < self.seam.rows { (0, row) } else { (self.seam.stretches, row - self.seam.rows) };
        match self.packed.get(before + row_there / STRETCH) {
            Some(stretch) => stretch.get(row_there % STRETCH),
            None => self.open.get(row - self.packed_rows()).copied(),
        }
    }

    /// All of them.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = f64> + ExactSizeIterator + Clone + '_ {
        (0..self.len()).map(|row| self.get(row).unwrap_or(f64::NAN))
    }

    /// All of them, side by side.
    pub fn to_vec(&self) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.len());
        self.packed.iter().for_each(|stretch| stretch.unpack(&mut out));
        out.extend_from_slice(&self.open);
        out
    }

    /// Side by side from now on, for a column that is looked into row by row: quicker, and four times the memory.
    pub(super) fn unpack(&mut self) {
        *self = Values { open: self.to_vec(), ..Values::default() };
    }

    /// Puts `later` behind these.
    ///
    /// # Errors
    /// When there is no memory for them.
    pub(super) fn join(&mut self, mut later: Values) -> Result<(), TryReserveError> {
        if self.seam.rows > 0 || later.seam.rows > 0 || self.open.len() >= STRETCH {
            return self.extend(&later.to_vec()); // never so where a log is read in two
        }
        if !self.open.is_empty() {
            let open = std::mem::take(&mut self.open);
            self.pack(&open)?;
            self.seam = Seam { stretches: self.packed.len(), rows: (self.packed.len() - 1) * STRETCH + open.len() };
        }
        self.packed.try_reserve(later.packed.len())?;
        self.packed.append(&mut later.packed);
        self.open = later.open;
        self.decimals = later.decimals;
        Ok(())
    }

    /// Least and largest of the rows from `first` to before `end`; NaN where none is there.
    #[inline(never)] // as `pack`: a picture asks thousands of times
    pub fn extremes(&self, first: usize, end: usize) -> [f64; 2] {
        let mut found = [f64::INFINITY, f64::NEG_INFINITY];
        for value in (first..end.min(self.len())).filter_map(|row| self.get(row)) {
            // comparisons instead of `min` and `max`, which are calls in a browser
            found[0] = if value < found[0] { value } else { found[0] };
            found[1] = if value > found[1] { value } else { found[1] };
        }
        if found[0] <= found[1] { found } else { [f64::NAN; 2] }
    }

    /// Goes on with more; fastest in whole stretches of [`STRETCH`].
    ///
    /// # Errors
    /// When there is no memory for them.
    pub(super) fn extend(&mut self, mut values: &[f64]) -> Result<(), TryReserveError> {
        if self.open.len() >= STRETCH {
            self.open.try_reserve(values.len())?;
            self.open.extend_from_slice(values);
            return Ok(());
        }
        while !values.is_empty() {
            if let Some(stretch) = values.get(..STRETCH).filter(|_| self.open.is_empty()) {
                self.pack(stretch)?;
                values = values.get(STRETCH..).unwrap_or_default();
                continue;
            }
            let (now, later) = values.split_at(values.len().min(STRETCH - self.open.len()));
            self.open.try_reserve(now.len())?;
            self.open.extend_from_slice(now);
            values = later;
            if self.open.len() == STRETCH {
                let open = std::mem::take(&mut self.open);
                self.pack(&open)?;
            }
        }
        Ok(())
    }

    /// As bytes, for another worker: each stretch as its kind, its decimals and its values, those not packed last. Only of
    /// values read in one go: those with a seam don't come back.
    pub(super) fn to_bytes(&self) -> Vec<u8> {
        let open = Stretch::Plain(self.open.clone());
        let stretches = || self.packed.iter().chain([&open]);
        let mut bytes = Vec::with_capacity(stretches().map(Stretch::bytes).sum());
        stretches().for_each(|stretch| stretch.write(&mut bytes));
        bytes
    }

    /// From such bytes; `None` where they are no values, or there is no memory for them.
    pub(super) fn of_bytes(mut bytes: &[u8]) -> Option<Values> {
        let mut values = Values::default();
        while !bytes.is_empty() {
            let (stretch, rest) = Stretch::read(bytes)?;
            bytes = rest;
            match stretch {
                Stretch::Plain(open) if bytes.is_empty() => values.open = open,
                whole if whole.len() == STRETCH => values.packed.push(whole),
                _ => return None,
            }
        }
        Some(values)
    }

    #[inline(never)] // compiled on its own it is made fast between two calls: a browser doesn't exchange code that is running
    fn pack(&mut self, values: &[f64]) -> Result<(), TryReserveError> {
        self.packed.try_reserve(1)?;
        let mut whole = [0; STRETCH];
        let mut tries = std::iter::once(self.decimals).chain(0..=MOST_DECIMALS);
        let found = tries.find_map(|decimals| Some((decimals, digits(values, decimals, &mut whole)?)));
        let whole = || whole.iter().take(values.len());
        let stretch = match found {
            Some((decimals, most)) => {
                self.decimals = decimals;
                if most < i32::from(i16::MAX) {
                    let short = |whole: &i32| if *whole == MISSING { MISSING_SHORT } else { *whole as i16 };
                    Stretch::Short(decimals, taken(whole().map(short))?)
                } else {
                    Stretch::Long(decimals, taken(whole().copied())?)
                }
            }
            None => Stretch::Plain(taken(values.iter().copied())?),
        };
        self.packed.push(stretch);
        Ok(())
    }
}

fn taken<T>(values: impl ExactSizeIterator<Item = T>) -> Result<Vec<T>, TryReserveError> {
    let mut out = Vec::new();
    out.try_reserve_exact(values.len())?;
    out.extend(values);
    Ok(out)
}

/// Values as whole numbers of 10^-decimals, and the largest of them without its sign; `None` where one would not come back.
fn digits(values: &[f64], decimals: u8, out: &mut [i32; STRETCH]) -> Option<i32> {
    let tens = tens(decimals);
    let mut most = 0;
    for (out, values) in out.chunks_mut(AT_ONCE).zip(values.chunks(AT_ONCE)) {
        // bits in which a value differs from what would come back: sums of whole numbers go side by side in a processor
        let mut lost = 0;
        for (out, value) in out.iter_mut().zip(values) {
            let whole = (value * tens + ROUNDING).to_bits() as i32;
            let back = (f64::from(whole) / tens).to_bits();
            let is_missing = value.is_nan();
            lost |= if is_missing { 0 } else { (back ^ value.to_bits()) | u64::from(whole == MISSING) };
            *out = if is_missing { MISSING } else { whole };
            most = most.max(if is_missing { 0 } else { whole.wrapping_abs() });
        }
        if lost != 0 {
            return None;
        }
    }
    Some(most)
}

impl Stretch {
    fn get(&self, at: usize) -> Option<f64> {
        match self {
            Stretch::Short(decimals, values) => values.get(at).map(|whole| short(*whole, tens(*decimals))),
            Stretch::Long(decimals, values) => values.get(at).map(|whole| long(*whole, tens(*decimals))),
            Stretch::Plain(values) => values.get(at).copied(),
        }
    }

    fn unpack(&self, out: &mut Vec<f64>) {
        match self {
            Stretch::Short(decimals, values) => out.extend(values.iter().map(|whole| short(*whole, tens(*decimals)))),
            Stretch::Long(decimals, values) => out.extend(values.iter().map(|whole| long(*whole, tens(*decimals)))),
            Stretch::Plain(values) => out.extend_from_slice(values),
        }
    }
}

/// Bytes before the values of a stretch: its kind, its decimals, and how many they are.
const HEAD_BYTES: usize = 4;
const SHORT: u8 = 0;
const LONG: u8 = 1;
const PLAIN: u8 = 2;

/// To and from bytes, little-endian.
impl Stretch {
    fn len(&self) -> usize {
        match self {
            Stretch::Short(_, values) => values.len(),
            Stretch::Long(_, values) => values.len(),
            Stretch::Plain(values) => values.len(),
        }
    }

    fn bytes(&self) -> usize {
        let each = match self {
            Stretch::Short(..) => 2,
            Stretch::Long(..) => 4,
            Stretch::Plain(_) => 8,
        };
        HEAD_BYTES + each * self.len()
    }

    fn write(&self, out: &mut Vec<u8>) {
        let (kind, decimals) = match self {
            Stretch::Short(decimals, _) => (SHORT, *decimals),
            Stretch::Long(decimals, _) => (LONG, *decimals),
            Stretch::Plain(_) => (PLAIN, 0),
        };
        let [low, high] = (self.len() as u16).to_le_bytes(); // STRETCH at the most
        out.extend([kind, decimals, low, high]);
        match self {
            Stretch::Short(_, values) => out.extend(values.iter().flat_map(|value| value.to_le_bytes())),
            Stretch::Long(_, values) => out.extend(values.iter().flat_map(|value| value.to_le_bytes())),
            Stretch::Plain(values) => out.extend(values.iter().flat_map(|value| value.to_le_bytes())),
        }
    }

    /// The first of such bytes, and what follows it.
    fn read(bytes: &[u8]) -> Option<(Stretch, &[u8])> {
        let ([kind, decimals, low, high], bytes) = bytes.split_first_chunk::<HEAD_BYTES>()?;
        let count = usize::from(u16::from_le_bytes([*low, *high]));
        let (each, own) = match *kind {
            SHORT => (2, bytes.get(..2 * count)?),
            LONG => (4, bytes.get(..4 * count)?),
            PLAIN => (8, bytes.get(..8 * count)?),
            _ => return None,
        };
        let stretch = match *kind {
            SHORT => Stretch::Short(*decimals, words(own, i16::from_le_bytes)?),
            LONG => Stretch::Long(*decimals, words(own, i32::from_le_bytes)?),
            _ => Stretch::Plain(words(own, f64::from_le_bytes)?),
        };
        Some((stretch, bytes.get(each * count..)?))
    }
}

/// Words of so many bytes; `None` where there is no memory for them.
fn words<T, const N: usize>(bytes: &[u8], of: impl Fn([u8; N]) -> T) -> Option<Vec<T>> {
    taken(bytes.as_chunks::<N>().0.iter().map(|word| of(*word))).ok()
}

fn tens(decimals: u8) -> f64 {
    TENS.get(usize::from(decimals)).copied().unwrap_or(1.0)
}

fn short(whole: i16, tens: f64) -> f64 {
    if whole == MISSING_SHORT { f64::NAN } else { f64::from(whole) / tens }
}

fn long(whole: i32, tens: f64) -> f64 {
    if whole == MISSING { f64::NAN } else { f64::from(whole) / tens }
}

impl FromIterator<f64> for Values {
    fn from_iter<I: IntoIterator<Item = f64>>(values: I) -> Values {
        let open: Vec<f64> = values.into_iter().collect();
        let mut packed = Values::default();
        // where there is no memory to pack them they stay as they are
        if packed.extend(&open).is_ok() { packed } else { Values { open, ..Values::default() } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn bits(values: impl Iterator<Item = f64>) -> Vec<u64> {
        values.map(|value| if value.is_nan() { f64::NAN.to_bits() } else { value.to_bits() }).collect()
    }

    proptest! {
        /// Truth: the values put in, bit by bit; a missing one is missing whatever its bits.
        #[test]
        fn what_is_held_comes_back(
            kinds in proptest::collection::vec((0_u8..8, 0_u32..9, any::<u64>()), 1..5),
            more in 0_usize..STRETCH, cut in 0_usize..STRETCH,
        ) {
            let mut values: Vec<f64> = Vec::new();
            for (kind, places, seed) in kinds {
                let mut seed = seed | 1;
                let mut next = || { seed ^= seed << 13; seed ^= seed >> 7; seed ^= seed << 17; seed };
                for _ in 0..STRETCH {
                    let drawn = next();
                    let whole = |most: u64| (drawn % (2 * most)) as f64 - most as f64;
                    values.push(match kind {
                        0 => f64::from_bits(drawn),
                        1 if drawn % 7 == 0 => f64::NAN,
                        2 if drawn % 1000 == 0 => [-0.0, f64::INFINITY, 32_767.0, 2_147_483_648.0][(drawn / 1000 % 4) as usize],
                        3 => whole(1 << 33) / 10_f64.powi(places as i32),
                        4 => whole(1 << 31) / 10_f64.powi(places as i32),
                        _ => whole(1 << 15) / 10_f64.powi(places as i32),
                    });
                }
            }
            values.truncate(values.len() - more);
            let (early, late) = values.split_at(cut.min(values.len()));
            let apart = |part: &[f64]| {
                let mut own = Values::default();
                own.extend(part).unwrap();
                Values::of_bytes(&own.to_bytes()).unwrap()
            };
            let mut joined = apart(early);
            joined.join(apart(late)).unwrap();
            prop_assert_eq!(joined.len(), values.len());
            prop_assert_eq!(bits(joined.iter()), bits(values.iter().copied()));
            prop_assert_eq!(bits(joined.to_vec().into_iter()), bits(values.iter().copied()));
            prop_assert_eq!(joined.get(values.len()), None);
            joined.unpack();
            prop_assert_eq!(bits(joined.iter()), bits(values.iter().copied()));
            let mut held = Values::default();
            held.extend(early).unwrap();
            held.extend(late).unwrap();
            prop_assert_eq!(held.len(), values.len());
            prop_assert_eq!(bits(held.iter()), bits(values.iter().copied()));
            prop_assert_eq!(bits(held.to_vec().into_iter()), bits(values.iter().copied()));
            prop_assert_eq!(held.get(values.len()), None);
        }
    }

    #[test]
    fn decimals_of_a_logger_take_two_bytes() {
        let held: Values = (0..4 * STRETCH).map(|row| [13.52, -0.5, 6000.0, f64::NAN][row % 4] + 0.0).collect();
        assert!(held.packed.iter().all(|stretch| matches!(stretch, Stretch::Long(2, _))), "6000.00 takes six digits");
        let held: Values = (0..4 * STRETCH).map(|row| [13.52, -0.5, 99.99, f64::NAN][row % 4]).collect();
        assert!(held.packed.iter().all(|stretch| matches!(stretch, Stretch::Short(2, _))));
    }
}
