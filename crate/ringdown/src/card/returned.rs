//! Files that come back to a saved card: which it still waits for, and which turned out to be others of the same name.

use super::{Card, FileId, FileRole, Mark};

/// A file named by a saved card.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Expected {
    /// Name.
    pub name: String,
    /// Hash it must have.
    pub sha256: Option<String>,
    /// Role it had.
    pub role: Option<FileRole>,
}

/// A file that bears a name the saved card knows and holds something else.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Refused {
    /// Number it had on the card.
    pub id: FileId,
    /// Name.
    pub name: String,
    /// Its hash.
    pub sha256: String,
    /// The hash the saved card names.
    pub wanted: String,
}

impl Card {
    /// Files a saved card names that are not here.
    pub fn missing_files(&self) -> impl Iterator<Item = &Expected> {
        self.expected.iter().filter(|expected| !self.files.iter().any(|file| file.input.name == expected.name))
    }

    /// Files taken off the card again because their hash is not the one the saved card names.
    pub fn refused_files(&self) -> &[Refused] {
        &self.refused
    }

    /// From now on any file of this name will do; dropped again, it counts.
    pub fn accept_other(&mut self, name: &str) {
        self.expected.iter_mut().filter(|expected| expected.name == name).for_each(|expected| expected.sha256 = None);
        self.refused.retain(|refused| refused.name != name);
        self.changed.extend([2, 11]);
    }

    /// Every section is to be said anew, in another language.
    pub fn say_again(&mut self) {
        self.changed.extend(1..=11);
    }

    /// The hash a saved card asks of a file of this name.
    pub(super) fn wanted_hash(&self, name: &str) -> Option<&str> {
        self.expected.iter().find(|expected| expected.name == name)?.sha256.as_deref()
    }

    /// Takes the file off the card if it is not the one a saved card means. An unreadable one (no hash) stays: it is told of
    /// elsewhere.
    pub(super) fn refuse_other(&mut self, id: FileId) {
        let Some(file) = self.file(id) else { return };
        let (name, sha256) = (file.input.name.clone(), file.sha256.clone().unwrap_or_default());
        let wanted =
            self.wanted_hash(&name).filter(|wanted| !sha256.is_empty() && *wanted != sha256).map(str::to_owned);
        let Some(wanted) = wanted else { return };
        self.refused.retain(|refused| refused.name != name);
        self.refused.push(Refused { id, name, sha256, wanted });
        self.remove(id);
    }

    /// Replaces the marked stretches of a file.
    pub fn set_marks(&mut self, id: FileId, marks: Vec<Mark>) {
        let Some(name) = self.file(id).map(|file| file.input.name.clone()) else { return };
        let before = self.marks.len();
        let kept: Vec<Mark> = self.marks.iter().filter(|mark| mark.file != name).cloned().collect();
        if before == kept.len() && marks.is_empty() {
            return;
        }
        self.marks = kept;
        self.marks.extend(marks.into_iter().map(|mark| Mark { file: name.clone(), ..mark }));
        self.marks.retain(|mark| mark.from_s.is_finite() && mark.to_s > mark.from_s);
        self.forget_learnt();
        self.changed.extend([2, 7, 8, 9, 10, 11]);
    }
}

#[cfg(test)]
mod tests {
    use crate::card::{Card, Input, Mark, MarkLabel};

    const LOG: &[u8] = b"time (s),rpm\n0,1000\n0.1,1100\n0.2,1200\n";

    fn card(sha256: &str) -> Card {
        let mut card = Card::default();
        let saved =
            format!("{{\"card\":1,\"files\":[{{\"name\":\"a.csv\",\"sha256\":\"{sha256}\",\"role\":\"knock\"}}]}}");
        card.add(Input::from_bytes("saved.json", saved.into_bytes()), None).unwrap();
        card
    }

    fn worked(card: &mut Card) {
        while !card.step().progress.done {}
    }

    #[test]
    fn a_file_of_the_same_name_with_another_hash_is_refused_until_it_is_accepted() {
        let mut card = card(&"0".repeat(64));
        assert_eq!(card.missing_files().count(), 1);
        let other = || Input::from_bytes("a.csv", LOG.to_vec());
        card.add(other(), None).unwrap();
        worked(&mut card);
        assert_eq!(card.logs().count(), 0);
        assert_eq!(card.missing_files().count(), 1);
        assert_eq!(card.refused_files()[0].wanted, "0".repeat(64));
        card.accept_other("a.csv");
        card.add(other(), None).unwrap();
        worked(&mut card);
        assert_eq!((card.logs().count(), card.refused_files().len(), card.missing_files().count()), (1, 0, 0));
    }

    #[test]
    fn the_very_file_is_taken() {
        let mut hasher = crate::read::Hasher::new();
        hasher.update(LOG);
        let hash = hasher.finish();
        let mut card = card(&hash);
        card.add(Input::from_bytes("a.csv", LOG.to_vec()), None).unwrap();
        worked(&mut card);
        assert_eq!((card.logs().count(), card.refused_files().len()), (1, 0));
    }

    #[test]
    fn marks_of_one_file_are_replaced_and_others_stay() {
        let mut card = Card::default();
        let log = |name: &str| Input::from_bytes(name, LOG.to_vec());
        let (a, b) = (card.add(log("a.csv"), None).unwrap(), card.add(log("b.csv"), None).unwrap());
        let mark = |from_s: f64, to_s: f64| Mark {
            file: String::new(),
            from_s,
            to_s,
            label: MarkLabel::Safe,
            ignition_deg_btdc: None,
            load: None,
            fuel: None,
            coolant_c: None,
        };
        card.set_marks(a, vec![mark(0.0, 1.0), mark(2.0, 1.0), mark(f64::NAN, 1.0)]);
        card.set_marks(b, vec![mark(3.0, 4.0)]);
        card.set_marks(a, vec![mark(5.0, 6.0)]);
        let kept: Vec<(&str, f64)> = card.marks().iter().map(|mark| (mark.file.as_str(), mark.from_s)).collect();
        assert_eq!(kept, [("b.csv", 3.0), ("a.csv", 5.0)]);
    }
}
