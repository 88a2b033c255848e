//! Until when the certificates of servers hold that were found good: for who looks ahead. The end
//! of a certificate flows in with each handshake, by the name that it was checked for; the date
//! flows out.
//!
//! The libraries check the dates and do not tell them, so the one field is read here: RFC 5280,
//! section 4.1, in DER (X.690). What is not as expected is left out; nothing is decided by it.

use jiff::Timestamp;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, ServerName};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// By name. There are no more of them than servers in the configuration.
static SEEN: Mutex<BTreeMap<String, Timestamp>> = Mutex::new(BTreeMap::new());

pub(super) fn note(name: &ServerName<'_>, certificate: &CertificateDer<'_>) {
    if let Some(end) = end_of(certificate) {
        SEEN.lock().unwrap_or_else(PoisonError::into_inner).insert(name.to_str().into_owned(), end);
    }
}

/// Until when the certificates hold that servers showed last and that were good, by name.
pub(crate) fn all_seen() -> BTreeMap<String, Timestamp> {
    SEEN.lock().unwrap_or_else(PoisonError::into_inner).clone()
}

/// When the first of a file's certificates ends.
pub(crate) fn of_file(file: &Path) -> Option<Timestamp> {
    let certificates = CertificateDer::pem_file_iter(file).ok()?;
    certificates.flatten().filter_map(|certificate| end_of(&certificate)).min()
}

/// The end of a certificate's validity.
fn end_of(certificate: &[u8]) -> Option<Timestamp> {
    const SEQUENCE: u8 = 0x30;
    const VERSION: u8 = 0xa0;
    let (certificate, _) = value(certificate, SEQUENCE)?;
    let (mut fields, _) = value(certificate, SEQUENCE)?;
    if fields.first() == Some(&VERSION) {
        fields = value(fields, VERSION)?.1;
    }
    // Serial number, signature algorithm, issuer.
    for tag in [0x02, SEQUENCE, SEQUENCE] {
        fields = value(fields, tag)?.1;
    }
    let (validity, _) = value(fields, SEQUENCE)?;
    let (_, ends) = any(validity)?;
    let (tag, text) = (ends.first().copied()?, any(ends)?.0);
    time(tag, std::str::from_utf8(text).ok()?)
}

/// `YYMMDDhhmmssZ` with years from 1950, or `YYYYMMDDhhmmssZ`: RFC 5280, sections 4.1.2.5.1 and .2.
fn time(tag: u8, text: &str) -> Option<Timestamp> {
    let text = match tag {
        0x17 => {
            let century = if text.get(..2)?.parse::<u8>().ok()? >= 50 { "19" } else { "20" };
            format!("{century}{text}")
        }
        0x18 => text.to_owned(),
        _ => return None,
    };
    let part = |from: usize, length: usize| text.get(from..from + length);
    let iso = format!(
        "{}-{}-{}T{}:{}:{}Z",
        part(0, 4)?,
        part(4, 2)?,
        part(6, 2)?,
        part(8, 2)?,
        part(10, 2)?,
        part(12, 2)?
    );
    iso.parse().ok()
}

/// The content of the first value, which has this tag, and what follows it.
fn value(bytes: &[u8], tag: u8) -> Option<(&[u8], &[u8])> {
    if bytes.first() == Some(&tag) { any(bytes) } else { None }
}

fn any(bytes: &[u8]) -> Option<(&[u8], &[u8])> {
    let first = usize::from(*bytes.get(1)?);
    let (length, from) = match first {
        0..=127 => (first, 2),
        // So many octets of length follow; more than four no certificate has.
        0x81..=0x84 => {
            let octets = bytes.get(2..2 + (first & 0x7f))?;
            (octets.iter().fold(0, |length, octet| length << 8 | usize::from(*octet)), 2 + octets.len())
        }
        _ => return None,
    };
    let end = from.checked_add(length)?;
    Some((bytes.get(from..end)?, bytes.get(end..)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Made by `openssl req -x509 -newkey ed25519 -days 36500` and shown by `openssl x509
    /// -enddate`.
    const PEM: &str = include_str!("expiry/example.pem");
    const ENDS: &str = include_str!("expiry/example.txt");

    #[test]
    fn the_end_of_a_certificate_is_what_another_program_says() {
        let certificate = CertificateDer::from_pem_slice(PEM.as_bytes()).unwrap();
        assert_eq!(end_of(&certificate), Some(ENDS.trim().parse().unwrap()));
    }

    #[test]
    fn years_of_two_figures_are_those_of_the_standard() {
        assert_eq!(
            time(0x17, "491231235959Z").map(|t| t.to_string()).as_deref(),
            Some("2049-12-31T23:59:59Z")
        );
        assert_eq!(
            time(0x17, "500101000000Z").map(|t| t.to_string()).as_deref(),
            Some("1950-01-01T00:00:00Z")
        );
        assert_eq!(
            time(0x18, "20500101000000Z").map(|t| t.to_string()).as_deref(),
            Some("2050-01-01T00:00:00Z")
        );
        assert_eq!(time(0x17, "é"), None);
    }

    proptest! {
        #[test]
        fn whatever_is_no_certificate_is_left_out(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
            let _ = end_of(&bytes);
        }
    }
}
