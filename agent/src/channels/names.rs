//! How what is sent is called, so that a receiver can tell a repeat from something new.
//!
//! A name is the number of a record, and the same whenever the same thing is sent again. Two
//! numbers can be equal that mean different things: those of another journal, and those that no
//! disk took before the watch was killed, which its next life gives out once more. Marks keep these
//! apart.

use slackwater_rules::record::Seq;
use slackwater_rules::time::Now;
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
    /// Of the journal that began with this random number, so that page 1 of a new board is not
    /// dropped as a repeat of page 1 of the old one, and of the life that begins now.
    pub fn of(journal: u64, now: &Now) -> Self {
        let journal = format!("{:x}", journal & 0xffff);
        Self { journal, life: format!("{:x}", now.wall.0 & 0xffff_ffff), unkept: OnceLock::new() }
    }

    /// What has this number, or a later one, may never get to a disk: until the end of this life
    /// its name is this life's own.
    pub fn not_kept(&self, number: Seq) {
        self.unkept.get_or_init(|| number);
    }

    /// `page-123`; with its marks `page-123.7e2a`, and `page-123.7e2a.2b81c` what no disk took.
    pub(super) fn name(&self, kind: &str, number: Seq) -> String {
        let life = self.unkept.get().filter(|first| number >= **first).map_or("", |_| &self.life);
        let marks = [self.journal.as_str(), life].into_iter().filter(|mark| !mark.is_empty());
        marks.fold(format!("{kind}-{number}"), |name, mark| format!("{name}.{mark}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use slackwater_rules::time::{Moment, Wall};

    fn at(wall: i64) -> Now {
        Now { mono: Moment(0), wall: Wall(wall), wall_trusted: true }
    }

    #[test]
    fn what_no_disk_took_is_called_otherwise_than_what_the_next_life_gives_the_same_number() {
        let (life, next) = (SentNames::of(0x4_7e2a, &at(0x2b81c)), SentNames::of(0x4_7e2a, &at(0x2b97f)));
        assert_eq!(life.name("page", 7), "page-7.7e2a");
        life.not_kept(8);
        // Later numbers are of a disk that may have come back: what is named stays so.
        life.not_kept(11);
        let names = |of: &SentNames| [7, 8, 12].map(|number| of.name("page", number));
        assert_eq!(names(&life), ["page-7.7e2a", "page-8.7e2a.2b81c", "page-12.7e2a.2b81c"]);
        assert_eq!(names(&next), ["page-7.7e2a", "page-8.7e2a", "page-12.7e2a"]);
        next.not_kept(8);
        assert_ne!(names(&life), names(&next));
        assert_eq!(SentNames::default().name("call", 3), "call-3");
    }
}
