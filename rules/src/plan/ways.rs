//! The ways to answer a page, as data. What exists flows in from the agent's configuration, in the
//! order of ease; the lines that a page shows to this reader, on this channel, now flow out. A way
//! that nobody has listed here is never named; one that needs what has no power is not either.

use super::{ChannelKind, Contact};
use std::collections::BTreeSet;

/// One way to answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Way {
    /// Only as the reply to a page on such a channel; on every page if none.
    pub on: Option<ChannelKind>,
    /// Not on such a channel, since there an easier way of the same kind stands.
    pub except: Option<ChannelKind>,
    /// Only for these people, by the names of rule files; for everybody if none.
    pub who: Option<BTreeSet<String>>,
    /// Only for who can do this, and only where there is no easier way; for everybody if none.
    pub takes: Option<Skill>,
    /// What has to work for it.
    pub needs: Needs,
    /// What a page says; `{code}` stands for the code, `{reader}` for the reader's name in rule
    /// files: `Reply to this mail with {code}.`
    pub page: String,
    /// What a text or another short page says, plain: `Reply {code}`. None if it is too long for
    /// one.
    pub text: Option<String>,
    /// An address that can be opened and asks before it answers; `{code}` stands for the code.
    pub link: Option<String>,
}

/// What not everybody can do, and so takes to be declared of a person.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Skill {
    /// To publish on the broker under their own name.
    Broker,
    /// To log in to the watch's own computer.
    Computer,
}

impl Skill {
    /// By the names that files use.
    pub const ALL: [(&'static str, Self); 2] = [("broker", Self::Broker), ("computer", Self::Computer)];
}

/// What a way needs beyond the reader's own phone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Needs {
    /// The router at the house, with power.
    Router,
    /// The modem at the house, with power.
    Modem,
    /// Neither: whoever answers stands at the house.
    Nothing,
}

/// How a thing that ways need is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Powered {
    /// It has no power, as far as was declared.
    No,
    /// The mains are out, and nobody declared how long it goes on.
    Perhaps,
    /// The mains are on, or its battery lasts.
    Yes,
}

/// The moment in which ways are shown.
#[derive(Clone, Copy, Debug)]
pub struct AtHand {
    /// The router at the house.
    pub router: Powered,
    /// The modem at the house.
    pub modem: Powered,
}

impl Default for AtHand {
    fn default() -> Self {
        Self { router: Powered::Yes, modem: Powered::Yes }
    }
}

impl AtHand {
    fn allows(&self, needs: Needs) -> Powered {
        match needs {
            Needs::Router => self.router,
            Needs::Modem => self.modem,
            Needs::Nothing => Powered::Yes,
        }
    }
}

impl Way {
    /// A text is answered by a text.
    pub fn reply_by_text() -> Self {
        Self {
            on: Some(ChannelKind::Text),
            except: None,
            who: None,
            takes: None,
            needs: Needs::Modem,
            page: "Reply to this text with {code}.".to_owned(),
            text: Some("Reply {code}".to_owned()),
            link: None,
        }
    }

    /// A mail is answered by a mail.
    pub fn reply_by_mail() -> Self {
        Self {
            on: Some(ChannelKind::Mail),
            except: None,
            who: None,
            takes: None,
            needs: Needs::Router,
            page: "Reply to this mail with {code} in its first line.".to_owned(),
            text: Some("Reply {code}".to_owned()),
            link: None,
        }
    }

    /// A text to the watch's own number, from the phone of one of these people.
    pub fn text_to(number: &str, who: BTreeSet<String>) -> Self {
        Self {
            except: Some(ChannelKind::Text),
            who: Some(who),
            page: format!("Text {{code}} to {number}."),
            text: Some(format!("Text {{code}} to {number}")),
            ..Self { on: None, ..Self::reply_by_text() }
        }
    }

    /// A message to the broker, on the contact's own topic below this one.
    pub fn topic(answers: &str) -> Self {
        Self {
            needs: Needs::Router,
            takes: Some(Skill::Broker),
            page: format!("By MQTT: publish {{code}} on {answers}/{{reader}}"),
            ..Self::command()
        }
    }

    /// At the watch's own computer, for who may log in there.
    pub fn command() -> Self {
        Self {
            on: None,
            except: None,
            who: None,
            takes: Some(Skill::Computer),
            needs: Needs::Nothing,
            page: "On the watch's own computer: slackwater ack {code}".to_owned(),
            text: None,
            link: None,
        }
    }

    /// The page in the house, opened at its call-out: it asks before it answers.
    pub fn on_the_page(url: &str, needs_router: bool) -> Self {
        Self {
            on: None,
            who: None,
            except: None,
            takes: None,
            needs: if needs_router { Needs::Router } else { Needs::Nothing },
            page: "Answer on the page in the house:".to_owned(),
            text: None,
            link: Some(format!("{url}/call/{{code}}")),
        }
    }

    /// What there is without anybody's doing.
    pub fn built_in() -> Vec<Self> {
        vec![Self::reply_by_text(), Self::command()]
    }

    fn is_for(&self, reader: Option<(&str, &Contact)>, kind: Option<ChannelKind>) -> bool {
        let can = |skill: Skill| reader.is_none_or(|(_, contact)| contact.can(skill));
        let named = |who: &BTreeSet<String>| reader.is_some_and(|(name, _)| who.contains(name));
        self.on.is_none_or(|on| kind == Some(on))
            && self.except.is_none_or(|except| kind != Some(except))
            && self.takes.is_none_or(can)
            && self.who.as_ref().is_none_or(named)
    }
}

/// The ways that exist for this reader on a channel of this kind, now. What surely works goes
/// before what only perhaps does, and what anybody can do before what takes a skill; the latter is
/// named only where there is nothing else.
pub fn for_reader<'w>(
    ways: &'w [Way],
    reader: Option<(&str, &Contact)>,
    kind: Option<ChannelKind>,
    now: AtHand,
) -> Vec<&'w Way> {
    let fit = || ways.iter().filter(|way| way.is_for(reader, kind));
    let least = |least: Powered| fit().filter(|way| now.allows(way.needs) >= least).collect::<Vec<_>>();
    let sure = least(Powered::Yes);
    let mut found =
        if sure.iter().any(|way| way.needs != Needs::Nothing) { sure } else { least(Powered::Perhaps) };
    // Where the router may be off, the watch's own computer stays beside what only perhaps works.
    let easy = |way: &&Way| way.takes.is_none() && now.allows(way.needs) == Powered::Yes;
    if found.iter().any(easy) {
        found.retain(|way| way.takes.is_none());
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn way(needs: Needs) -> Way {
        Way { on: Some(ChannelKind::Mail), takes: None, needs, ..Way::command() }
    }

    #[test]
    fn a_reply_stands_only_on_its_own_kind_of_channel() {
        let ways = [Way::reply_by_text()];
        assert_eq!(for_reader(&ways, None, Some(ChannelKind::Mail), AtHand::default()).len(), 0);
        let found = for_reader(&ways, None, Some(ChannelKind::Text), AtHand::default());
        assert_eq!(found.len(), 1);
    }

    #[test]
    fn a_helper_is_sent_to_no_computer() {
        let ways = Way::built_in();
        let helper = Contact { helper: true, ..Contact::default() };
        let keeper = Contact::default();
        let found = |contact| {
            for_reader(&ways, Some(("ines", contact)), Some(ChannelKind::Push), AtHand::default()).len()
        };
        assert_eq!((found(&helper), found(&keeper)), (0, 1));
    }

    #[test]
    fn what_takes_a_skill_is_named_only_to_who_has_it_and_has_no_easier_way() {
        let ways = [Way::reply_by_mail(), Way::topic("house/answers"), Way::command()];
        let taken = |contact: &Contact, kind, router| {
            let now = AtHand { router, modem: Powered::Yes };
            let found = for_reader(&ways, Some(("tom", contact)), Some(kind), now);
            found.iter().map(|way| way.takes).collect::<Vec<_>>()
        };
        let (broker, computer) = (Some(Skill::Broker), Some(Skill::Computer));
        let keeper = Contact { skills: Some(vec![Skill::Broker, Skill::Computer]), ..Contact::default() };
        let neither = Contact { skills: Some(Vec::new()), ..Contact::default() };
        assert_eq!(taken(&keeper, ChannelKind::Push, Powered::Yes), [broker, computer]);
        assert_eq!(taken(&keeper, ChannelKind::Mail, Powered::Yes), [None]);
        assert_eq!(taken(&keeper, ChannelKind::Mail, Powered::Perhaps), [None, broker, computer]);
        assert_eq!(taken(&Contact::default(), ChannelKind::Push, Powered::Yes), [computer]);
        assert_eq!(taken(&neither, ChannelKind::Push, Powered::Yes), []);
        assert_eq!(taken(&neither, ChannelKind::Mail, Powered::Perhaps), [None]);
    }

    #[test]
    fn a_way_whose_router_has_no_power_is_not_named() {
        let ways = [way(Needs::Router), way(Needs::Modem)];
        let at = |router| {
            let now = AtHand { router, modem: Powered::Yes };
            let found = for_reader(&ways, None, Some(ChannelKind::Mail), now);
            found.iter().map(|way| way.needs).collect::<Vec<_>>()
        };
        assert_eq!(at(Powered::Yes), [Needs::Router, Needs::Modem]);
        assert_eq!(at(Powered::Perhaps), [Needs::Modem]);
        let alone = AtHand { router: Powered::Perhaps, modem: Powered::No };
        assert_eq!(for_reader(&ways, None, Some(ChannelKind::Mail), alone).len(), 1);
        let none = AtHand { router: Powered::No, modem: Powered::No };
        assert!(for_reader(&ways, None, Some(ChannelKind::Mail), none).is_empty());
    }
}
