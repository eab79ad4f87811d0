//! Files onto the card.

use super::choices;
use super::{Card, Content, EarLabel, Expected, File, FileId, FileRole, Input, RoleReason};
use crate::card::recording::Recording;
use crate::error::{Error, Kind};
use crate::read::card::CardFile;
use crate::read::sheet::Sheet;
use crate::read::{self, Content as Read};

impl Card {
    /// Finds out what a file is and takes it onto the card. Headers, logs, sheets and cards are read here, samples are
    /// not. A sheet or card replaces the sheet in force, unless another file gave a different one: then it is refused, so that no
    /// number ever hangs on a sheet by accident.
    ///
    /// # Errors
    /// The file can't be read, or a second sheet. Nothing else is lost.
    pub fn add(&mut self, input: Input, role: Option<FileRole>) -> Result<FileId, Error> {
        let source = (input.open)().map_err(|error| Error::io(&input.name, 0, error))?;
        let loaded = read::open(&input.name, source, &input.told)?;
        let notes = loaded.notes.iter().map(ToString::to_string).collect();
        let content = match loaded.value {
            Read::Recording(wave) => Content::Recording(Box::new(Recording::new(wave))),
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
        self.files.push(File { id, input, sha256: None, role, role_reason, notes, content, hashing: None });
        self.forget_learnt();
        self.changed.extend(1..=11);
        Ok(id)
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
                here.role = role;
                here.role_reason = RoleReason::Chosen;
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
