//! The certificate and key the pages are served with, read again when their files change.

use std::{fs, path::PathBuf, sync::Arc, time::SystemTime};

use chrono::NaiveDateTime;
use thiserror::Error;
use tokio_rustls::{
    TlsAcceptor,
    rustls::{
        self, ServerConfig,
        crypto::ring,
        pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject as _},
    },
};

use crate::watch::Stamp;

/// Where certificate and key lie, both in PEM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Files {
    /// The certificate, with those between it and the authority behind it.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// Why pages cannot be served with these files.
#[derive(Debug, Error)]
pub enum Unusable {
    /// The certificate cannot be read.
    #[error("the certificate `{0}` cannot be used: {1}")]
    Certificate(PathBuf, String),
    /// The key cannot be read; nothing of it is ever shown.
    #[error("the key `{0}` cannot be used: {1}")]
    Key(PathBuf, String),
    /// The two do not belong together, or are of a kind that is not known.
    #[error("the certificate `{0}` and the key `{1}` cannot be used together: {2}")]
    Pair(PathBuf, PathBuf, String),
}

/// What was read from the files.
pub struct Loaded {
    config: Arc<ServerConfig>,
    /// When the certificate ends; unknown when it says so in a way of its own.
    pub ends: Option<Stamp>,
}

impl Files {
    /// Reads both.
    pub fn load(&self) -> Result<Loaded, Unusable> {
        let unread =
            |e: &dyn ToString| Unusable::Certificate(self.certificate.clone(), e.to_string());
        let chain = CertificateDer::pem_file_iter(&self.certificate)
            .and_then(Iterator::collect::<Result<Vec<_>, _>>)
            .map_err(|e| unread(&e))?;
        let Some(own) = chain.first() else {
            return Err(unread(&"there is no certificate in it"));
        };
        let ends = ends(own);
        let key = PrivateKeyDer::from_pem_file(&self.key)
            .map_err(|e| Unusable::Key(self.key.clone(), e.to_string()))?;
        // TLS 1.2 and 1.3 and nothing below (OWASP ASVS 5.0, 12.1.1).
        let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_protocol_versions(&[&rustls::version::TLS13, &rustls::version::TLS12])
            .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, key))
            .map_err(|e| {
                Unusable::Pair(self.certificate.clone(), self.key.clone(), e.to_string())
            })?;
        Ok(Loaded {
            config: Arc::new(config),
            ends,
        })
    }

    fn changed_at(&self) -> [Option<SystemTime>; 2] {
        [&self.certificate, &self.key].map(|path| fs::metadata(path).ok()?.modified().ok())
    }
}

/// The pair in use.
pub struct Certificate {
    files: Files,
    changed_at: [Option<SystemTime>; 2],
    acceptor: TlsAcceptor,
    /// When it ends.
    pub ends: Option<Stamp>,
}

impl Certificate {
    /// Reads it for the first time.
    pub fn new(files: Files) -> Result<Self, Unusable> {
        let changed_at = files.changed_at();
        let loaded = files.load()?;
        Ok(Self {
            files,
            changed_at,
            acceptor: loaded.config.into(),
            ends: loaded.ends,
        })
    }

    /// What takes connections now.
    pub fn acceptor(&self) -> TlsAcceptor {
        self.acceptor.clone()
    }

    /// Reads the files again if they changed; `Ok(true)` when they did. With unusable ones the pair in
    /// use stays, and the change is looked at again next time.
    pub fn look(&mut self) -> Result<bool, Unusable> {
        let changed_at = self.files.changed_at();
        if changed_at == self.changed_at {
            return Ok(false);
        }
        let loaded = self.files.load()?;
        self.acceptor = loaded.config.into();
        self.ends = loaded.ends;
        self.changed_at = changed_at;
        Ok(true)
    }
}

/// One element of DER: its tag, its content, and what follows (ITU-T X.690, 8.1).
fn element(der: &[u8]) -> Option<(u8, &[u8], &[u8])> {
    let (&tag, rest) = der.split_first()?;
    let (&first, rest) = rest.split_first()?;
    let (length, rest) = if first < 0x80 {
        (usize::from(first), rest)
    } else {
        let (bytes, rest) = rest.split_at_checked(usize::from(first & 0x7f))?;
        let add = |n: usize, b: &u8| n.checked_mul(256)?.checked_add(usize::from(*b));
        (bytes.iter().try_fold(0usize, add)?, rest)
    };
    let (content, rest) = rest.split_at_checked(length)?;
    Some((tag, content, rest))
}

/// The end of validity of a certificate (RFC 5280, 4.1): version, serial number, algorithm, issuer,
/// then the two instants.
fn ends(certificate: &[u8]) -> Option<Stamp> {
    let (_, whole, _) = element(certificate)?;
    let (_, mut fields, _) = element(whole)?;
    if fields.first() == Some(&0xa0) {
        fields = element(fields)?.2;
    }
    for _ in 0..3 {
        fields = element(fields)?.2;
    }
    let (_, validity, _) = element(fields)?;
    let (tag, text, _) = element(element(validity)?.2)?;
    let text = std::str::from_utf8(text).ok()?;
    let text = match tag {
        // UTCTime has two digits of the year: 50 and above are of the last century.
        0x17 if "50" <= text.get(..2)? => format!("19{text}"),
        0x17 => format!("20{text}"),
        0x18 => text.to_owned(),
        _ => return None,
    };
    let end = NaiveDateTime::parse_from_str(&text, "%Y%m%d%H%M%SZ").ok()?;
    Some(end.and_utc().into())
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use rcgen::{CertificateParams, KeyPair, date_time_ymd};

    use super::*;

    fn write(files: &Files, until: (i32, u8)) {
        let key = KeyPair::generate().unwrap();
        let mut params = CertificateParams::new(vec!["store.lan".to_owned()]).unwrap();
        params.not_before = date_time_ymd(2026, 1, 1);
        params.not_after = date_time_ymd(until.0, until.1, 1);
        let certificate = params.self_signed(&key).unwrap();
        fs::write(&files.certificate, certificate.pem()).unwrap();
        fs::write(&files.key, key.serialize_pem()).unwrap();
    }

    fn end(text: &str) -> Stamp {
        let end = chrono::DateTime::parse_from_rfc3339(text).unwrap();
        end.to_utc().into()
    }

    #[test]
    fn a_changed_pair_is_taken_and_an_unusable_one_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let files = Files {
            certificate: folder.path().join("store.pem"),
            key: folder.path().join("store-key.pem"),
        };
        assert!(matches!(files.load(), Err(Unusable::Certificate(..))));
        write(&files, (2027, 3));
        let mut pair = Certificate::new(files.clone()).unwrap();
        assert_eq!(pair.ends, Some(end("2027-03-01T00:00:00Z")));
        assert!(!pair.look().unwrap());

        let touch = |path: &PathBuf, seconds| {
            let at = SystemTime::UNIX_EPOCH + Duration::from_secs(seconds);
            fs::File::options()
                .append(true)
                .open(path)
                .unwrap()
                .set_modified(at)
                .unwrap();
        };
        write(&files, (2061, 4));
        touch(&files.certificate, 1000);
        assert!(pair.look().unwrap());
        assert_eq!(
            pair.ends,
            Some(end("2061-04-01T00:00:00Z")),
            "past 2049 time is written in full"
        );

        let other = KeyPair::generate().unwrap().serialize_pem();
        fs::write(&files.key, other).unwrap();
        touch(&files.key, 2000);
        let why = pair.look().unwrap_err().to_string();
        assert!(
            why.contains("together") && !why.contains("PRIVATE"),
            "{why}"
        );
        fs::write(&files.key, "nothing").unwrap();
        assert!(matches!(pair.look(), Err(Unusable::Key(..))));
    }

    #[test]
    fn what_is_no_certificate_has_no_end() {
        for der in [
            &b""[..],
            b"\x30",
            b"\x30\x82\xff\xff",
            b"\x30\x84\xff\xff\xff\xff\xff",
            b"\x30\x02\x30\x00",
        ] {
            assert_eq!(ends(der), None);
        }
    }
}
