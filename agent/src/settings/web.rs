//! `[web]`: the page in the house. Off unless it is set up; on this machine alone unless it says
//! otherwise. What leaves the machine is encrypted, with the keeper's certificate or one of the
//! watch's own making, unless the file says why it need not be.

use super::channels::this_machine;
use super::files::Files;
use super::in_clear;
use super::reader::line;
use slackwater_rules::diagnostic::{Finding, Item, Table};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;

/// Where it listens if the file says nothing.
pub const USUAL_LISTEN: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8740);

/// So many names it may be asked for by, besides that of `url`.
const MOST_HOSTS: usize = 16;

/// How the page in the house is served.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WebSettings {
    /// Where it listens.
    pub listen: SocketAddr,
    /// How people reach it, without a slash at its end: stands on pages.
    pub url: Option<String>,
    /// Everybody who reaches it may look; to act takes a sign-in.
    pub open_to_read: bool,
    /// How it is encrypted, if it is.
    pub tls: Option<WebTls>,
    /// Why it is not, where others could listen.
    pub in_clear_because: Option<String>,
    /// Names that it may be asked for by, besides its address, this machine's and that of `url`.
    pub hosts: Vec<String>,
}

/// Whose certificate is shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WebTls {
    /// The keeper's, in PEM, with its chain.
    Keepers {
        /// The certificates.
        certificates: PathBuf,
        /// The key of the first of them.
        key: PathBuf,
    },
    /// One that the watch makes and keeps beside its journal: browsers ask once whether to trust
    /// it.
    OwnMaking,
}

impl WebSettings {
    pub(super) fn read(item: Item<'_>, files: &Files<'_>) -> Option<Self> {
        let table = item.table()?;
        if cfg!(not(feature = "web")) {
            let title = "this program was built without the page in the house";
            let finding = Finding::error(table.span.clone(), title, "it can't be served");
            table.note(
                finding.help("build it with the feature `web`, which is on by default, or leave `[web]` out"),
            );
        }
        let listen = table.get("listen").map_or(Some(USUAL_LISTEN), listen);
        let url = table.get("url").map(url);
        let open = table.get("open").and_then(|item| item.one_of(&[("read", true), ("no", false)]));
        let hosts = table.get("hosts").and_then(hosts);
        let certificates = table.get("certificate-file").and_then(|item| files.certificates(item));
        let key = table.get("key-file").and_then(|item| files.path(item));
        let in_clear_because = in_clear::because(&table);
        for (one, other) in [("certificate-file", "key-file"), ("key-file", "certificate-file")] {
            if table.has(one) && !table.has(other) {
                let title = format!("`{one}` is of no use without `{other}`");
                table.note(Finding::error(table.key_span(one), title, "its other half is missing"));
            }
        }
        let local = listen.is_none_or(|listen| listen.ip().is_loopback());
        if table.has("certificate-file") && table.has("in-clear-because") {
            let title = "it is encrypted by `certificate-file`, and in the clear by `in-clear-because`";
            let finding = Finding::error(table.key_span("in-clear-because"), title, "one of the two");
            table.note(finding.help("leave out the one that is not meant"));
        }
        check_url(&table, url.as_ref().and_then(Option::as_deref), listen);
        table.finish();
        let tls = match (certificates, key) {
            (Some(certificates), Some(key)) => Some(WebTls::Keepers { certificates, key }),
            _ if local || in_clear_because.is_some() => None,
            _ => Some(WebTls::OwnMaking),
        };
        Some(Self {
            listen: listen?,
            url: match url {
                None => None,
                Some(url) => Some(url?),
            },
            open_to_read: open.unwrap_or(false),
            tls,
            in_clear_because,
            hosts: hosts.unwrap_or_default(),
        })
    }

    /// The host that `url` names, in small letters, without a port.
    pub fn url_host(&self) -> Option<String> {
        self.url.as_deref().map(host_of)
    }

    /// Whether whoever is not at this machine reaches it through the router of the house.
    pub fn needs_router(&self) -> bool {
        self.url_host().is_some_and(|host| !this_machine(&host))
    }
}

/// The host of `https://name:port`.
pub(super) fn host_of(url: &str) -> String {
    let rest = url.split_once("://").map_or(url, |(_, rest)| rest);
    let host = rest.split('/').next().unwrap_or_default();
    let host = match host.strip_prefix('[') {
        Some(six) => six.split(']').next().unwrap_or_default(),
        None => host.split(':').next().unwrap_or_default(),
    };
    host.to_ascii_lowercase()
}

fn listen(item: Item<'_>) -> Option<SocketAddr> {
    let text = line(item)?;
    text.parse().ok().or_else(|| {
        let help = "an address and a port: \"127.0.0.1:8740\" for this machine alone, \"0.0.0.0:8740\" for the house, \"[::]:8740\" with IPv6";
        item.wrong(format!("`{text}` is nowhere to listen"), "not an address with a port", Some(help.to_owned()))
    })
}

fn url(item: Item<'_>) -> Option<String> {
    let text = line(item)?;
    let text = text.trim_end_matches('/').to_owned();
    let rest = text.strip_prefix("https://").or_else(|| text.strip_prefix("http://"));
    let plain = |rest: &str| {
        !rest.is_empty()
            && rest.len() <= 200
            && rest.bytes().all(|octet| octet.is_ascii_alphanumeric() || b".-:[]".contains(&octet))
    };
    if rest.is_some_and(plain) {
        return Some(text);
    }
    let help = "for instance \"https://halyard.home.arpa:8740\": no path, no name and no password in it";
    item.wrong(
        format!("`{text}` is no address that people can open"),
        "http or https, a host, perhaps a port",
        Some(help.to_owned()),
    )
}

/// A page that people can't open, or that would come without the encryption that its address
/// promises.
fn check_url(table: &Table<'_>, url: Option<&str>, listen: Option<SocketAddr>) {
    let (Some(url), Some(listen)) = (url, listen) else { return };
    let clear = url.starts_with("http://");
    if clear && !this_machine(&host_of(url)) && !table.has("in-clear-because") {
        let title = "what people see and answer would cross the network in the clear";
        let finding = Finding::error(table.key_span("url"), title, "`http`");
        table.note(finding.help("`https://…`, or say by `in-clear-because` why that is right here"));
    }
    if clear
        && (table.has("certificate-file") || (!listen.ip().is_loopback() && !table.has("in-clear-because")))
    {
        let finding =
            Finding::error(table.key_span("url"), "the page is served encrypted", "so this is `https://…`");
        table.note(finding);
    }
}

fn hosts(item: Item<'_>) -> Option<Vec<String>> {
    let names: Vec<String> = item.list()?.into_iter().filter_map(name).collect();
    if names.len() > MOST_HOSTS {
        return item.wrong(format!("at most {MOST_HOSTS} names are taken"), "too many", None);
    }
    Some(names)
}

fn name(item: Item<'_>) -> Option<String> {
    let text = line(item)?.to_ascii_lowercase();
    let plain = |octet: u8| octet.is_ascii_alphanumeric() || b".-".contains(&octet);
    if !text.is_empty() && text.len() <= 200 && text.bytes().all(plain) {
        return Some(text);
    }
    item.wrong(format!("`{text}` is no name of a host"), "letters, digits, dots and hyphens", None)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::{Environment, Settings};
    use std::fs;

    const LEAST: &str = "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n[broker]\nhost = \"localhost\"\n";

    fn load(web: &str) -> Result<Settings, String> {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("agent.toml");
        fs::write(&file, format!("{LEAST}{web}")).expect("written");
        Settings::load(&file, &Environment::default()).map_err(|found| found.to_string())
    }

    fn web(keys: &str) -> WebSettings {
        load(&format!("[web]\n{keys}")).expect("right").web.expect("set up")
    }

    #[test]
    fn it_is_off_unless_set_and_on_this_machine_unless_told() {
        assert_eq!(load("").expect("right").web, None);
        let usual = web("");
        assert_eq!((usual.listen, usual.open_to_read, usual.tls), (USUAL_LISTEN, false, None));
        assert_eq!(web("listen = \"0.0.0.0:8740\"\n").tls, Some(WebTls::OwnMaking));
        let clear =
            web("listen = \"0.0.0.0:8740\"\nin-clear-because = \"behind the house's own TLS proxy\"\n");
        assert_eq!(clear.tls, None);
        let open = web("open = \"read\"\nurl = \"https://Halyard.home.arpa:8740/\"\n");
        assert!(open.open_to_read && open.needs_router());
        assert_eq!(open.url.as_deref(), Some("https://Halyard.home.arpa:8740"));
        assert_eq!(open.url_host().as_deref(), Some("halyard.home.arpa"));
    }

    #[test]
    fn a_link_stands_on_pages_only_where_an_address_is_set() {
        let ways = |keys: &str| {
            let directory = load(&format!("[web]\n{keys}")).expect("right").directory();
            directory.ways.into_iter().filter_map(|way| way.link).collect::<Vec<_>>()
        };
        assert!(ways("").is_empty());
        assert_eq!(ways("url = \"https://halyard.home.arpa\"\n"), ["https://halyard.home.arpa/call/{code}"]);
    }

    #[test]
    fn what_is_wrong_says_its_place_and_the_way_out() {
        for (keys, said) in [
            ("listen = \"8740\"\n", "`8740` is nowhere to listen"),
            ("url = \"halyard.home.arpa\"\n", "is no address that people can open"),
            ("url = \"https://ines:x@halyard.home.arpa\"\n", "is no address that people can open"),
            ("url = \"http://halyard.home.arpa\"\n", "would cross the network in the clear"),
            ("listen = \"0.0.0.0:8740\"\nurl = \"http://localhost:8740\"\n", "the page is served encrypted"),
            ("key-file = \"key.pem\"\n", "`key-file` is of no use without `certificate-file`"),
            ("open = \"write\"\n", "open"),
            ("hosts = [\"a b\"]\n", "is no name of a host"),
            ("colour = 1\n", "unknown key"),
            ("in-clear-because = \"yes\"\n", "a reason has"),
        ] {
            let wrong = load(&format!("[web]\n{keys}")).expect_err("it is wrong");
            assert!(wrong.contains(said) && wrong.contains("agent.toml:"), "{keys}\n{wrong}");
        }
    }
}
