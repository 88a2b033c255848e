//! What a call-out must know of the world to decide: ladders, who explains whom, who can be
//! reached, what the forecasts say. The engine answers these questions from its plan and its other
//! parts at the moment of deciding, so that nothing of it is stored twice.

use super::ladder::Ladder;
use crate::plan::{SirenLimits, Target};
use crate::record::Seq;
use crate::time::{Moment, Span};

/// Questions that a decision may ask. All answers are as of now.
pub trait Facts {
    /// The ladder of this name; none if the plan has it no more.
    fn ladder(&self, name: &str) -> Option<&Ladder>;
    /// Whom a rung tells today: its targets and those who stand in for people who are away.
    fn people(&self, ladder: &str, rung: u32) -> Vec<Target>;
    /// What stands against telling this target now.
    fn block(&self, target: &Target) -> Option<Block>;
    /// How long a siren may sound, and from which rank on.
    fn siren(&self, siren: &Target) -> SirenLimits;
    /// Every way to a person by which they can be asked now; empty for one who is away, asleep by
    /// their hours, or no contact.
    fn ways_to_ask(&self, who: &str) -> Vec<Target>;
    /// Every way to a person there is.
    fn ways(&self, who: &str) -> Vec<Target>;
    /// Whether a person is away.
    fn is_away(&self, who: &str) -> bool;
    /// All that explains an alarm, by one or more steps of `consequence-of`.
    fn causes(&self, effect: &str) -> Vec<&str>;
    /// All that an alarm explains.
    fn effects(&self, cause: &str) -> Vec<&str>;
    /// The alarms with which this one says that it is `expected`.
    fn expected(&self, effect: &str) -> Vec<&str>;
    /// The alarms whose sight an alarm is the loss of.
    fn hidden(&self, sight: &str) -> Vec<&str>;
    /// Until when a loss of sight alone may wait before anybody is told; none for what is no loss
    /// of sight.
    fn may_wait_until(&self, alarm: &str) -> Option<Moment>;
    /// Whether two alarms are about the same kind of trouble for another reason than being cause
    /// and consequence: two channels that fail, or two sensors that fell silent together.
    fn akin(&self, one: &str, other: &str) -> bool;
    /// Among which alarms to look for those.
    fn may_be_akin(&self, alarm: &str) -> MayBeAkin<'_>;
    /// When this alarm, whose condition is true, will be raised; none if it is not, or stands.
    fn about_to_raise(&self, alarm: &str) -> Option<Moment>;
    /// How long this alarm's condition must hold before it is raised.
    fn on_delay(&self, alarm: &str) -> Span;
    /// When this ladder's quiet hours end; none outside of them, or while the time of day is not
    /// known.
    fn quiet_until(&self, ladder: &str) -> Option<Moment>;
    /// How long a person has to act once this alarm is raised, if the rule file says it.
    fn time_to_respond(&self, alarm: &str) -> Option<Span>;
    /// The early end of the harm that is forecast for this episode's tank, if its range says
    /// something.
    fn harm_from(&self, episode: Seq) -> Option<Moment>;
    /// The same, if that harm is deadly.
    fn deadly_from(&self, episode: Seq) -> Option<Moment>;
    /// The early end of the watch's own power, while it lives on a battery.
    fn dark_from(&self) -> Option<Moment>;
    /// Whether all that has readings to give has been heard since the watch began.
    fn has_listened(&self) -> bool;
}

/// Where the kin of an alarm may be found that is neither its cause nor its consequence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MayBeAkin<'a> {
    /// Among these alone.
    These(Vec<&'a str>),
    /// Anywhere.
    All,
}

/// Why somebody can't be told now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Block {
    /// It is outside their hours.
    Hours,
    /// They are away.
    Away,
    /// Their hours say never, whatever happens.
    Never,
    /// There is no such person or channel any more.
    Gone,
    /// It is itself one of the channels that fail.
    Shut,
    /// A siren that is not meant for this rank.
    Rank,
}

/// How much weighs against people's rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Insistence {
    /// Hours and absences hold.
    Polite,
    /// People are asked outside their hours.
    Hours,
    /// Those who are away are asked too.
    All,
}

impl Insistence {
    /// Whether this much insistence tells somebody in spite of `block`.
    pub fn overrides(self, block: Block) -> bool {
        match block {
            Block::Hours => self >= Self::Hours,
            Block::Away => self >= Self::All,
            Block::Never | Block::Gone | Block::Shut | Block::Rank => false,
        }
    }
}
