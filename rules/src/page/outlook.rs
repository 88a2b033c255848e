//! How long there is, in words: one line a tank, the harm that comes first, its early end first.
//! Oxygen goes before cold wherever neither flow nor air is proved; a range that says nothing is
//! left out.

use super::facts::{Breathless, Coming, Facts, Outlook};
use super::helping;
use super::said::PageLine;
use crate::alarm::Priority;
use crate::card::Step;
use crate::time::{Moment, Span};
use crate::words;

/// What ends later than this says nothing to a person who decides whether to get up.
const DAY_H: f64 = 12.0;
/// What may come at once and may come after days says nothing at all.
const VAGUE_H: (f64, f64) = (0.25, 24.0);
/// In a text only what ends within hours.
const SOON_H: f64 = 12.0;
/// What may come before this is said to come at any time.
const AT_ONCE_H: f64 = 1.0 / 12.0;

/// Nobody reads a page, gets up and goes in less.
const TOO_NEAR_H: f64 = 0.25;

/// By when somebody has to act.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum ActBy {
    /// By this time of day.
    Time(String),
    /// What may come may come at any time.
    AtOnce,
    /// The time for it is over.
    Over,
    /// Nothing says.
    Unsaid,
}

fn hours(span: Span) -> f64 {
    span.0 as f64 / 3.6e6
}

impl Coming {
    /// Whether a person learns something by it.
    fn says_something(&self) -> bool {
        let range = self.range;
        let vague = range.low < VAGUE_H.0 && range.high > VAGUE_H.1;
        range.high > 0.0 && range.low <= DAY_H && !vague
    }
}

impl Outlook {
    /// The harm that comes first and says something; the oxygen's if the tank is breathless.
    fn first(&self) -> Option<&Coming> {
        let worth = self.harms.iter().filter(|harm| harm.says_something());
        let worth = worth.filter(|harm| self.breathless.is_none() || harm.oxygen);
        worth.min_by(|one, other| one.range.low.total_cmp(&other.range.low))
    }

    fn early(&self) -> f64 {
        self.first().map_or(f64::INFINITY, |harm| harm.range.low)
    }
}

impl Facts<'_> {
    /// A line a tank, those without air first, then the soonest; and the watch's own end.
    pub(super) fn how_long(&self) -> Vec<PageLine> {
        let found = self.by_urgency();
        let tanks = found.iter().enumerate().map(|(at, it)| PageLine::Plain(self.outlook(it, at == 0)));
        let mut lines: Vec<PageLine> = tanks.collect();
        lines.extend(self.own_end().map(PageLine::Plain));
        lines.extend(self.consequence().map(PageLine::Plain));
        lines
    }

    /// What follows if nobody acts. What is only not seen has done no harm.
    fn consequence(&self) -> Option<String> {
        let alarm = self.lead.as_ref().filter(|lead| lead.stands())?.alarm?;
        let consequence = alarm.consequence.as_ref()?;
        match alarm.sight {
            // What would not be seen is of no use to a helper, who looks.
            Some(_) if self.is_helper() => None,
            Some(_) => Some(words::sentence(consequence)),
            None => Some(words::sentence(&format!("If nobody acts: {consequence}"))),
        }
    }

    /// For who has come from elsewhere: when that is enough, also where nobody ever says so.
    /// Who gives air by hand gives it on and on.
    pub(super) fn may_go(&self, steps: &[Step<'_>]) -> Option<String> {
        self.helped().filter(|_| self.priority > Priority::Low)?;
        let who = helping::keeper(self.plan, self.reader()).unwrap_or(helping::KEEPER);
        let once = match steps.iter().any(|step| step.line.instead_of.is_some()) {
            true => {
                "A tank has neither flow nor bubbles? Stay, and pour as long as you can. All have one? Go home,"
            }
            false => "Once all steps are done, go home,",
        };
        Some(format!(
            "You may go when {who} says so, or a message says \"all clear\". Nobody reached? {once} look \
             again every hour, and call each time."
        ))
    }

    /// What says something, tanks without air first, then the soonest.
    pub(super) fn by_urgency(&self) -> Vec<&Outlook> {
        let says = |it: &&Outlook| it.breathless.is_some() || it.first().is_some();
        let mut found: Vec<&Outlook> = self.outlooks.iter().filter(says).collect();
        found.sort_by(|one, other| {
            let key = |it: &Outlook| (it.breathless.is_none(), it.breathless);
            key(one).cmp(&key(other)).then(one.early().total_cmp(&other.early()))
        });
        found
    }

    /// By when an act is wanted, and it is the only such time on the page: when the first harm may
    /// come, or else when the leading alarm's time to respond ends.
    pub(super) fn due(&self) -> ActBy {
        let Some(by) = self.act_by() else { return ActBy::Unsaid };
        let left = hours(by - self.now.mono);
        let harms = self.by_urgency().into_iter().filter(|_| self.priority > Priority::Low);
        let soonest = harms.map(Outlook::early).fold(f64::INFINITY, f64::min);
        match soonest < left {
            _ if left <= 0.0 => ActBy::Over,
            _ if left.min(soonest) < TOO_NEAR_H => ActBy::AtOnce,
            true => ActBy::Time(words::not_before(&self.now, soonest, &self.plan.zone)),
            false => ActBy::Time(self.time(by)),
        }
    }

    /// By when the leading alarm wants an act. What says nothing of it gives an hour if it is high,
    /// as its page says, and half of one if it is critical.
    fn act_by(&self) -> Option<Moment> {
        let lead = self.lead.as_ref().filter(|lead| lead.stands())?;
        let unsaid = match lead.priority {
            Priority::Critical => Some(Span::minutes(30)),
            Priority::High => Some(Span::hours(1)),
            Priority::Medium | Priority::Low => None,
        };
        let given = lead.alarm?.time_to_respond.or(unsaid)?;
        // What is only not seen has waited for sight to come back: its time begins with the first
        // page.
        let begins = match lead.alarm?.sight {
            Some(_) if self.answers.is_empty() => {
                self.told.first().map_or(self.now.mono, |first| first.at).max(lead.onset)
            }
            Some(_) | None => lead.onset,
        };
        Some(begins + given)
    }

    fn outlook(&self, it: &Outlook, leads: bool) -> String {
        let place = words::capital(&it.place);
        let water = it.water.as_ref().map(|water| format!(" {water}")).unwrap_or_default();
        let coming = it.first().map(|harm| self.coming(harm));
        match it.breathless {
            Some(breathless) => {
                let air = match breathless {
                    Breathless::Seen => "no flow and no air",
                    Breathless::NotProved => "nothing shows flow or air",
                };
                let oxygen = coming.unwrap_or_else(|| "how long its oxygen lasts is not known".to_owned());
                let leads = if leads { " Go there first." } else { "" };
                let water = it.water.as_ref().map(|water| format!(" Water {water}.")).unwrap_or_default();
                format!("{place}: {air}; {oxygen}.{leads}{water}")
            }
            None => format!("{place}{water}: {}.", coming.unwrap_or_default()),
        }
    }

    /// `below 22 °C not before 03:40`: the early end is the one to act by, and a second time beside
    /// it reads as a second answer. Of oxygen it is how long there is enough.
    fn coming(&self, harm: &Coming) -> String {
        let what = &harm.what;
        let at = || words::not_before(&self.now, harm.range.low, &self.plan.zone);
        match (harm.oxygen, harm.range.low < AT_ONCE_H) {
            (true, true) => format!("its oxygen may end at any time, then {what}"),
            (true, false) => format!("its oxygen may last only until {}, then {what}", at()),
            (false, true) => format!("{what} at any time from now on"),
            (false, false) => format!("{what} not before {}", at()),
        }
    }

    /// When the watch itself falls silent.
    pub(super) fn own_end(&self) -> Option<String> {
        if !self.power_cut && self.goes_dark.is_none() {
            return None;
        }
        Some(match self.goes_dark {
            Some(at) if at <= self.now.mono => {
                "This watch (the computer that sends these messages) may lose its power at any time. After that it calls nobody.".to_owned()
            }
            Some(at) => {
                format!("This watch (the computer that sends these messages) has power until about {}. After that it calls nobody.", self.time(at))
            }
            None => "How long this watch (the computer that sends these messages) has power is not known: look yourself every hour.".to_owned(),
        })
    }

    /// The soonest harm, for a text: only what comes within hours, and says something.
    pub(super) fn soonest(&self) -> Option<String> {
        if let Some(it) = self.by_urgency().into_iter().find(|it| it.breathless.is_some()) {
            let here = self.lead.as_ref().is_some_and(|lead| lead.place == it.place);
            return Some(match here {
                true => "No air seen".to_owned(),
                false => format!("{}: no air seen", words::capital(&it.place)),
            });
        }
        let soon = self.outlooks.iter().filter(|it| it.first().is_some_and(|harm| harm.range.high <= SOON_H));
        let it = soon.min_by(|one, other| one.early().total_cmp(&other.early()))?;
        let harm = it.first()?;
        Some(format!("{}: {}", words::capital(&it.place), self.coming(harm)))
    }
}
