//! For how long an alarm may be put on the shelf. What must never be out of sight can't be shelved
//! at all: the loss of the mains and water on the floor. Anything critical is shelved for half an
//! hour at most. For the rest a day is enough, unless the keeper says otherwise with
//! `longest-shelf`.

use super::{Alarm, AlarmId, Plan, SensorId};
use crate::alarm::Priority;
use crate::condition::{Condition, Test};
use crate::diagnostic::Table;
use crate::time::Span;
use crate::units::QuantityItem as _;

/// A shelf ends by itself after this, unless the alarm says otherwise: what has to rest longer is
/// out of service.
pub const LONGEST_SHELF: Span = Span::hours(24);

/// Of anything critical. Common practice: long enough to finish what one is at, too short to forget
/// it.
pub const LONGEST_SHELF_OF_CRITICAL: Span = Span::minutes(30);

/// The longest that an alarm may say for itself.
const LONGEST: Span = Span::hours(24 * 30);

/// `longest-shelf` of an alarm of this priority.
pub(super) fn longest(table: &Table<'_>, priority: Option<Priority>) -> Option<Span> {
    let item = table.get("longest-shelf")?;
    let length = item.some_duration()?;
    let (bound, of) = match priority {
        Some(Priority::Critical) => (LONGEST_SHELF_OF_CRITICAL, "anything critical"),
        Some(Priority::Low | Priority::Medium | Priority::High) | None => (LONGEST, "an alarm"),
    };
    if length > bound {
        let help = "`slackwater service` takes an alarm out until it is put back, with a reason".to_owned();
        let title = format!("{of} is shelved for {bound} at most");
        return item.wrong(title, "longer than that", Some(help));
    }
    Some(length)
}

impl Plan {
    /// For how long the alarm may be shelved.
    ///
    /// # Errors
    /// If it can't be shelved at all: why not, in words.
    pub fn longest_shelf(&self, id: AlarmId) -> Result<Span, &'static str> {
        let alarm = self.alarm(id);
        if rests_on_nothing_but(alarm, |sensor| Some(sensor) == self.mains) {
            return Err("the loss of the mains can't be shelved");
        }
        if rests_on_nothing_but(alarm, |sensor| self.sensor(sensor).measure.name == "leak") {
            return Err("water on the floor can't be shelved");
        }
        let critical = alarm.priority == Priority::Critical && alarm.watched.is_none();
        let usual = if critical { LONGEST_SHELF_OF_CRITICAL } else { LONGEST_SHELF };
        Ok(alarm.longest_shelf.unwrap_or(usual))
    }
}

/// Whether an alarm tells of what some of these sensors say now, and of nothing else. What counts
/// or averages over a stretch of time tells of something else.
fn rests_on_nothing_but(alarm: &Alarm, of: impl Fn(SensorId) -> bool) -> bool {
    fn says_now(condition: &Condition) -> bool {
        match condition {
            Condition::All(parts) | Condition::Any(parts) => parts.iter().all(says_now),
            Condition::Not(inner) => says_now(inner),
            Condition::Says(Test::HasBeen { what, .. }, _) => says_now(what),
            Condition::Says(test, _) => matches!(test, Test::Is(..)),
        }
    }
    let sensors = alarm.condition.sensors();
    !sensors.is_empty() && sensors.into_iter().all(of) && says_now(&alarm.condition)
}
