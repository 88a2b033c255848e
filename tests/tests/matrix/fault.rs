//! The table of faults: what each is called, what it shuts, what is to be told of it.

use std::path::Path;

/// Something that fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault {
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
}

/// All of them.
pub(crate) const TABLE: &[Fault] = &[
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
pub(crate) enum Told {
    /// An alarm of which a page's first line says both of this; the first of several.
    As(&'static str, &'static str),
    /// It is over before it matters.
    Nothing,
}

impl Told {
    /// Whether a page's first line is about it.
    pub(crate) fn is_in(self, headline: &str) -> bool {
        match self {
            Self::As(begins, ends) => headline.contains(begins) && headline.contains(ends),
            Self::Nothing => false,
        }
    }
}

impl Fault {
    pub(crate) fn name(self) -> &'static str {
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
        }
    }

    pub(crate) fn told(self) -> Told {
        match self {
            Self::BrokerGone | Self::DeafSession => Told::As("the broker is away", ""),
            Self::PushHangs => Told::As("nobody is reached by", ".push"),
            Self::ModemUnplugged => Told::As("nobody is reached by", ".text"),
            // Of all that fails, whichever is noticed first.
            Self::DnsGone => Told::As("nobody is reached by", ""),
            Self::MailRefuses | Self::MailHangs | Self::MailDropsInMessage | Self::MailBadCertificate => {
                Told::As("nobody is reached by", ".mail")
            }
            Self::DiskFull | Self::ReadOnly | Self::DatabaseDamaged => {
                Told::As("the journal can't be kept", "")
            }
            Self::ClockBehind | Self::ClockAhead | Self::Rebooted => {
                Told::As("the watch's clock is not set", "")
            }
            Self::BrokerRestarted | Self::Killed => Told::Nothing,
        }
    }

    /// Nothing leaves by this way while it lasts.
    pub(crate) fn shuts(self, target: &str) -> bool {
        let mail = target.ends_with(".mail");
        match self {
            Self::MailRefuses | Self::MailHangs | Self::MailDropsInMessage | Self::MailBadCertificate => mail,
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
            | Self::Rebooted => false,
        }
    }

    /// Only an attempt at a page shows it.
    pub(crate) fn shows_in_a_page(self) -> bool {
        self.shuts("ines.mail") || self.shuts("ines.push")
    }

    /// What blinds the watch comes after the power cut: before it, nobody could see that.
    pub(crate) fn strikes_first(self) -> bool {
        match self {
            Self::BrokerGone | Self::BrokerRestarted | Self::DeafSession => false,
            // What takes the watch's memory, or the watch, is worst when there is something to
            // remember.
            Self::DatabaseDamaged | Self::Killed | Self::Rebooted => false,
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

    pub(crate) fn can_be_mended(self) -> bool {
        self != Self::MailBadCertificate
    }

    /// With a password that is refused, or a server that is never mended, some hear nothing.
    pub(crate) fn lets_everybody_hear(self) -> bool {
        !matches!(self, Self::MailRefuses | Self::MailBadCertificate)
    }

    /// A modem is part of the house.
    pub(crate) fn needs_a_modem(self) -> bool {
        matches!(self, Self::ModemUnplugged | Self::DnsGone)
    }

    /// The journal lives on a small disk of its own.
    pub(crate) fn needs_a_disk(self) -> bool {
        matches!(self, Self::DiskFull | Self::ReadOnly)
    }

    /// The watch runs in this process, on clocks that can be set.
    pub(crate) fn needs_clocks(self) -> bool {
        matches!(self, Self::ClockBehind | Self::ClockAhead | Self::Rebooted)
    }

    /// Whether this machine lets it be made; says so if not.
    ///
    /// # Panics
    /// When it does not, and `SLACKWATER_NEED_REAL=1` is set.
    pub(crate) fn can_be_made(self) -> bool {
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

pub(crate) const UNSHARE: &str = "/usr/bin/unshare";
pub(crate) const MOUNT: &str = "/usr/bin/mount";
