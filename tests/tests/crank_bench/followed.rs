//! How well a speed was followed.

/// How much of the time over 1200 rpm has a speed, is within half a percent of the truth, and nearer to another multiple or
/// part of the speed (a third off), s.
#[derive(Default)]
pub struct Followed {
    fast: f64,
    known: f64,
    near: f64,
    far: f64,
}

impl Followed {
    /// So many seconds at a true speed.
    pub fn add(&mut self, seconds: f64, truth: f64, rpm: Option<f64>) {
        if truth < 1200.0 {
            return;
        }
        self.fast += seconds;
        let Some(rpm) = rpm else { return };
        self.known += seconds;
        self.near += if (rpm / truth - 1.0).abs() < 0.005 { seconds } else { 0.0 };
        self.far += if (rpm / truth - 1.0).abs() > 1.0 / 3.0 { seconds } else { 0.0 };
    }

    /// Prints what there is, and fails where it is not enough.
    pub fn check(&self, what: &str) {
        let Followed { fast, known, near, far } = self;
        println!("{what}: known {:.3} near {:.3} far {far}", known / fast, near / known);
        assert!(*known > 0.9 * fast, "{what}: {known} of {fast} s");
        assert!(*near >= 0.95 * known, "{what}: {near} of {known} s");
        assert!(*far == 0.0, "{what}: half or double speed");
    }
}
