//! How what is sent is called, so that a receiver can tell a repeat from something new.
//!
//! A name is the number of a record, and the same whenever the same thing is sent again. Two
//! numbers can be equal that mean different things: those of another journal, and those that no
//! disk took before the watch was killed, which its next life gives out once more. Marks keep these
//! apart.

use super::plain::slug;
use slackwater_rules::record::Seq;
use std::sync::OnceLock;

/// The names of one life of one journal.
#[derive(Debug, Default)]
pub struct SentNames {
    journal: String,
    life: String,
    /// The first number of this life that the disk did not take when it was wanted.
    unkept: OnceLock<Seq>,
}

impl SentNames {
    /// `journal` differs whenever the journal begins anew, so that page 1 of a new board is not
    /// dropped as a repeat of page 1 of the old one; `life` at every start. Either may be empty.
    pub fn of(journal: &str, life: &str) -> Self {
        Self { journal: slug(journal), life: slug(life), unkept: OnceLock::new() }
    }

    /// What has this number, or a later one, may never get to a disk: until the end of this life
    /// its name is this life's own.
    pub fn not_kept(&self, number: Seq) {
        self.unkept.get_or_init(|| number);
    }

    /// `page-123`; with its marks `page-123.k3f9`, and `page-123.k3f9.2b81c` what no disk took.
    pub(super) fn name(&self, kind: &str, number: Seq) -> String {
        let life = self.unkept.get().filter(|first| number >= **first).map_or("", |_| &self.life);
        let marks = [self.journal.as_str(), life].into_iter().filter(|mark| !mark.is_empty());
        marks.fold(format!("{kind}-{number}"), |name, mark| format!("{name}.{mark}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_no_disk_took_is_called_otherwise_than_what_the_next_life_gives_the_same_number() {
        let (life, next) = (SentNames::of("k3f9", "2B81c"), SentNames::of("k3f9", "2b97f"));
        assert_eq!(life.name("page", 7), "page-7.k3f9");
        life.not_kept(8);
        // Later numbers are of a disk that may have come back: what is named stays so.
        life.not_kept(11);
        let names = |of: &SentNames| [7, 8, 12].map(|number| of.name("page", number));
        assert_eq!(names(&life), ["page-7.k3f9", "page-8.k3f9.2b81c", "page-12.k3f9.2b81c"]);
        assert_eq!(names(&next), ["page-7.k3f9", "page-8.k3f9", "page-12.k3f9"]);
        next.not_kept(8);
        assert_ne!(names(&life), names(&next));
        assert_eq!(SentNames::default().name("call", 3), "call-3");
    }
}
