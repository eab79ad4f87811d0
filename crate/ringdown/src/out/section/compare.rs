//! Section 10: before against after.

use super::*;
use crate::card::FileRole;

pub(super) fn view(card: &Card) -> SectionView {
    let has = |roles: &[FileRole]| {
        card.files().iter().any(|file| {
            roles.contains(&file.role)
                && matches!(file.content, crate::card::Content::Recording(_) | crate::card::Content::Log(_))
        })
    };
    if has(&[FileRole::Before]) && has(&[FileRole::After, FileRole::Safe, FileRole::Knock]) {
        return waiting(10, "compare.later", "compare.todo.later");
    }
    waiting(10, "compare.waiting", "compare.todo.drop")
}
