//! The one list of faults that the matrix and the proof draw from: what each is called, which part
//! of the house it is in, what it shuts or blinds, what is to be told of it. Nothing here makes a
//! fault strike: the place does.

use std::path::Path;

/// Something that fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "each is described by its name in words")]
pub enum Fault {
    BrokerGone,
    BrokerRestarted,
    DeafSession,
    DnsGone,
    MailRefuses,
    MailHangs,
    MailDropsInMessage,
    MailBadCertificate,
    PushHangs,
    ModemUnplugged,
    DiskFull,
    ReadOnly,
    DatabaseDamaged,
    ClockBehind,
    ClockAhead,
    Killed,
    Rebooted,
    BrokerSlow,
    MailTakesInSilence,
    MailEchoes,
    DiskSlow,
    ClockUntrusted,
    UpsGone,
    Frozen,
    ReloadGood,
    ReloadBad,
    Flood,
}

/// Where a fault strikes. A part has one fault at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The broker and the way to it.
    Broker,
    /// The names of servers.
    Names,
    /// The mail server.
    Mail,
    /// The push gateway of Ines.
    Push,
    /// The modem of the neighbour's texts.
    Modem,
    /// The disk under the journal.
    Disk,
    /// What time it is.
    Clock,
    /// The watch's own process.
    Process,
    /// The rule file.
    Files,
    /// The UPS server.
    Ups,
    /// A sensor that talks too much.
    Sensor,
}

/// Those that the proof draws, singly and in pairs. A kill is none of them: there are some in every
/// round. A certificate can't be mended.
pub const DRAWN: &[Fault] = &[
    Fault::BrokerGone,
    Fault::BrokerRestarted,
    Fault::DeafSession,
    Fault::BrokerSlow,
    Fault::DnsGone,
    Fault::MailRefuses,
    Fault::MailHangs,
    Fault::MailDropsInMessage,
    Fault::MailTakesInSilence,
    Fault::MailEchoes,
    Fault::PushHangs,
    Fault::ModemUnplugged,
    Fault::DiskFull,
    Fault::ReadOnly,
    Fault::DiskSlow,
    Fault::DatabaseDamaged,
    Fault::ClockBehind,
    Fault::ClockAhead,
    Fault::ClockUntrusted,
    Fault::Rebooted,
    Fault::UpsGone,
    Fault::Frozen,
    Fault::ReloadGood,
    Fault::ReloadBad,
    Fault::Flood,
];

/// The rows of the matrix.
pub const TABLE: &[Fault] = &[
    Fault::BrokerGone,
    Fault::BrokerRestarted,
    Fault::DeafSession,
    Fault::DnsGone,
    Fault::MailRefuses,
    Fault::MailHangs,
    Fault::MailDropsInMessage,
    Fault::MailBadCertificate,
    Fault::PushHangs,
    Fault::ModemUnplugged,
    Fault::DiskFull,
    Fault::ReadOnly,
    Fault::DatabaseDamaged,
    Fault::ClockBehind,
    Fault::ClockAhead,
    Fault::Killed,
    Fault::Rebooted,
];

/// What is to be told of a fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// An alarm of which a page's first line says both of this; the first of several.
    As(&'static str, &'static str),
    /// It is over before it matters.
    Nothing,
}

impl Told {
    /// Whether a page's first line is about it.
    pub fn is_in(self, headline: &str) -> bool {
        match self {
            Self::As(begins, ends) => headline.contains(begins) && headline.contains(ends),
            Self::Nothing => false,
        }
    }
}

impl Fault {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Self::BrokerGone => "broker gone",
            Self::BrokerRestarted => "broker restarted",
            Self::DeafSession => "deaf session",
            Self::DnsGone => "DNS gone",
            Self::MailRefuses => "SMTP refuses the password",
            Self::MailHangs => "SMTP hangs",
            Self::MailDropsInMessage => "SMTP drops in mid-data",
            Self::MailBadCertificate => "SMTP certificate expired",
            Self::PushHangs => "push hangs",
            Self::ModemUnplugged => "modem unplugged",
            Self::DiskFull => "disk full",
            Self::ReadOnly => "disk read-only",
            Self::DatabaseDamaged => "database damaged",
            Self::ClockBehind => "clock 52 min behind",
            Self::ClockAhead => "clock 10 years ahead",
            Self::Killed => "kill -9",
            Self::Rebooted => "reboot, clock 52 min behind",
            Self::BrokerSlow => "broker slow",
            Self::MailTakesInSilence => "SMTP takes a message and says nothing",
            Self::MailEchoes => "SMTP refuses the login and repeats it",
            Self::DiskSlow => "disk slow",
            Self::ClockUntrusted => "clock untrusted",
            Self::UpsGone => "UPS server gone",
            Self::Frozen => "SIGSTOP",
            Self::ReloadGood => "reload of a good file",
            Self::ReloadBad => "reload of a bad file",
            Self::Flood => "a flood of readings",
        }
    }

    /// What is to be told of it.
    pub fn told(self) -> Told {
        match self {
            Self::BrokerGone | Self::DeafSession => Told::As("no tank is watched", ""),
            Self::PushHangs => Told::As("nobody is reached by", ".push"),
            Self::ModemUnplugged => Told::As("nobody is reached by", ".text"),
            // Of all that fails, whichever is noticed first.
            Self::DnsGone => Told::As("nobody is reached by", ""),
            Self::MailRefuses
            | Self::MailHangs
            | Self::MailDropsInMessage
            | Self::MailBadCertificate
            | Self::MailTakesInSilence
            | Self::MailEchoes => Told::As("nobody is reached by", ".mail"),
            Self::DiskFull | Self::ReadOnly | Self::DatabaseDamaged => {
                Told::As("the journal can't be kept", "")
            }
            Self::ClockBehind | Self::ClockAhead | Self::Rebooted | Self::ClockUntrusted => {
                Told::As("the watch's clock is not set", "")
            }
            Self::UpsGone => Told::As("UPS", ""),
            Self::BrokerRestarted
            | Self::Killed
            | Self::BrokerSlow
            | Self::DiskSlow
            | Self::Frozen
            | Self::ReloadGood
            | Self::ReloadBad
            | Self::Flood => Told::Nothing,
        }
    }

    /// Nothing leaves by this way while it lasts.
    pub fn shuts(self, target: &str) -> bool {
        let mail = target.ends_with(".mail");
        match self {
            Self::MailRefuses
            | Self::MailHangs
            | Self::MailDropsInMessage
            | Self::MailBadCertificate
            | Self::MailTakesInSilence
            | Self::MailEchoes => mail,
            // The neighbour's gateway is known by its address.
            Self::DnsGone => mail || target == "ines.push",
            Self::PushHangs => target == "ines.push",
            Self::ModemUnplugged => target.ends_with(".text"),
            Self::BrokerGone
            | Self::BrokerRestarted
            | Self::DeafSession
            | Self::DiskFull
            | Self::ReadOnly
            | Self::DatabaseDamaged
            | Self::ClockBehind
            | Self::ClockAhead
            | Self::Killed
            | Self::Rebooted
            | Self::BrokerSlow
            | Self::DiskSlow
            | Self::ClockUntrusted
            | Self::UpsGone
            | Self::Frozen
            | Self::ReloadGood
            | Self::ReloadBad
            | Self::Flood => false,
        }
    }

    /// Nothing is seen, or nothing done, while it lasts.
    pub fn blinds(self) -> bool {
        // Without names the broker is not found again.
        matches!(self, Self::BrokerGone | Self::DeafSession | Self::DnsGone | Self::Frozen)
    }

    /// What was recorded may be lost while it lasts, or by it.
    pub fn forgets(self) -> bool {
        self.part() == Part::Disk
    }

    /// Where it strikes.
    pub fn part(self) -> Part {
        match self {
            Self::BrokerGone | Self::BrokerRestarted | Self::DeafSession | Self::BrokerSlow => Part::Broker,
            Self::DnsGone => Part::Names,
            Self::MailRefuses
            | Self::MailHangs
            | Self::MailDropsInMessage
            | Self::MailBadCertificate
            | Self::MailTakesInSilence
            | Self::MailEchoes => Part::Mail,
            Self::PushHangs => Part::Push,
            Self::ModemUnplugged => Part::Modem,
            Self::DiskFull | Self::ReadOnly | Self::DatabaseDamaged | Self::DiskSlow => Part::Disk,
            Self::ClockBehind | Self::ClockAhead | Self::ClockUntrusted | Self::Rebooted => Part::Clock,
            Self::Killed | Self::Frozen => Part::Process,
            Self::UpsGone => Part::Ups,
            Self::ReloadGood | Self::ReloadBad => Part::Files,
            Self::Flood => Part::Sensor,
        }
    }

    /// Whether both can be had in one house: what lies to a watch about the time runs it in this
    /// process, where it can't be stopped, have names of its own, or begin by a last good copy.
    pub fn goes_with(self, other: Self) -> bool {
        let in_here = |it: Self| it.needs_clocks();
        let of_process = |it: Self| matches!(it.part(), Part::Names | Part::Process | Part::Files);
        self.part() != other.part()
            && !(in_here(self) && of_process(other))
            && !(in_here(other) && of_process(self))
    }

    /// Only an attempt at a page shows it.
    pub fn shows_in_a_page(self) -> bool {
        self.shuts("ines.mail") || self.shuts("ines.push")
    }

    /// What blinds the watch comes after the power cut: before it, nobody could see that.
    pub fn strikes_first(self) -> bool {
        match self {
            Self::BrokerGone | Self::BrokerRestarted | Self::DeafSession => false,
            // What takes the watch's memory, or the watch, is worst when there is something to
            // remember.
            Self::DatabaseDamaged | Self::Killed | Self::Rebooted | Self::Frozen => false,
            Self::BrokerSlow
            | Self::MailTakesInSilence
            | Self::MailEchoes
            | Self::DiskSlow
            | Self::ClockUntrusted
            | Self::UpsGone
            | Self::ReloadGood
            | Self::ReloadBad
            | Self::Flood => true,
            Self::DnsGone
            | Self::MailRefuses
            | Self::MailHangs
            | Self::MailDropsInMessage
            | Self::MailBadCertificate
            | Self::PushHangs
            | Self::ModemUnplugged
            | Self::DiskFull
            | Self::ReadOnly
            | Self::ClockBehind
            | Self::ClockAhead => true,
        }
    }

    /// Whether it can be undone.
    pub fn can_be_mended(self) -> bool {
        self != Self::MailBadCertificate
    }

    /// With a password that is refused, or a server that is never mended, some hear nothing.
    pub fn lets_everybody_hear(self) -> bool {
        !matches!(self, Self::MailRefuses | Self::MailBadCertificate)
    }

    /// A modem is part of the house.
    pub fn needs_a_modem(self) -> bool {
        matches!(self, Self::ModemUnplugged | Self::DnsGone)
    }

    /// Its password was refused: it is tried again once the settings are read anew.
    pub fn wants_new_settings(self) -> bool {
        matches!(self, Self::MailRefuses | Self::MailEchoes)
    }

    /// Nobody can say whether a page has arrived.
    pub fn leaves_doubt(self) -> bool {
        matches!(self, Self::MailDropsInMessage | Self::MailTakesInSilence)
    }

    /// The journal lives on a small disk of its own.
    pub fn needs_a_disk(self) -> bool {
        matches!(self, Self::DiskFull | Self::ReadOnly)
    }

    /// The watch runs in this process, on clocks that can be set.
    pub fn needs_clocks(self) -> bool {
        self.part() == Part::Clock
    }

    /// Whether this machine lets it be made; says so if not.
    ///
    /// # Panics
    /// When it does not, and `SLACKWATER_NEED_REAL=1` is set.
    pub fn can_be_made(self) -> bool {
        let mounts = self.needs_a_disk() || self == Self::DnsGone;
        let may = rustix::process::geteuid().is_root()
            && [UNSHARE, MOUNT].iter().all(|program| Path::new(program).exists());
        if mounts && !may {
            let needed = std::env::var_os("SLACKWATER_NEED_REAL").is_some_and(|value| value == "1");
            assert!(!needed, "{}: it takes root, {UNSHARE} and {MOUNT}", self.name());
            eprintln!("left out for want of root or mount: {}", self.name());
        }
        may || !mounts
    }
}

/// Gives a process names of its own.
pub const UNSHARE: &str = "/usr/bin/unshare";
/// Needs root.
pub const MOUNT: &str = "/usr/bin/mount";
