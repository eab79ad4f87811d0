//! What is timed against what. The first peer of an item is the base of its ratios.

/// How a peer is run.
#[derive(Debug, Clone, Copy)]
pub enum Runs {
    /// A function of `tests/bench/peers.py`.
    Python(&'static str),
    /// Work of `tests/bench`'s runner.
    Native(&'static str),
    /// Work in Chromium, in so many workers.
    Page(&'static str, u8),
    /// The program itself, started anew each time, on a recording of so many minutes.
    Twin(&'static str),
    /// The program on a log: so many rows of 20 columns, or `wide`.
    TwinLog(&'static str),
}

/// A peer and what the tables call it.
#[derive(Debug)]
pub struct Spec {
    pub label: &'static str,
    pub runs: Runs,
}

/// One table.
#[derive(Debug)]
pub struct Item {
    pub name: &'static str,
    pub title: &'static str,
    pub peers: &'static [Spec],
    /// Rounds, where the usual number would take too long.
    pub rounds: Option<usize>,
    /// Whether all peers must come to the same figure, and within which share of it.
    pub agree: Option<f64>,
}

const fn python(label: &'static str, name: &'static str) -> Spec {
    Spec { label, runs: Runs::Python(name) }
}

const fn native(label: &'static str, name: &'static str) -> Spec {
    Spec { label, runs: Runs::Native(name) }
}

const fn page(label: &'static str, name: &'static str, workers: u8) -> Spec {
    Spec { label, runs: Runs::Page(name, workers) }
}

const fn item(name: &'static str, title: &'static str, peers: &'static [Spec], agree: Option<f64>) -> Item {
    Item { name, title, peers, rounds: None, agree }
}

/// One thread, then two, over the same noise.
pub const CANARY: Item =
    item("canary", "Two threads against one", &[native("1 thread", "bands-1"), native("2 threads", "bands-2")], None);

/// All tables, in order.
pub const ITEMS: &[Item] = &[
    item(
        "stft",
        "Spectrogram to dB, 28.8 million samples, 1024 by 512",
        &[
            python("scipy.fft.rfft in blocks, 1 core", "scipy-rfft"),
            native("native, 1 thread", "stft-1"),
            native("native, 2 threads", "stft-2"),
            page("Chromium, 2 workers", "stft", 2),
        ],
        Some(1e-3),
    ),
    item(
        "bands",
        "Energy in 6 bands of order 4, all of 28.8 million samples, double precision",
        &[
            python("scipy sosfilt f64, 1 core", "scipy-sosfilt-f64"),
            native("native, 1 thread", "bands-1"),
            native("native, 2 threads", "bands-2"),
            page("Chromium, 2 workers", "bands", 2),
        ],
        Some(1e-3),
    ),
    item(
        "bands-single",
        "The same in single precision",
        &[
            python("scipy sosfilt f32, 1 core", "scipy-sosfilt-f32"),
            native("native, 2 threads", "bands-single-2"),
            page("Chromium, 2 workers", "bands_single", 2),
        ],
        Some(1e-3),
    ),
    item(
        "search",
        "Search of band and window: 20 000 combustions of known angle, maps and 3780 cells and the choice",
        &[native("native, 1 thread", "search"), page("Chromium, 1 worker", "search", 1)],
        Some(1e-6),
    ),
    item(
        "log",
        "Log of 1 million rows and 20 columns, file to typed columns (ours with roles, units and clock)",
        &[
            python("polars read_csv, 2 threads", "polars"),
            python("pandas read_csv, C engine", "pandas"),
            native("native, 1 thread", "log"),
            page("Chromium, 1 worker", "log", 1),
            page("Chromium, 2 workers", "log", 2),
        ],
        Some(1e-6),
    ),
    item(
        "wave",
        "Recording of 500 MB, 24 bits, 4 channels, file to f32 (ours slice by slice)",
        &[
            native("hound, native", "hound"),
            native("native bare read in 32 MiB", "bare"),
            native("native, 1 thread", "wave"),
            page("Chromium bare read in 32 MiB", "bare", 1),
            page("Chromium, 1 worker", "wave", 1),
            page("Chromium, 2 workers, half each", "wave", 2),
        ],
        None,
    ),
    item(
        "draw",
        "First picture of 1 million samples, 1200 by 400 pixels, axes and curve, the pyramid ready",
        &[page("uPlot in Chromium", "draw-peer", 1), page("Chromium, ours", "draw-ours", 1)],
        None,
    ),
    item(
        "zoom",
        "Zoom of the same, axes and curve: 95th percentile of 60 zooms from all of it to 1000 samples",
        &[page("uPlot in Chromium", "zoom-peer", 1), page("Chromium, ours", "zoom-ours", 1)],
        None,
    ),
    Item {
        name: "job",
        title: "Whole job: 10 minutes, 4 channels, 48 kHz, from file to limits, band and window given",
        peers: &[
            python("peer.py, 1 core, true TDC times given", "peer.py"),
            Spec {
                label: "native twin, started anew, no search: all of the result, sensors and hashes too",
                runs: Runs::Twin("job-10"),
            },
            page("Chromium, from drop to limits", "limits-10", 1),
        ],
        rounds: Some(3),
        agree: None,
    },
    item("start", "Start: single file from disk to its first file told", &[page("Chromium", "start", 1)], None),
    Item {
        name: "growth",
        title: "Growth: the whole job by length, time and memory",
        peers: &[
            Spec { label: "native, 1 minute, no search", runs: Runs::Twin("job-1") },
            Spec { label: "native, 10 minutes, no search", runs: Runs::Twin("job-10") },
            Spec { label: "native, 60 minutes, no search", runs: Runs::Twin("job-60") },
            Spec { label: "native, 6 hours, no search", runs: Runs::Twin("job-360") },
            page("Chromium, 1 minute", "job-1", 1),
            page("Chromium, 10 minutes", "job-10", 1),
            page("Chromium, 60 minutes", "job-60", 1),
        ],
        rounds: Some(1),
        agree: None,
    },
    Item {
        name: "rows",
        title: "Growth: the log route by rows, 20 columns, time and memory",
        peers: &[
            Spec { label: "native, 1e4 rows", runs: Runs::TwinLog("log-10000") },
            Spec { label: "native, 1e5 rows", runs: Runs::TwinLog("log-100000") },
            Spec { label: "native, 1e6 rows", runs: Runs::TwinLog("log-1000000") },
            Spec { label: "native, 5e6 rows", runs: Runs::TwinLog("log-5000000") },
            page("Chromium, 1e4 rows", "rows-10000", 1),
            page("Chromium, 1e5 rows", "rows-100000", 1),
            page("Chromium, 1e6 rows", "rows-1000000", 1),
        ],
        rounds: Some(1),
        agree: None,
    },
    Item {
        name: "wide",
        title: "A log of 1e6 rows and 40 channels, from drop to findings",
        peers: &[
            Spec { label: "native twin, started anew", runs: Runs::TwinLog("log-wide") },
            page("Chromium, from drop to findings", "rows-wide", 1),
        ],
        rounds: None,
        agree: None,
    },
];
