//! Files onto the card.

use super::choices;
use super::{Card, Content, EarLabel, Expected, File, FileId, FileRole, Input, RoleReason};
use crate::card::recording::Recording;
use crate::error::{Error, Kind, Loaded};
use crate::read::Content as Read;
use crate::read::card::{CardFile, Mark};
use crate::read::halves::Halves;
use crate::read::joined::{Join, join};
use crate::read::samples::Samples;
use crate::read::sheet::Sheet;

impl Card {
    /// Finds out what a file is and takes it onto the card. Headers, logs, sheets and cards are read here, samples are
    /// not. A sheet or card replaces the sheet in force, unless another file gave a different one: then it is refused, so that no
    /// number ever hangs on a sheet by accident.
    ///
    /// # Errors
    /// The file can't be read, or a second sheet. Nothing else is lost.
    pub fn add(&mut self, input: Input, role: Option<FileRole>) -> Result<FileId, Error> {
        let loaded = input.read()?;
        self.take(input, loaded, role)
    }

    /// As [`Card::add`], of a log whose second half another worker reads: `second` gives its pieces.
    ///
    /// # Errors
    /// As there.
    pub fn add_halves(
        &mut self,
        input: Input,
        role: Option<FileRole>,
        halves: Halves,
        second: impl Iterator<Item = Vec<u8>>,
    ) -> Result<FileId, Error> {
        let loaded = halves.open(&input.name, input.source()?, &input.told, second)?;
        self.take(input, loaded, role)
    }

    /// Takes several files of one run onto the card as one recording, sorted by name.
    ///
    /// # Errors
    /// One of them can't be read or is no recording, or they do not fit together. Nothing is taken then.
    pub fn add_joined(&mut self, inputs: Vec<Input>, how: Join, role: Option<FileRole>) -> Result<FileId, Error> {
        let (mut parts, mut notes) = (Vec::new(), Vec::new());
        for input in &inputs {
            let loaded = input.read()?;
            notes.extend(loaded.notes);
            match loaded.value {
                Read::Recording(samples) => parts.push(samples),
                _ => {
                    let found = "a file that is no recording, among those to be joined,".to_owned();
                    return Err(Card::error(&input.name, Kind::Unsupported { found, remedy: "drop it on its own" }));
                }
            }
        }
        let joined = join(parts, how)?;
        notes.extend(joined.notes);
        let input = Input::joined(joined.value.name.clone(), inputs);
        self.take(input, Loaded { value: Read::Recording(joined.value), notes }, role)
    }

    fn take(&mut self, input: Input, loaded: Loaded<Read>, role: Option<FileRole>) -> Result<FileId, Error> {
        let mut notes: Vec<String> = loaded.notes.iter().map(ToString::to_string).collect();
        let content = match loaded.value {
            Read::Recording(samples) => {
                notes.extend(self.take_cues(&input.name, &samples));
                Content::Recording(Box::new(Recording::new(samples)))
            }
            Read::Log(log) => Content::Log(Box::new(log)),
            Read::Sheet(sheet) => {
                self.refuse_second_sheet(&input.name, &sheet)?;
                self.sheet_file = Some(input.name.clone());
                self.take_sheet(*sheet);
                Content::Sheet
            }
            Read::Card(card) => {
                if let Some(sheet) = &card.sheet {
                    self.refuse_second_sheet(&input.name, sheet)?;
                }
                self.take_card(&input.name, *card)?;
                Content::Card
            }
        };
        let (role, role_reason) = self.role_for(&input.name, role);
        let id = self.next_id;
        self.next_id += 1;
        self.files.push(File {
            id,
            input,
            sha256: None,
            role,
            role_reason,
            notes,
            content,
            hashing: None,
            hash_away: None,
            is_helped: true,
        });
        self.forget_learnt();
        self.changed.extend(1..=11);
        Ok(id)
    }

    /// Marks the recorder set whose label is a word for a stretch become marks of the card: up to their own length, else
    /// to the next mark. The others are told.
    fn take_cues(&mut self, name: &str, samples: &Samples) -> Option<String> {
        if samples.cues.is_empty() {
            return None;
        }
        let rate = samples.sample_rate_hz;
        let ends = samples.cues.iter().skip(1).map(|cue| cue.frame).chain([samples.frames]);
        for (cue, next) in samples.cues.iter().zip(ends) {
            let Some(label) = choices::mark_label(&cue.label) else { continue };
            let end = if cue.length > 0 { cue.frame.saturating_add(cue.length).min(samples.frames) } else { next };
            let mark = Mark::plain(name, cue.frame as f64 / rate, end as f64 / rate, label);
            if end > cue.frame && !self.marks.contains(&mark) {
                self.marks.push(mark);
            }
        }
        let shown = samples.cues.iter().take(10).map(|cue| format!("{:.1} s {}", cue.frame as f64 / rate, cue.label));
        let listed: Vec<String> = shown.map(|text| text.trim_end().to_owned()).collect();
        let more = if samples.cues.len() > 10 { ", ..." } else { "" };
        let what = format!("the recorder set {} marks: {}{more}", samples.cues.len(), listed.join(", "));
        let remedy = "a mark named safe, knock or exclude holds for the stretch after it; others are for your eyes";
        Some(Card::error(name, Kind::Noted { what, remedy }).to_string())
    }

    fn role_for(&self, name: &str, given: Option<FileRole>) -> (FileRole, RoleReason) {
        let expected = self.expected.iter().find(|expected| expected.name == name).and_then(|expected| expected.role);
        match given.or(expected) {
            Some(role) => (role, RoleReason::Chosen),
            None => choices::guess_role(name),
        }
    }

    fn refuse_second_sheet(&self, name: &str, sheet: &Sheet) -> Result<(), Error> {
        match &self.sheet_file {
            _ if self.sheet.as_ref() == Some(sheet) => Ok(()),
            Some(first) if self.files.iter().any(|file| &file.input.name == first) => Err(Card::error(
                name,
                Kind::Unsupported {
                    found: format!("a second engine sheet (the card already works with {first})"),
                    remedy: "take the first one off the card, or drop only one",
                },
            )),
            _ => Ok(()),
        }
    }

    fn take_card(&mut self, name: &str, card: CardFile) -> Result<(), Error> {
        let choices = super::Choices::saved(&card.choices);
        self.choose(choices).map_err(|error| Error { file: name.into(), ..error })?;
        if let Some(sheet) = card.sheet {
            self.sheet_file = Some(name.into());
            self.take_sheet(sheet);
        }
        for file in card.files {
            if let (Some(role), Some(here)) =
                (file.role, self.files.iter_mut().find(|here| here.input.name == file.name))
            {
                here.choose_role(role);
            }
            self.expected.push(Expected { name: file.name, sha256: file.sha256, role: file.role });
        }
        let judged = card
            .labels
            .into_iter()
            .filter_map(|label| Some(EarLabel { file: label.file, t_s: label.t_s, knock: label.knock? }));
        self.labels.extend(judged);
        self.marks.extend(card.marks);
        Ok(())
    }
}
