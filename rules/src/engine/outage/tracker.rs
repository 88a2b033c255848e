//! Follows an outage drill by the records that it brings forth: what came, after how long.

use super::course::{Course, SLACK};
use crate::ids::Seq;
use crate::record::{Body, Measured, Outcome, Purpose, Record};
use crate::time::{Moment, Span};

/// What has come so far.
#[derive(Clone, Debug)]
pub(super) struct Tracker {
    course: Course,
    out: Moment,
    back: Option<Moment>,
    episode: Option<Seq>,
    call: Option<Seq>,
    switching: Option<Seq>,
    pages: Vec<Seq>,
    seen: Option<Moment>,
    raised: Option<Moment>,
    commanded: Option<Moment>,
    confirmed: Option<Moment>,
    paged: Option<Moment>,
    answered: Option<Moment>,
    returned: Option<Moment>,
    all_clear: Option<Moment>,
}

impl Tracker {
    /// A drill begins; the plug is as good as out.
    pub(super) fn new(course: Course, out: Moment) -> Self {
        Self {
            course,
            out,
            back: None,
            episode: None,
            call: None,
            switching: None,
            pages: Vec::new(),
            seen: None,
            raised: None,
            commanded: None,
            confirmed: None,
            paged: None,
            answered: None,
            returned: None,
            all_clear: None,
        }
    }

    /// The plug was pulled at `out`.
    pub(super) fn put_out(&mut self, out: Moment) {
        self.out = out;
    }

    /// The alarm that it is about.
    pub(super) fn alarm(&self) -> &str {
        &self.course.alarm
    }

    /// The plug was put back at `back`.
    pub(super) fn put_back(&mut self, back: Moment) {
        self.back = Some(back);
    }

    /// The next record.
    pub(super) fn take(&mut self, record: &Record) {
        let (seq, at) = (record.seq, record.at.mono);
        match &record.body {
            Body::Raised { alarm, episode, since, .. } if *alarm == self.course.alarm => {
                self.episode.get_or_insert(*episode);
                self.seen.get_or_insert(at - *since);
                self.raised.get_or_insert(at);
                // A blink that is over: what counts is the last return.
                (self.returned, self.all_clear) = (None, None);
            }
            Body::Joined { call, episode, .. } if Some(*episode) == self.episode => self.call = Some(*call),
            Body::Switched { episode, .. } if Some(*episode) == self.episode && self.back.is_none() => {
                self.switching = Some(seq);
                self.commanded.get_or_insert(at);
            }
            Body::Proved { switching, .. } if Some(*switching) == self.switching && self.back.is_none() => {
                self.confirmed.get_or_insert(at);
            }
            Body::Paged { call, purpose: Purpose::Call, .. } if Some(*call) == self.call => {
                self.pages.push(seq);
            }
            Body::Delivered { page, result: Outcome::Accepted { .. } } if self.pages.contains(page) => {
                self.paged.get_or_insert(at);
            }
            Body::Answered { call, .. } if Some(*call) == self.call => {
                self.answered.get_or_insert(at);
            }
            Body::Returned { alarm, .. } if *alarm == self.course.alarm => self.returned = Some(at),
            Body::CallEnded { call } if Some(*call) == self.call => self.all_clear = Some(at),
            // An open list on purpose: a drill looks at these and at nothing else.
            _ => {}
        }
    }

    /// What is to come while the plug is out, in order.
    pub(super) fn out(&self) -> Vec<Measured> {
        let course = &self.course;
        let since = |at: Option<Moment>| at.map(|at| (at - self.out).max(Span::ZERO));
        let step = |what: String, at, within| Measured { what, took: since(at), within };
        let mut steps = vec![
            step("sensor says off".to_owned(), self.seen, course.seen),
            step("raised".to_owned(), self.raised, course.raised),
        ];
        if let Some(relay) = &course.relay {
            steps.push(step(format!("{relay} commanded"), self.commanded, course.commanded));
            if let Some(within) = course.confirmed {
                steps.push(step(format!("{relay} confirmed"), self.confirmed, within));
            }
        }
        steps.push(step("first page taken by a channel".to_owned(), self.paged, course.paged));
        steps.push(step("answered".to_owned(), self.answered, course.answered));
        steps
    }

    /// What is to come once the plug is back, in order.
    pub(super) fn in_again(&self) -> Vec<Measured> {
        let course = &self.course;
        let since = |at: Option<Moment>| Some((at? - self.back?).max(Span::ZERO));
        let step = |what: &str, at, within| Measured { what: what.to_owned(), took: since(at), within };
        vec![
            step(
                "power seen back",
                self.returned.map(|at| at - course.off_delay),
                course.returned - course.off_delay,
            ),
            step("returned to normal", self.returned, course.returned),
            step("all clear", self.all_clear, course.all_clear),
        ]
    }

    /// Whether waiting is over at `now`: all has come, or nothing more is expected.
    pub(super) fn is_over(&self, steps: &[Measured], begun: Moment, now: Moment) -> bool {
        let open = steps.iter().filter(|step| step.took.is_none());
        // Nothing that follows comes without the alarm.
        let in_vain =
            self.raised.is_none() && (self.back.is_some() || now - begun > self.course.raised + SLACK);
        in_vain || open.map(|step| step.within).max().is_none_or(|longest| now - begun > longest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::Priority;
    use crate::ids::By;
    use crate::time::Now;

    fn course() -> Course {
        Course {
            site: "Halyard House".to_owned(),
            place: "lagoon".to_owned(),
            alarm: "power-lost".to_owned(),
            seen: Span::seconds(35),
            raised: Span::seconds(60),
            relay: Some("air-pump on".to_owned()),
            commanded: Span::seconds(65),
            confirmed: Some(Span::seconds(90)),
            paged: Span::seconds(150),
            answered: Span::minutes(10),
            off_delay: Span::seconds(30),
            returned: Span::seconds(65),
            all_clear: Span::minutes(7),
        }
    }

    fn tell(tracker: &mut Tracker, seq: Seq, second: i64, body: Body) {
        let at = Now { mono: Moment(second * 1_000), ..Now::default() };
        tracker.take(&Record { seq, at, body });
    }

    fn raised() -> Body {
        Body::Raised {
            alarm: "power-lost".to_owned(),
            episode: 1,
            code: "K7QF".to_owned(),
            place: "lagoon".to_owned(),
            priority: Priority::Critical,
            since: Span::seconds(20),
            because: "mains off".to_owned(),
            after_work: None,
        }
    }

    fn said(steps: &[Measured]) -> Vec<String> {
        steps.iter().map(Measured::to_string).collect()
    }

    #[test]
    fn what_does_not_come_in_time_is_late_or_not_seen() {
        let mut tracker = Tracker::new(course(), Moment(1_000_000));
        tell(&mut tracker, 1, 1_080, raised());
        tell(&mut tracker, 2, 1_080, Body::Joined { call: 3, alarm: "power-lost".to_owned(), episode: 1 });
        let by = By { who: "ines".to_owned(), via: "text".to_owned() };
        tell(&mut tracker, 4, 1_120, Body::Answered { call: 3, by, lease: Span::hours(1) });
        let steps = tracker.out();
        assert_eq!(
            said(&steps),
            [
                "sensor says off after 1 min, LATE: expected within 35 s",
                "raised after 1 min 20 s, LATE: expected within 1 min",
                "air-pump on commanded NOT SEEN, expected within 1 min 5 s",
                "air-pump on confirmed NOT SEEN, expected within 1 min 30 s",
                "first page taken by a channel NOT SEEN, expected within 2 min 30 s",
                "answered after 2 min",
            ]
        );
        let over = |second: i64| tracker.is_over(&steps, Moment(1_000_000), Moment(second * 1_000));
        assert!(!over(1_149) && over(1_151), "as long as anything is still expected");
    }

    #[test]
    fn an_alarm_that_does_not_come_ends_the_wait_for_all_that_follows() {
        let mut tracker = Tracker::new(course(), Moment(0));
        let steps = tracker.out();
        assert!(!tracker.is_over(&steps, Moment(0), Moment(60_000)));
        assert!(tracker.is_over(&steps, Moment(0), Moment(66_000)), "the plug goes back");
        tracker.put_back(Moment(70_000));
        assert!(tracker.is_over(&tracker.in_again(), Moment(70_000), Moment(70_001)));
    }
}
