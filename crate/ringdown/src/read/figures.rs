//! A column's values in a few figures, counted while they are read: several columns side by side, as rows bring them, so
//! that a processor takes some at a time.

/// A column's values in a few figures; missing and infinite values are passed over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Values that are there.
    pub count: usize,
    /// Least value; infinite without any.
    pub low: f64,
    /// Largest.
    pub high: f64,
    /// Their sum.
    pub sum: f64,
    /// Steps up and down between neighbours.
    pub(super) rises: usize,
    pub(super) falls: usize,
    /// Nothing but 0 and 1.
    pub(super) binary: bool,
}

impl Figures {
    /// Of all values at once.
    pub(super) fn of(values: &[f64]) -> Figures {
        let mut tally = Tally::new(1);
        tally.add(values);
        tally.figures().next().unwrap_or_else(|| Count::<1>::NOTHING.figures(0))
    }

    /// As if the values of `later` had come after these; `seam`: the last of these and the first of those that are there, NaN
    /// without any. Only the sum may be rounded otherwise.
    pub(super) fn join(self, later: Figures, seam: [f64; 2]) -> Figures {
        Figures {
            count: self.count + later.count,
            low: self.low.min(later.low),
            high: self.high.max(later.high),
            sum: self.sum + later.sum,
            rises: self.rises + later.rises + usize::from(seam[1] > seam[0]),
            falls: self.falls + later.falls + usize::from(seam[1] < seam[0]),
            binary: self.binary && later.binary,
        }
    }

    /// Words that these take for another worker.
    pub(super) const WORDS: usize = 7;

    /// As words; numbers bit by bit, for the least of none is infinite.
    pub(super) fn words(&self) -> [u64; Self::WORDS] {
        let [low, high, sum] = [self.low, self.high, self.sum].map(f64::to_bits);
        [self.count as u64, low, high, sum, self.rises as u64, self.falls as u64, u64::from(self.binary)]
    }

    /// From such words.
    pub(super) fn of_words(words: &[u64; Self::WORDS]) -> Figures {
        let [count, low, high, sum, rises, falls, binary] = *words;
        let [low, high, sum] = [low, high, sum].map(f64::from_bits);
        let [count, rises, falls] = [count, rises, falls].map(|word| usize::try_from(word).unwrap_or(usize::MAX));
        Figures { count, low, high, sum, rises, falls, binary: binary != 0 }
    }

    /// Mean; `None` without any value.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    /// Whether the values ever change.
    pub fn moves(&self) -> bool {
        self.rises + self.falls > 0
    }

    /// Rises nearly always: what a clock does.
    pub(super) fn is_steady(&self) -> bool {
        self.count > 2 && self.rises * 4 >= self.count && self.falls * 20 <= self.rises
    }

    /// "812 to 6240"
    pub(super) fn in_words(&self) -> String {
        let round =
            |v: f64| if v.abs() >= 100.0 { format!("{v:.0}") } else { format!("{}", (v * 100.0).round() / 100.0) };
        format!("{} to {}", round(self.low), round(self.high))
    }
}

/// Figures of all columns of a table on the way.
pub(super) struct Tally {
    fours: Vec<Count<4>>,
    /// The columns that are left over.
    ones: Vec<Count<1>>,
}

impl Tally {
    /// Of so many columns.
    pub(super) fn new(columns: usize) -> Tally {
        Tally { fours: vec![Count::NOTHING; columns / 4], ones: vec![Count::NOTHING; columns % 4] }
    }

    /// Goes on with whole rows, one after the other.
    pub(super) fn add(&mut self, rows: &[f64]) {
        let width = 4 * self.fours.len() + self.ones.len();
        for (k, count) in self.fours.iter_mut().enumerate() {
            count.add(rows, width, 4 * k);
        }
        let first = 4 * self.fours.len();
        for (k, count) in self.ones.iter_mut().enumerate() {
            count.add(rows, width, first + k);
        }
    }

    /// Of each column.
    pub(super) fn figures(&self) -> impl Iterator<Item = Figures> {
        let fours = self.fours.iter().flat_map(|count| (0..4).map(|k| count.figures(k)));
        fours.chain(self.ones.iter().map(|count| count.figures(0)))
    }
}

/// Of `N` columns side by side. Counts are numbers like the values, exact to 2^53, for lanes of one width.
#[derive(Debug, Clone, Copy)]
struct Count<const N: usize> {
    there: [f64; N],
    low: [f64; N],
    high: [f64; N],
    sum: [f64; N],
    rises: [f64; N],
    falls: [f64; N],
    /// Values that are neither 0 nor 1.
    not_binary: [f64; N],
    /// The last value; NaN without any.
    last: [f64; N],
}

impl<const N: usize> Count<N> {
    const NOTHING: Self = Self {
        there: [0.0; N],
        low: [f64::INFINITY; N],
        high: [f64::NEG_INFINITY; N],
        sum: [0.0; N],
        rises: [0.0; N],
        falls: [0.0; N],
        not_binary: [0.0; N],
        last: [f64::NAN; N],
    };

    /// The columns from `first` on.
    #[allow(clippy::needless_range_loop)] // nine arrays side by side
    fn add(&mut self, rows: &[f64], width: usize, first: usize) {
        let one = |yes: bool| if yes { 1.0 } else { 0.0 };
        let mut now = *self;
        for row in rows.chunks_exact(width.max(1)) {
            let Some(values) = row.get(first..).and_then(|row| row.first_chunk::<N>()) else { return };
            for k in 0..N {
                let is_there = values[k].abs() < f64::INFINITY;
                // any comparison with NaN is false, so a value that isn't there changes nothing below
                let value = if is_there { values[k] } else { f64::NAN };
                now.there[k] += one(is_there);
                now.low[k] = if value < now.low[k] { value } else { now.low[k] };
                now.high[k] = if value > now.high[k] { value } else { now.high[k] };
                now.sum[k] += if is_there { value } else { 0.0 };
                now.rises[k] += one(value > now.last[k]);
                now.falls[k] += one(value < now.last[k]);
                now.not_binary[k] += one(is_there & (value != 0.0) & (value != 1.0));
                now.last[k] = if is_there { value } else { now.last[k] };
            }
        }
        *self = now;
    }

    fn figures(&self, k: usize) -> Figures {
        Figures {
            count: self.there[k] as usize,
            low: self.low[k],
            high: self.high[k],
            sum: self.sum[k],
            rises: self.rises[k] as usize,
            falls: self.falls[k] as usize,
            binary: self.not_binary[k] == 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The slow twin: one column, one value after the other.
    fn slowly(values: &[f64]) -> Figures {
        let there: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
        let steps = |up: fn(&f64, &f64) -> bool| there.windows(2).filter(|pair| up(&pair[1], &pair[0])).count();
        Figures {
            count: there.len(),
            low: there.iter().copied().fold(f64::INFINITY, f64::min),
            high: there.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            sum: there.iter().fold(0.0, |sum, value| sum + value),
            rises: steps(f64::gt),
            falls: steps(f64::lt),
            binary: there.iter().all(|value| *value == 0.0 || *value == 1.0),
        }
    }

    #[test]
    fn figures_are_said_in_as_many_digits_as_help() {
        assert_eq!(Figures::of(&[812.4, 6240.0, 1000.0]).in_words(), "812 to 6240");
        assert_eq!(Figures::of(&[-0.126, 99.994]).in_words(), "-0.13 to 99.99");
        assert_eq!(Figures::of(&[-100.6, 100.0]).in_words(), "-101 to 100");
    }

    /// A clock rises at most rows, and hardly ever falls.
    #[test]
    fn what_rises_nearly_always_is_steady() {
        let steady = |values: &[f64]| Figures::of(values).is_steady();
        let rising: Vec<f64> = (0..41).map(f64::from).collect();
        assert!(steady(&rising) && steady(&rising[..3]) && !steady(&rising[..2]));
        // Twenty rises to one fall, then nineteen.
        assert!(steady(&[&rising[..21], &[3.0]].concat()) && !steady(&[&rising[..20], &[3.0]].concat()));
        // A quarter of the rows must rise.
        assert!(steady(&[0.0, 0.0, 0.0, 1.0]) && !steady(&[0.0, 0.0, 0.0, 0.0, 1.0]));
        assert!(
            Figures::of(&[1.0, 2.0]).moves() && Figures::of(&[2.0, 1.0]).moves() && !Figures::of(&[1.0, 1.0]).moves()
        );
        assert_eq!((Figures::of(&[]).mean(), Figures::of(&[1.0, 4.0]).mean()), (None, Some(2.5)));
    }

    proptest! {
        #[test]
        fn columns_side_by_side_count_as_each_alone(
            columns in 1usize..10,
            values in proptest::collection::vec(
                prop_oneof![
                    any::<f64>(),
                    (-50i32..50).prop_map(f64::from),
                    (-50i32..50).prop_map(|v| f64::from(v) / 4.0),
                    Just(f64::NAN),
                    Just(f64::INFINITY),
                    Just(1.0),
                    Just(9_007_199_254_740_993.0),
                ],
                0..120,
            ),
            cut in 0usize..120,
        ) {
            let rows: Vec<&[f64]> = values.chunks_exact(columns).collect();
            let (early, late) = rows.split_at(cut.min(rows.len()));
            let mut tally = Tally::new(columns);
            tally.add(&early.concat());
            tally.add(&late.concat());
            for (k, figures) in tally.figures().enumerate() {
                let column: Vec<f64> = rows.iter().map(|row| row[k]).collect();
                let (early, late) = column.split_at(early.len());
                let last = early.iter().rfind(|value| value.is_finite()).copied().unwrap_or(f64::NAN);
                let first = late.iter().find(|value| value.is_finite()).copied().unwrap_or(f64::NAN);
                let joined = Figures::of(early).join(Figures::of(late), [last, first]);
                prop_assert_eq!(Figures { sum: figures.sum, ..joined }, figures);
                prop_assert_eq!(Figures::of_words(&figures.words()), figures);
                prop_assert_eq!(figures, slowly(&column));
                prop_assert_eq!(Figures::of(&column), figures);
            }
        }
    }
}
