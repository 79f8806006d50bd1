//! The certificate of a page on the network: made at first run, kept beside the book, readable by its owner alone.
//!
//! It is signed by an authority whose own key is thrown away at once: a phone can be told to trust that authority, and nobody can ever
//! sign another page with it.

use std::net::IpAddr;
use std::path::Path;
use std::sync::Arc;

use rcgen::{
    BasicConstraints, CertificateParams, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer, KeyPair, KeyUsagePurpose,
    SanType, date_time_ymd,
};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use sha2::{Digest as _, Sha256};

use super::error::PageError;
use super::session::{random, write_private};

/// Files within the page's folder.
const CERTIFICATE: &str = "certificate.pem";
const KEY: &str = "key.pem";
/// Days for which it is good: phones refuse more than 825 of a certificate that its owner has told them to trust.
const LIFE_DAYS: i64 = 820;
/// It is made anew so many days before its end, and counts from a day before it is made: the clocks of a rig differ.
const MARGIN_DAYS: i64 = 14;

/// First lines of the file, before what is encoded.
const UNTIL: &str = "Good until ";
const OF: &str = "For ";

/// A certificate, its key, and the authority that signed it.
#[derive(Debug, Clone)]
pub struct Certificate {
    pem: String,
    key_pem: String,
}

fn wrong(why: impl std::fmt::Display) -> PageError {
    PageError::Certificate { why: why.to_string() }
}

fn file(path: &Path) -> impl FnOnce(std::io::Error) -> PageError + '_ {
    move |source| PageError::File { path: path.to_path_buf(), source }
}

impl Certificate {
    /// The one that is kept in a folder; made if there is none or it ends soon.
    ///
    /// # Arguments
    /// - `addresses`: those under which the page is reached.
    /// - `anew`: make a new one in any case.
    ///
    /// # Errors
    /// A folder that can't be read or written.
    pub fn kept_in(folder: &Path, addresses: &[IpAddr], anew: bool) -> Result<Self, PageError> {
        let (path, key_path) = (folder.join(CERTIFICATE), folder.join(KEY));
        if !anew && path.exists() && key_path.exists() {
            let pem = std::fs::read_to_string(&path).map_err(file(&path))?;
            let key_pem = std::fs::read_to_string(&key_path).map_err(file(&key_path))?;
            let kept = Self { pem, key_pem };
            if kept.is_good() {
                return Ok(kept);
            }
        }
        let made = Self::make(addresses)?;
        // The key first: a certificate without its key is made anew, a key without its certificate too.
        write_private(&key_path, made.key_pem.as_bytes())?;
        write_private(&path, made.pem.as_bytes())?;
        Ok(made)
    }

    fn make(addresses: &[IpAddr]) -> Result<Self, PageError> {
        let today = jiff::ZonedDateTime::now().date();
        let day = |days: i64| {
            let date = today.checked_add(jiff::Span::new().days(days)).map_err(wrong)?;
            let part = |x: i8| u8::try_from(x).map_err(wrong);
            Ok::<_, PageError>((date, date_time_ymd(i32::from(date.year()), part(date.month())?, part(date.day())?)))
        };
        let ((_, from), (last, until)) = (day(-1)?, day(LIFE_DAYS)?);
        let tag: String = random::<4>()?.iter().map(|b| format!("{b:02x}")).collect();

        let mut authority = CertificateParams::default();
        authority.distinguished_name.push(DnType::CommonName, format!("seatsong page {tag}: its only signature"));
        authority.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
        authority.key_usages = vec![KeyUsagePurpose::KeyCertSign];
        (authority.not_before, authority.not_after) = (from, until);
        let authority_key = KeyPair::generate().map_err(wrong)?;
        let signer = authority.self_signed(&authority_key).map_err(wrong)?;

        let mut page = CertificateParams::new(vec!["localhost".to_owned()]).map_err(wrong)?;
        page.subject_alt_names.extend(addresses.iter().map(|a| SanType::IpAddress(*a)));
        page.distinguished_name.push(DnType::CommonName, format!("seatsong page {tag}"));
        page.is_ca = IsCa::ExplicitNoCa;
        page.use_authority_key_identifier_extension = true;
        page.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        page.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        (page.not_before, page.not_after) = (from, until);
        let key = KeyPair::generate().map_err(wrong)?;
        let issuer = Issuer::from_params(&authority, &authority_key);
        let own = page.signed_by(&key, &issuer).map_err(wrong)?;
        // The authority's key ends here.
        let of: Vec<String> = addresses.iter().map(IpAddr::to_string).collect();
        let pem = format!("{UNTIL}{last}\n{OF}{}\n{}{}", of.join(" "), own.pem(), signer.pem());
        Ok(Self { pem, key_pem: key.serialize_pem() })
    }

    /// Whether it can be used and does not end soon.
    fn is_good(&self) -> bool {
        let until = self.pem.lines().next().and_then(|l| l.strip_prefix(UNTIL));
        let Some(until) = until.and_then(|d| d.trim().parse::<jiff::civil::Date>().ok()) else { return false };
        let soon = jiff::ZonedDateTime::now().date().checked_add(jiff::Span::new().days(MARGIN_DAYS));
        soon.is_ok_and(|soon| until > soon) && self.server().is_ok()
    }

    /// Whether it is for this address too; browsers warn again where it is not.
    #[must_use]
    pub fn is_for(&self, address: IpAddr) -> bool {
        let of = self.pem.lines().nth(1).and_then(|l| l.strip_prefix(OF)).unwrap_or_default();
        of.split(' ').any(|a| a.parse() == Ok(address))
    }

    fn chain(&self) -> Result<Vec<CertificateDer<'static>>, PageError> {
        CertificateDer::pem_slice_iter(self.pem.as_bytes()).collect::<Result<_, _>>().map_err(wrong)
    }

    /// The certificate of the authority, for a phone to trust.
    ///
    /// # Errors
    /// A file that was changed.
    pub fn authority(&self) -> Result<Vec<u8>, PageError> {
        let last = self.chain()?.pop().ok_or_else(|| wrong("certificate.pem is empty"))?;
        Ok(last.to_vec())
    }

    /// SHA-256 of the page's certificate as browsers show it: `AB:CD:...`.
    ///
    /// # Errors
    /// A file that was changed.
    pub fn fingerprint(&self) -> Result<String, PageError> {
        let chain = self.chain()?;
        let own = chain.first().ok_or_else(|| wrong("certificate.pem is empty"))?;
        Ok(Sha256::digest(own).iter().map(|b| format!("{b:02X}")).collect::<Vec<_>>().join(":"))
    }

    /// Settings of a server that shows it.
    pub(super) fn server(&self) -> Result<Arc<ServerConfig>, PageError> {
        let key = PrivateKeyDer::from_pem_slice(self.key_pem.as_bytes()).map_err(wrong)?;
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let mut config = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(wrong)?
            .with_no_client_auth()
            .with_single_cert(self.chain()?, key)
            .map_err(wrong)?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(Arc::new(config))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_made_once_and_kept_for_its_owner_alone() {
        let dir = tempfile::tempdir().unwrap();
        let here = [IpAddr::from([192, 168, 7, 20])];
        let first = Certificate::kept_in(dir.path(), &here, false).unwrap();
        let again = Certificate::kept_in(dir.path(), &[], false).unwrap();
        assert!(again.is_for(here[0]) && !again.is_for(IpAddr::from([192, 168, 7, 21])));
        let print = first.fingerprint().unwrap();
        assert_eq!((print.len(), again.fingerprint().unwrap()), (32 * 3 - 1, print.clone()));
        assert_ne!(Certificate::kept_in(dir.path(), &here, true).unwrap().fingerprint().unwrap(), print);
        #[cfg(unix)]
        for name in [CERTIFICATE, KEY] {
            use std::os::unix::fs::PermissionsExt as _;
            let mode = std::fs::metadata(dir.path().join(name)).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o600, "{name}");
        }
    }

    #[test]
    fn one_that_ends_soon_or_was_damaged_is_made_anew() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(CERTIFICATE);
        let print = || Certificate::kept_in(dir.path(), &[], false).unwrap().fingerprint().unwrap();
        let first = print();
        let text = std::fs::read_to_string(&path).unwrap();
        let (_, rest) = text.split_once('\n').unwrap();
        std::fs::write(&path, format!("Good until 2020-01-01\n{rest}")).unwrap();
        let second = print();
        assert_ne!(first, second);
        std::fs::write(&path, "Good until 2999-01-01\nrubbish").unwrap();
        assert_ne!(print(), second);
    }
}
