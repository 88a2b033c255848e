//! `[check-in]` in the agent's own file, written by a join: what stands in the file already stays
//! as it is, comments and all, and the section comes behind it. The text of the file and a link
//! flow in, the text as it will be flows out. No value is ever changed: another key goes into the
//! file that `key-file` names.

use super::link::{JoinLink, LinkTls};
use super::site_file::quoted;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use std::fmt::Write as _;
use toml::de::{DeTable, DeValue};

/// The site's key. Like the password it is put among the secrets beside the configuration.
pub const KEY_FILE: &str = "check-in-key";
/// The password that the site has at the broker elsewhere.
pub const PASSWORD_FILE: &str = "check-in-password";
/// The broker's own authority, which is no secret, beside the configuration.
pub const AUTHORITY_FILE: &str = "check-in-authority.pem";

/// What a file says of check-ins already.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CheckInWritten {
    /// The site's name.
    pub name: String,
    /// What its key's file is called.
    pub key_file: String,
}

/// What stands in `[check-in]`; nothing if there is none.
///
/// # Errors
/// If the text can't be read so far.
pub fn existing(text: &str) -> Result<Option<CheckInWritten>, String> {
    let document = DeTable::parse(text).map_err(|error| format!("it is not TOML: {}", error.message()))?;
    let Some(section) = document.get_ref().get("check-in") else { return Ok(None) };
    let DeValue::Table(table) = section.get_ref() else {
        return Err("`check-in` is no section in it".to_owned());
    };
    let of = |key: &str| match table.get(key).map(|value| value.get_ref()) {
        Some(DeValue::String(text)) => Ok(text.to_string()),
        _ => Err(format!("`[check-in]` has no `{key}`")),
    };
    Ok(Some(CheckInWritten { name: of("name")?, key_file: of("key-file")? }))
}

/// The text with the section behind it. `mains` is the sensor that shows the mains, if one is
/// known.
pub fn added(text: &str, link: &JoinLink, mains: Option<&str>) -> String {
    let own = [
        Some(("name", quoted(&link.site))),
        Some(("key-file", quoted(KEY_FILE))),
        mains.map(|mains| ("mains", quoted(mains))),
    ];
    let place = match link.brokers.as_slice() {
        [one] => [Some(("host", quoted(&one.host))), Some(("port", one.port.to_string()))],
        several => {
            let all: Vec<_> = several.iter().map(|place| quoted(&place.to_string())).collect();
            [Some(("hosts", format!("[{}]", all.join(", ")))), None]
        }
    };
    let login = [
        link.tls.as_ref().map(|tls| ("tls", tls_value(tls))),
        link.user.as_ref().map(|user| ("user", quoted(user))),
        link.password.as_ref().map(|_| ("password-file", quoted(PASSWORD_FILE))),
    ];
    let end = if text.is_empty() || text.ends_with('\n') { "" } else { "\n" };
    let mut whole = format!("{text}{end}\n# Written by `slackwater witness join`.\n[check-in]\n");
    write(&mut whole, own);
    whole.push_str("\n[check-in.broker]\n");
    write(&mut whole, place.into_iter().chain(login));
    whole
}

fn write(to: &mut String, keys: impl IntoIterator<Item = Option<(&'static str, String)>>) {
    for (key, value) in keys.into_iter().flatten() {
        // Writing to a text can't fail.
        let _ = writeln!(to, "{key:<13} = {value}");
    }
}

fn tls_value(tls: &LinkTls) -> String {
    let authority = (!tls.authority.is_empty()).then(|| format!("ca-file = {}", quoted(AUTHORITY_FILE)));
    let name = tls.server_name.as_ref().map(|name| format!("server-name = {}", quoted(name)));
    let parts: Vec<String> = authority.into_iter().chain(name).collect();
    if parts.is_empty() { "true".to_owned() } else { format!("{{ {} }}", parts.join(", ")) }
}

/// Certificates as PEM (RFC 7468): lines of 64 signs.
pub fn pem(certificates: &[Vec<u8>]) -> String {
    let mut text = String::new();
    for certificate in certificates {
        text.push_str("-----BEGIN CERTIFICATE-----\n");
        let coded: Vec<char> = STANDARD.encode(certificate).chars().collect();
        for line in coded.chunks(64) {
            text.extend(line);
            text.push('\n');
        }
        text.push_str("-----END CERTIFICATE-----\n");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checkin::SiteKey;
    use crate::mqtt::BrokerAddress;
    use crate::secret::Secret;
    use rustls::pki_types::CertificateDer;
    use rustls::pki_types::pem::PemObject as _;

    fn link() -> JoinLink {
        let (key, invitation) = SiteKey::make().expect("randomness");
        JoinLink {
            site: "halyard".to_owned(),
            brokers: vec![BrokerAddress { host: "mqtt.example.org".to_owned(), port: 8883 }],
            tls: Some(LinkTls { authority: vec![vec![7; 300]], server_name: None }),
            user: Some("sites".to_owned()),
            password: Some(Secret::new("ebb")),
            invitation,
            witness: key.public(),
        }
    }

    #[test]
    fn the_section_comes_behind_what_is_there() {
        let text = "# mine\n[site]\nrules = \"rules.toml\" # here\n\n[log]\nformat = \"terminal\"";
        let whole = added(text, &link(), Some("mains"));
        assert!(whole.starts_with(&format!("{text}\n")), "{whole}");
        insta::assert_snapshot!(&whole[text.len()..]);
        let written = CheckInWritten { name: "halyard".to_owned(), key_file: KEY_FILE.to_owned() };
        assert_eq!(existing(&whole), Ok(Some(written)));
        assert_eq!(existing(text), Ok(None));
        assert!(existing("[site\n").is_err());
        assert!(existing("[check-in]\nname = \"x\"\n").is_err_and(|why| why.contains("key-file")));
    }

    #[test]
    fn certificates_come_out_of_pem_as_they_went_in() {
        let all = vec![vec![1_u8; 47], vec![2; 500]];
        let text = pem(&all);
        let read: Vec<Vec<u8>> =
            CertificateDer::pem_slice_iter(text.as_bytes()).map(|one| one.expect("PEM").to_vec()).collect();
        assert_eq!(read, all);
        assert!(text.lines().all(|line| line.len() <= 64));
    }
}
