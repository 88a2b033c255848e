//! What an account is of: a house with its ladders, alarms and people, what happens in it, and what
//! comes of that.

pub(crate) const MINUTE: i64 = 60_000;
pub(super) const DAY: i64 = 24 * 60 * MINUTE;

/// Seconds for which a switch must be lost before that is raised.
pub(crate) const LOST_FOR: i64 = 120;

/// Switches on one board fall silent together.
pub(crate) fn board(switch: usize) -> usize {
    switch / 2
}

/// Low, medium, high, critical.
pub(crate) type Rank = usize;
pub(crate) const CRITICAL: Rank = 3;

#[derive(Clone, Debug)]
pub(crate) struct Ladder {
    /// Minutes since it began; whom. The first is at once.
    pub(crate) rungs: Vec<(i64, Vec<&'static str>)>,
    pub(crate) again: i64,
    pub(crate) lease: i64,
    pub(crate) renew: i64,
    pub(crate) settle: i64,
    /// From 22:00 to 07:00.
    pub(crate) quiet: bool,
}

#[derive(Clone, Debug)]
pub(crate) struct Alarm {
    /// What it watches: several may watch the same.
    pub(crate) switch: usize,
    pub(crate) rank: Rank,
    pub(crate) ladder: usize,
    /// Seconds.
    pub(crate) on_delay: i64,
    pub(crate) latching: bool,
    /// Hours, if it is said.
    pub(crate) respond: Option<i64>,
    /// Earlier alarms, and whether it is expected with them.
    pub(crate) causes: Vec<(usize, bool)>,
    /// Whether it can get worse.
    pub(crate) worse: bool,
    /// It says that the watch's own power ends in eight minutes.
    pub(crate) own_end: bool,
    /// It is the loss of sight of its switch, and of no other thing.
    pub(crate) blind: bool,
    /// It cuts the heater; one alarm of a house at most.
    pub(crate) cuts: bool,
}

#[derive(Clone, Debug)]
pub(crate) struct House {
    pub(crate) ladders: Vec<Ladder>,
    pub(crate) alarms: Vec<Alarm>,
    /// Who may only be called from 08:00 to 22:00.
    pub(crate) sleepers: Vec<&'static str>,
    /// Ways that carry so many pages an hour, and how many of them are kept for what is critical.
    pub(crate) limits: Vec<(&'static str, usize, usize)>,
    /// The time of day at which the account begins, in ms since midnight.
    pub(crate) begins: i64,
}

impl House {
    /// The losses of sight that the watch adds, one for each switch: no more urgent than what they
    /// hide, by the first ladder.
    pub(crate) fn and_losses(mut self) -> Self {
        for switch in 0..self.switches() {
            let hidden = || self.watching(switch).map(|at| &self.alarms[at]);
            let rank = hidden().map(|alarm| alarm.rank).max().unwrap_or(0).min(2);
            let respond = hidden().filter_map(|alarm| alarm.respond).min();
            self.alarms.push(Alarm {
                switch,
                rank,
                ladder: 0,
                on_delay: LOST_FOR,
                latching: false,
                respond,
                causes: Vec::new(),
                worse: false,
                own_end: false,
                blind: true,
                cuts: false,
            });
        }
        self
    }

    pub(crate) fn name(&self, alarm: usize) -> String {
        match self.alarms[alarm].blind {
            true => format!("sight-seen-{}", self.alarms[alarm].switch),
            false => format!("alarm-{alarm:02}"),
        }
    }

    pub(crate) fn switches(&self) -> usize {
        self.alarms.iter().map(|alarm| alarm.switch + 1).max().unwrap_or(0)
    }

    /// Whether this switch says how long the watch's own power lasts.
    pub(crate) fn is_power(&self, switch: usize) -> bool {
        self.watching(switch).any(|alarm| self.alarms[alarm].own_end)
    }

    /// The alarms that watch this switch.
    pub(super) fn watching(&self, switch: usize) -> impl Iterator<Item = usize> {
        let alarms = self.alarms.iter().enumerate();
        alarms.filter(move |(_, alarm)| alarm.switch == switch && !alarm.blind).map(|(at, _)| at)
    }
}

/// Every way to each person, in the order in which they are tried.
pub(crate) const WAYS: [&str; 5] = ["ines.mail", "ines.push", "neighbour.mail", "neighbour.text", "tom.text"];

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Deed {
    /// What a switch shows.
    Begins(usize),
    Ends(usize),
    /// An alarm's `worse` turns true, or is not true any more.
    Worsens(usize),
    Eases(usize),
    /// By the alarm's own code.
    Answers(&'static str, usize),
    /// By the code of the call-out that the alarm is in.
    AnswersAll(&'static str, usize),
    Holds(&'static str, usize, i64),
    Next(&'static str, usize),
    /// The button beside the siren.
    Hush,
    /// A way takes no pages any more, or none now, or takes them again.
    Breaks(&'static str),
    PutsOff(&'static str),
    Mends(&'static str),
    /// A person switches the heater on or off.
    Draws,
    Rests,
    /// Its relay does nothing any more, or works again.
    Sticks(bool),
    /// A switch says nothing any more, or speaks again.
    Silent(usize),
    Speaks(usize),
    /// The watch dies and is back at once, and everything is heard at once.
    Restart,
}

/// Belongs to nobody.
pub(crate) const SIREN: &str = "siren";

/// When, to whom, what for.
pub(crate) type Telling = (i64, String, &'static str);

pub(super) fn person(target: &str) -> &str {
    target.split('.').next().unwrap_or(target)
}
