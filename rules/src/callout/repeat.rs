//! When the last rung of a ladder is told again: a climb and what has been said lately flow in, a
//! later time flows out if its people have just been asked.

use super::decide::Decision;
use super::state::NEWS_WITHIN;
use crate::alarm::Priority;
use crate::record::PageFate;
use crate::time::Moment;

impl Decision<'_> {
    /// Until when a repeat is put off that falls due right behind news: if all whom it would
    /// tell have got that, it comes its time after, since a second page tells them nothing new.
    pub(super) fn put_off_by_news(&self, name: &str, rank: Priority) -> Option<Moment> {
        let ladder = self.facts.ladder(name)?;
        let climb = self.call.climb(name, rank).filter(|climb| climb.repeat(ladder.len()).is_some())?;
        let taken = climb.due - ladder.again;
        let people = self.reaches(ladder, rank, climb.next, true).0;
        // What sounds wakes whom news has not reached: it is never late.
        let asked = people.iter().map(|target| {
            target.contact.as_ref()?;
            let told = self.call.told.get(target);
            let got = told.filter(|told| !matches!(told.fate, Some(PageFate::Lost | PageFate::Waits)));
            got.map(|told| told.asked).filter(|asked| *asked > taken && self.now - *asked < NEWS_WITHIN)
        });
        asked.collect::<Option<Vec<Moment>>>()?.into_iter().min().map(|asked| asked + ladder.again)
    }
}
