//! Files beyond any use are refused, or give what is there, in little memory. Alone in its program, so that the process's
//! highest memory is that of these files.

use outside_truth::vector_path;
use ringdown::read::{self, Content, Told};
use std::io::{Cursor, Read, Seek, SeekFrom};

/// What memory may grow by, however large the file. 64 MB is what a page on a weak computer can spare beside the rest.
const MOST_KB: u64 = 64 * 1024;

/// A text without a line end, repeated over half a gigabyte, held nowhere.
struct OneLine {
    head: &'static [u8],
    pattern: &'static [u8],
    at: u64,
    bytes: u64,
}

impl Read for OneLine {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let count = (self.bytes.saturating_sub(self.at)).min(out.len() as u64);
        for (slot, at) in out.iter_mut().zip(self.at..self.at + count) {
            let after = (at as usize).checked_sub(self.head.len());
            *slot = after.map_or_else(|| self.head[at as usize], |k| self.pattern[k % self.pattern.len()]);
        }
        self.at += count;
        Ok(count as usize)
    }
}

impl Seek for OneLine {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.at = match to {
            SeekFrom::Start(at) => at,
            SeekFrom::End(by) => self.bytes.saturating_add_signed(by),
            SeekFrom::Current(by) => self.at.saturating_add_signed(by),
        };
        Ok(self.at)
    }
}

/// The most memory this process ever held; on other systems nobody says.
fn highest_kb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?.split_whitespace().next()?.parse().ok()
}

fn refusal(file: Box<dyn read::Source>) -> String {
    read::open("big.csv", file, &Told::default()).err().map(|error| error.to_string()).unwrap_or_default()
}

fn long_lines() {
    let lines: [(&[u8], &[u8]); 7] = [
        (b"", b"x"),
        (b"", b"1.5,2.25,"),
        (b"time;rpm\n0;1\n1;2\n", b"1,5;2,25;"),
        (b"time,rpm\n0,1\n1,2\n\"", b"a\"\","),
        (b"", b"12 13\t"),
        (b"\xff\xfe", b"1\0;\0"),
        (b"{\"version\":1,\"name\":\"", b"a"),
    ];
    for (head, pattern) in lines {
        let told = refusal(Box::new(OneLine { head, pattern, at: 0, bytes: 500_000_000 }));
        assert!(told.starts_with("big.csv, line ") || told.starts_with("big.csv: "), "{pattern:?}: {told}");
        assert!(told.contains(';') && !told.contains('\n'), "says what to do: {told}");
    }
}

fn a_million_columns() {
    let head: String = (0..1_000_000).map(|k| format!("c{k},")).collect();
    let row = "1,".repeat(1_000_000);
    let told = refusal(Box::new(Cursor::new(format!("{head}\n{row}\n{row}\n").into_bytes())));
    assert!(told.contains("line 1 ") && told.contains("columns") && told.contains("at most 4096"), "{told}");
}

/// A valid recording with `claim` written `after` bytes behind the first `mark`.
fn claiming(name: &str, mark: &[u8], after: usize, claim: &[u8]) -> (u64, u64) {
    let mut bytes = std::fs::read(vector_path(&format!("sound/{name}"))).unwrap();
    let frames = |bytes: &[u8]| match read::open(name, Box::new(Cursor::new(bytes.to_vec())), &Told::default()) {
        Ok(loaded) => match loaded.value {
            Content::Recording(samples) => samples.frames,
            _ => 0,
        },
        Err(error) => panic!("{name}: {error}"),
    };
    let honest = frames(&bytes);
    let at = bytes.windows(mark.len()).position(|part| part == mark).unwrap() + mark.len() + after;
    bytes[at..at + claim.len()].copy_from_slice(claim);
    (honest, frames(&bytes))
}

fn headers_that_claim_four_gigabytes() {
    let most = u32::MAX - 15;
    let claims = [
        claiming("riff_pcm_16.wav", b"data", 0, &most.to_le_bytes()),
        claiming("rf64_pcm_16.wav", b"ds64", 12, &(1u64 << 62).to_le_bytes()),
        claiming("aiff_pcm_16.aiff", b"SSND", 0, &most.to_be_bytes()),
        claiming("aiff_pcm_16.aiff", b"COMM", 6, &most.to_be_bytes()),
        claiming("caf_pcm_16.caf", b"data", 0, &(1u64 << 62).to_be_bytes()),
    ];
    for (k, (honest, claimed)) in claims.into_iter().enumerate() {
        assert_eq!(honest, claimed, "claim {k}");
    }
}

#[test]
fn what_is_beyond_use_is_refused_in_little_memory() {
    let mut grown = Vec::new();
    for (what, work) in [
        ("500 MB in one line", long_lines as fn()),
        ("a header that claims 4 GB", headers_that_claim_four_gigabytes),
        ("a million columns", a_million_columns),
    ] {
        let before = highest_kb();
        work();
        grown.extend(before.zip(highest_kb()).map(|(before, after)| (what, after - before)));
    }
    println!("memory grew by, in kB: {grown:?}");
    assert!(grown.iter().all(|(_, kb)| *kb < MOST_KB), "{grown:?}");
}
