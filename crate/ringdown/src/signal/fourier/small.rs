//! The complex transform of the page: a few kilobytes of code where a library's for every length and vector unit would
//! weigh a tenth of the module.
//!
//! Stockham's self-sorting form (C. Van Loan, Computational Frameworks for the Fast Fourier Transform, 1992, section 1.7, from
//! memory): each pass takes one factor out of the length and writes its results in order. Real and imaginary parts
//! stand apart, so that four neighbours fill a vector. Factors of 4 go first, then 2, 3 and what is left; a large prime in
//! the length costs its square.

use rustfft::FftNum;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

/// Values worked on side by side.
const LANES: usize = 4;

/// Real parts, imaginary parts.
type Planes<T> = [Vec<T>; 2];

/// A planned transform of one length.
pub struct Small<T> {
    passes: Vec<Pass<T>>,
    from: Planes<T>,
    to: Planes<T>,
}

/// One factor: `groups` times `stride` butterflies of `radix` values each.
struct Pass<T> {
    radix: usize,
    groups: usize,
    stride: usize,
    /// For values 1 to `radix - 1` of each butterfly the turns of all groups, one after another.
    turns: Planes<T>,
    /// The turns of one butterfly, where it has no formula of its own.
    roots: Vec<Complex<T>>,
}

impl<T: FftNum> Small<T> {
    /// For `len` values.
    pub fn new(len: usize) -> Self {
        let (mut passes, mut left, mut stride) = (Vec::new(), len.max(1), 1);
        while left > 1 {
            let radix = [4, 2, 3].into_iter().find(|radix| left.is_multiple_of(*radix));
            let radix = radix.unwrap_or_else(|| (5..=left).find(|radix| left.is_multiple_of(*radix)).unwrap_or(left));
            passes.push(Pass::new(radix, left / radix, stride));
            left /= radix;
            stride *= radix;
        }
        let planes = || [vec![T::zero(); len], vec![T::zero(); len]];
        Self { passes, from: planes(), to: planes() }
    }

    /// Transforms `values` in place, not scaled.
    pub fn run(&mut self, values: &mut [Complex<T>]) {
        let [re, im] = &mut self.from;
        for ((value, re), im) in values.iter().zip(re).zip(im) {
            (*re, *im) = (value.re, value.im);
        }
        for pass in &self.passes {
            pass.run(&self.from, &mut self.to);
            std::mem::swap(&mut self.from, &mut self.to);
        }
        let [re, im] = &self.from;
        for ((value, re), im) in values.iter_mut().zip(re).zip(im) {
            *value = Complex::new(*re, *im);
        }
    }
}

impl<T: FftNum> Pass<T> {
    fn new(radix: usize, groups: usize, stride: usize) -> Self {
        let len = radix * groups;
        let turns = (1..radix).flat_map(|k| (0..groups).map(move |group| turn::<T>(k * group, len)));
        let roots = if radix > 4 { (0..radix).map(|k| turn(k, radix)).collect() } else { Vec::new() };
        let (re, im) = turns.map(|turn| (turn.re, turn.im)).unzip();
        Self { radix, groups, stride, turns: [re, im], roots }
    }

    fn run(&self, from: &Planes<T>, to: &mut Planes<T>) {
        match self.radix {
            4 => self.each(from, to, four),
            2 => self.each(from, to, |[a, b]| [a.plus(b), a.minus(b)]),
            3 => self.each(from, to, three),
            _ => self.any(from, to),
        }
    }

    /// Butterflies with a formula, four at a time: neighbours of one group, or of four groups in the first pass.
    fn each<const RADIX: usize>(
        &self,
        from: &Planes<T>,
        to: &mut Planes<T>,
        butterfly: impl Fn([Four<T>; RADIX]) -> [Four<T>; RADIX],
    ) {
        let (groups, stride) = (self.groups, self.stride);
        if stride == 1 {
            for group in (0..groups).step_by(LANES) {
                let known = LANES.min(groups - group);
                let values = butterfly(std::array::from_fn(|k| Four::load(from, group + groups * k, known)));
                let values: [Four<T>; RADIX] = std::array::from_fn(|k| match k {
                    0 => values[0],
                    _ => values[k].times(Four::load(&self.turns, group + groups * (k - 1), known)),
                });
                let [re, im] = to;
                let place = RADIX * group..RADIX * (group + known);
                let rows = re[place.clone()].chunks_exact_mut(RADIX).zip(im[place].chunks_exact_mut(RADIX));
                for (lane, (re, im)) in rows.enumerate() {
                    for k in 0..RADIX {
                        (re[k], im[k]) = (values[k].re[lane], values[k].im[lane]);
                    }
                }
            }
            return;
        }
        for group in 0..groups {
            let turn: [Four<T>; RADIX] = std::array::from_fn(|k| match k {
                0 => Four { re: [T::one(); LANES], im: [T::zero(); LANES] },
                _ => Four::all(&self.turns, group + groups * (k - 1)),
            });
            for at in (0..stride).step_by(LANES) {
                let known = LANES.min(stride - at);
                let values =
                    butterfly(std::array::from_fn(|k| Four::load(from, at + stride * (group + groups * k), known)));
                values[0].store(to, at + stride * RADIX * group, known);
                for k in 1..RADIX {
                    values[k].times(turn[k]).store(to, at + stride * (RADIX * group + k), known);
                }
            }
        }
    }

    /// Butterflies of any size, by the definition.
    fn any(&self, from: &Planes<T>, to: &mut Planes<T>) {
        let (radix, groups, stride) = (self.radix, self.groups, self.stride);
        for group in 0..groups {
            for k in 0..radix {
                let turn = match k {
                    0 => Four { re: [T::one(); LANES], im: [T::zero(); LANES] },
                    _ => Four::all(&self.turns, group + groups * (k - 1)),
                };
                for at in (0..stride).step_by(LANES) {
                    let known = LANES.min(stride - at);
                    let mut sum = Four { re: [T::zero(); LANES], im: [T::zero(); LANES] };
                    for j in 0..radix {
                        let root = self.roots[j * k % radix];
                        let root = Four { re: [root.re; LANES], im: [root.im; LANES] };
                        sum = sum.plus(Four::load(from, at + stride * (group + groups * j), known).times(root));
                    }
                    sum.times(turn).store(to, at + stride * (radix * group + k), known);
                }
            }
        }
    }
}

/// e^(-2 pi i k / len)
fn turn<T: FftNum>(k: usize, len: usize) -> Complex<T> {
    let angle = TAU * (k % len) as f64 / len as f64;
    Complex::new(super::real(angle.cos()), super::real(-angle.sin()))
}

fn four<T: FftNum>([a, b, c, d]: [Four<T>; 4]) -> [Four<T>; 4] {
    let (ac, ca, bd, db) = (a.plus(c), a.minus(c), b.plus(d), b.minus(d).down());
    [ac.plus(bd), ca.plus(db), ac.minus(bd), ca.minus(db)]
}

fn three<T: FftNum>([a, b, c]: [Four<T>; 3]) -> [Four<T>; 3] {
    let (half, sine) = (super::real::<T>(0.5), super::real::<T>(0.75_f64.sqrt()));
    let (sum, turned) = (b.plus(c), b.minus(c).by(sine).down());
    let middle = a.minus(sum.by(half));
    [a.plus(sum), middle.plus(turned), middle.minus(turned)]
}

/// Four complex values side by side.
#[derive(Clone, Copy)]
struct Four<T> {
    re: [T; LANES],
    im: [T; LANES],
}

impl<T: FftNum> Four<T> {
    /// `known` values from `at` on; zeros after them.
    #[inline(always)]
    fn load([re, im]: &Planes<T>, at: usize, known: usize) -> Self {
        if let (true, Some(re), Some(im)) = (known == LANES, re[at..].first_chunk(), im[at..].first_chunk()) {
            return Self { re: *re, im: *im };
        }
        let lane = |plane: &[T], lane: usize| if lane < known { plane[at + lane] } else { T::zero() };
        Self { re: std::array::from_fn(|k| lane(re, k)), im: std::array::from_fn(|k| lane(im, k)) }
    }

    /// One value in all places.
    #[inline(always)]
    fn all([re, im]: &Planes<T>, at: usize) -> Self {
        Self { re: [re[at]; LANES], im: [im[at]; LANES] }
    }

    #[inline(always)]
    fn store(&self, [re, im]: &mut Planes<T>, at: usize, known: usize) {
        if known == LANES {
            re[at..at + LANES].copy_from_slice(&self.re);
            im[at..at + LANES].copy_from_slice(&self.im);
        } else {
            re[at..at + known].copy_from_slice(&self.re[..known]);
            im[at..at + known].copy_from_slice(&self.im[..known]);
        }
    }

    #[inline(always)]
    fn plus(self, other: Self) -> Self {
        Self {
            re: std::array::from_fn(|k| self.re[k] + other.re[k]),
            im: std::array::from_fn(|k| self.im[k] + other.im[k]),
        }
    }

    #[inline(always)]
    fn minus(self, other: Self) -> Self {
        Self {
            re: std::array::from_fn(|k| self.re[k] - other.re[k]),
            im: std::array::from_fn(|k| self.im[k] - other.im[k]),
        }
    }

    #[inline(always)]
    fn times(self, other: Self) -> Self {
        Self {
            re: std::array::from_fn(|k| self.re[k] * other.re[k] - self.im[k] * other.im[k]),
            im: std::array::from_fn(|k| self.re[k] * other.im[k] + self.im[k] * other.re[k]),
        }
    }

    /// A quarter turn down: times -i.
    #[inline(always)]
    fn down(self) -> Self {
        Self { re: self.im, im: self.re.map(|x| -x) }
    }

    #[inline(always)]
    fn by(self, factor: T) -> Self {
        Self { re: self.re.map(|x| x * factor), im: self.im.map(|x| x * factor) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the definition, summed term by term.
    #[test]
    fn values_are_those_of_the_definition_whatever_the_length() {
        for len in (0..70).chain([96, 97, 100, 121, 210, 256, 512]) {
            let value = |n: usize| Complex::new(((n * n * 7 + 3 * n) % 31) as f64 - 14.0, ((n * 5) % 17) as f64 - 8.0);
            let mut values: Vec<Complex<f64>> = (0..len).map(value).collect();
            let mut singles: Vec<Complex<f32>> =
                values.iter().map(|value| Complex::new(value.re as f32, value.im as f32)).collect();
            Small::new(len).run(&mut values);
            Small::new(len).run(&mut singles);
            for (k, (found, single)) in values.iter().zip(singles).enumerate() {
                let expected: Complex<f64> = (0..len).map(|n| value(n) * turn::<f64>(n * k, len)).sum();
                let single = Complex::new(f64::from(single.re), f64::from(single.im));
                assert!((found - expected).norm() < 1e-10 * len as f64, "length {len}, value {k}: {found} {expected}");
                assert!((single - expected).norm() < 2e-4 * (len as f64).sqrt(), "length {len}, value {k}: {single}");
            }
        }
    }
}
