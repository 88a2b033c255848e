//! What the engine hears of a check-in: that the site lives, whether it asks for somebody, and
//! whether its alarm for silence is put aside while a silence is announced.

use super::form::Planned;
use super::refusals::CheckinRefusal;
use super::sites::Believed;
use super::words::SiteNote;
use crate::engine::{Arrival, Engine, Input, OperatorCommand};
use crate::plan::{LONGEST_SHELF, SILENT, Watched};
use crate::reading::Value;
use crate::record::By;
use crate::signs::{clip, one_line};
use crate::time::{Now, Span};

/// Two ends of an announced silence that lie this close are the same.
const SAME: Span = Span::minutes(1);

/// How a site itself is named in records.
const VIA: &str = "check-in";

/// Characters that are kept of the name that a refused check-in came under.
const LONGEST_NAME: usize = 64;

/// What is known of a site, in words for pages.
pub fn noted(site: &Watched, note: SiteNote) -> Input {
    Input::Noted { sensor: site.sensor, words: note.words, likely: note.likely }
}

/// So many check-ins under this name were turned away, the last for this reason.
pub fn turned_away(name: &str, refusal: &CheckinRefusal, count: u64) -> Input {
    let what = if count == 1 { "a check-in".to_owned() } else { format!("{count} check-ins, the last") };
    let by = By { who: clip(&one_line(name), LONGEST_NAME), via: VIA.to_owned() };
    Input::TurnedAway { what, why: refusal.to_string(), by }
}

/// The site lives, or lived; and whether it asks for somebody. `delivery` is how the message came.
pub fn sign_of_life(site: &Watched, believed: &Believed, delivery: Arrival) -> Vec<Input> {
    let delivery = if believed.live { delivery } else { Arrival::Backlog };
    let says = |sensor, word| Input::Measured { sensor, value: Value::Word(word), delivery };
    let asks = site.asks.map(|asks| says(asks, u16::from(!believed.check_in.asks)));
    [noted(site, believed.note.clone()), says(site.sensor, 0)].into_iter().chain(asks).collect()
}

/// The site's alarm for silence lies on the shelf while a silence is announced, and comes off it
/// when that is taken back. What a person here has put aside is left alone.
pub fn announced(engine: &Engine, site: &Watched, believed: &Believed, now: &Now) -> Vec<Input> {
    let Believed { check_in, live, .. } = believed;
    let alarm = format!("{}{SILENT}", site.name);
    let aside = engine.aside(&alarm).map(|aside| (aside.by.via == VIA, aside.until));
    // Old news has used up some of what was left then.
    let since = if *live { Span::ZERO } else { now.wall - check_in.at };
    let wanted = check_in.silence.clone().map(|silence| Planned { left: silence.left - since, ..silence });
    let wanted = wanted.filter(|silence| silence.left > Span::ZERO);
    let shelved = match (aside, &wanted) {
        (Some((false, _)), _) | (None, None) => return Vec::new(),
        (Some((true, Some(until))), Some(wanted)) => {
            let off = until - (now.mono + wanted.left);
            if Span(off.0.saturating_abs()) <= SAME {
                return Vec::new();
            }
            true
        }
        (Some((true, _)), _) => true,
        (None, Some(_)) => false,
    };
    let who = wanted.as_ref().map_or_else(|| site.name.clone(), |wanted| wanted.who.clone());
    let by = By { who, via: VIA.to_owned() };
    let unshelve = shelved
        .then(|| Input::Said { command: OperatorCommand::Unshelve { alarm: alarm.clone() }, by: by.clone() });
    let shelve = wanted.map(|wanted| {
        let length = wanted.left.min(LONGEST_SHELF);
        Input::Said {
            command: OperatorCommand::Shelve { alarm: alarm.clone(), length, why: wanted.why },
            by: by.clone(),
        }
    });
    unshelve.into_iter().chain(shelve).collect()
}
