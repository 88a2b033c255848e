//! A private authority for tests, and the certificates it gives to servers.

use std::path::{Path, PathBuf};
use std::{fs, io};

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair, date_time_ymd};

/// An authority that lives in one folder, as PEM files.
pub struct Authority {
    folder: PathBuf,
    issuer: CertifiedIssuer<'static, KeyPair>,
}

/// A server's certificate and key, as PEM files.
#[derive(Clone)]
pub struct Identity {
    /// The certificate.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// When a server's certificate is valid, seen from now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Validity {
    /// For decades around now.
    Now,
    /// It ended long ago.
    Past,
    /// It begins in decades.
    Future,
}

impl Authority {
    /// Makes an authority whose files go into the folder. `name` keeps several apart.
    ///
    /// # Errors
    /// When a file cannot be written or the certificate not be made.
    pub fn new(folder: &Path, name: &str) -> io::Result<Self> {
        let mut params = CertificateParams::new(Vec::new()).map_err(io::Error::other)?;
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.distinguished_name.push(DnType::CommonName, name);
        let key = KeyPair::generate().map_err(io::Error::other)?;
        let issuer = CertifiedIssuer::self_signed(params, key).map_err(io::Error::other)?;
        let folder = folder.join(name);
        fs::create_dir_all(&folder)?;
        fs::write(folder.join("ca.pem"), issuer.pem())?;
        Ok(Self { folder, issuer })
    }

    /// The authority's own certificate: what a client trusts.
    pub fn file(&self) -> PathBuf {
        self.folder.join("ca.pem")
    }

    /// A server's certificate that no authority signed, beside this one's: made as an authority's
    /// own (`openssl req -x509` does so if it is not told otherwise) or as a server's.
    ///
    /// # Errors
    /// When a file cannot be written or the certificate not be made.
    pub fn self_signed(&self, server: &str, as_authority: bool) -> io::Result<Identity> {
        let mut params = CertificateParams::new(vec![server.to_owned()]).map_err(io::Error::other)?;
        params.distinguished_name.push(DnType::CommonName, server);
        if as_authority {
            params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        }
        let key = KeyPair::generate().map_err(io::Error::other)?;
        let certificate = params.self_signed(&key).map_err(io::Error::other)?;
        self.keep(&format!("{server}-own-{as_authority}"), &certificate.pem(), &key)
    }

    fn keep(&self, name: &str, certificate: &str, key: &KeyPair) -> io::Result<Identity> {
        let identity = Identity {
            certificate: self.folder.join(format!("{name}.pem")),
            key: self.folder.join(format!("{name}.key")),
        };
        fs::write(&identity.certificate, certificate)?;
        fs::write(&identity.key, key.serialize_pem())?;
        Ok(identity)
    }

    /// Gives a server a certificate for one DNS name or IP address.
    ///
    /// # Errors
    /// When a file cannot be written or the certificate not be made.
    pub fn identity(&self, server: &str, validity: Validity) -> io::Result<Identity> {
        let mut params = CertificateParams::new(vec![server.to_owned()]).map_err(io::Error::other)?;
        let (from, to) = match validity {
            Validity::Now => (2000, 2090),
            Validity::Past => (2000, 2001),
            Validity::Future => (2080, 2090),
        };
        params.not_before = date_time_ymd(from, 1, 1);
        params.not_after = date_time_ymd(to, 1, 1);
        let key = KeyPair::generate().map_err(io::Error::other)?;
        let certificate = params.signed_by(&key, &self.issuer).map_err(io::Error::other)?;
        self.keep(&format!("{server}-{validity:?}"), &certificate.pem(), &key)
    }
}
