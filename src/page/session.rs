//! Who is at the other end: cookies of paired phones, kept as checksums; tokens against foreign pages.

use std::collections::HashMap;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq as _;

use super::error::PageError;

/// Name of the cookie.
pub(super) const COOKIE: &str = "seatsong";
/// Most paired phones; the one that paired longest ago goes first.
const MOST: usize = 200;
/// Bytes of a secret.
const SECRET_LEN: usize = 32;

/// What a phone may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Role {
    /// Everything.
    Crew,
    /// Read.
    Reader,
}

/// A paired phone.
#[derive(Debug, Clone)]
pub(super) struct Who {
    pub(super) role: Role,
    /// What its page sends with everything that changes something.
    pub(super) token: String,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct Kept {
    role: Role,
    until_s: u64,
}

/// The paired phones.
#[derive(Debug)]
pub(super) struct Sessions {
    /// By the checksum of the cookie: who reads the file can't make a cookie of it.
    kept: Mutex<HashMap<String, Kept>>,
    file: Option<PathBuf>,
    /// One at a time writes the list, so that the newest is the one that stays.
    writing: Mutex<()>,
    /// On this computer alone everybody is crew.
    local: Option<Who>,
}

/// Random bytes of the system.
pub(super) fn random<const N: usize>() -> Result<[u8; N], PageError> {
    let mut out = [0; N];
    getrandom::fill(&mut out).map_err(|e| PageError::Random { why: e.to_string() })?;
    Ok(out)
}

fn sum(parts: &[&[u8]]) -> String {
    let mut sum = Sha256::new();
    for part in parts {
        sum.update(part);
    }
    URL_SAFE_NO_PAD.encode(sum.finalize())
}

/// The token that belongs to a cookie: whoever knows it knows nothing of the cookie.
fn token_of(cookie: &str) -> String {
    sum(&[b"token of ", cookie.as_bytes()])
}

fn now_s() -> u64 {
    std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |d| d.as_secs())
}

impl Sessions {
    /// Of a server that only this computer reaches. Its secret is kept, so that pages that are open over a restart go on.
    pub(super) fn local(file: &Path) -> Result<Self, PageError> {
        let kept = std::fs::read_to_string(file)
            .ok()
            .filter(|s| URL_SAFE_NO_PAD.decode(s).is_ok_and(|b| b.len() == SECRET_LEN));
        let secret = match kept {
            Some(secret) => secret,
            None => {
                let secret = URL_SAFE_NO_PAD.encode(random::<SECRET_LEN>()?);
                write_private(file, secret.as_bytes())?;
                secret
            }
        };
        let local = Who { role: Role::Crew, token: token_of(&secret) };
        Ok(Self { kept: Mutex::default(), file: None, writing: Mutex::default(), local: Some(local) })
    }

    /// Of a server on the network; phones stay paired over a restart.
    pub(super) fn kept_in(file: PathBuf) -> Result<Self, PageError> {
        let kept = match std::fs::File::open(&file) {
            Ok(mut from) => {
                let mut text = String::new();
                let read = from.read_to_string(&mut text);
                // A list that can't be read means pairing again, no more.
                read.ok().and_then(|_| serde_json::from_str(&text).ok()).unwrap_or_default()
            }
            Err(_) => HashMap::new(),
        };
        Ok(Self { kept: Mutex::new(kept), file: Some(file), writing: Mutex::default(), local: None })
    }

    /// Who sends this `Cookie` header.
    pub(super) fn who(&self, cookies: Option<&str>) -> Option<Who> {
        if let Some(local) = &self.local {
            return Some(local.clone());
        }
        let own = |part: &'_ str| part.trim().split_once('=').filter(|(n, _)| *n == COOKIE).map(|(_, v)| v.to_owned());
        let cookie = cookies?.split(';').find_map(own)?;
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        // Looked up by a checksum of what was sent: how long that takes tells nothing of the others.
        let found = kept.get(&sum(&[cookie.as_bytes()])).filter(|k| k.until_s > now_s())?;
        Some(Who { role: found.role, token: token_of(&cookie) })
    }

    /// Pairs a phone.
    ///
    /// # Returns
    /// Its cookie, and who it is from now on.
    pub(super) fn pair(&self, role: Role, life_s: u64) -> Result<(String, Who), PageError> {
        let cookie = URL_SAFE_NO_PAD.encode(random::<SECRET_LEN>()?);
        let who = Who { role, token: token_of(&cookie) };
        let _writing = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let text = {
            let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
            let now = now_s();
            kept.retain(|_, k| k.until_s > now);
            while kept.len() >= MOST {
                let oldest = kept.iter().min_by_key(|(_, k)| k.until_s).map(|(sum, _)| sum.clone());
                oldest.map(|sum| kept.remove(&sum));
            }
            kept.insert(sum(&[cookie.as_bytes()]), Kept { role, until_s: now + life_s });
            serde_json::to_string(&*kept).unwrap_or_default()
        };
        if let Some(file) = &self.file {
            write_private(file, text.as_bytes())?;
        }
        Ok((cookie, who))
    }
}

impl Who {
    /// Whether this is its token; takes as long for a wrong one.
    pub(super) fn has_token(&self, sent: &str) -> bool {
        self.token.as_bytes().ct_eq(sent.as_bytes()).into()
    }
}

/// Writes a file that only its owner may read, in one step.
pub(super) fn write_private(path: &Path, bytes: &[u8]) -> Result<(), PageError> {
    let wrong = |source| PageError::File { path: path.to_path_buf(), source };
    let folder = path.parent().unwrap_or(Path::new("."));
    // Temporary files of this kind are made readable by their owner alone.
    let mut to = tempfile::NamedTempFile::new_in(folder).map_err(wrong)?;
    to.write_all(bytes).and_then(|()| to.as_file().sync_all()).map_err(wrong)?;
    to.persist(path).map_err(|e| wrong(e.error))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_paired_phone_is_known_by_its_cookie_over_a_restart_and_the_file_does_not_hold_it() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("sessions.json");
        let sessions = Sessions::kept_in(file.clone()).unwrap();
        let (cookie, who) = sessions.pair(Role::Reader, 60).unwrap();
        assert!(who.has_token(&who.token) && !who.has_token("") && !who.has_token(&cookie));
        let text = std::fs::read_to_string(&file).unwrap();
        assert!(!text.contains(&cookie) && !text.contains(&who.token));
        let sessions = Sessions::kept_in(file).unwrap();
        let again = sessions.who(Some(&format!("other=1; {COOKIE}={cookie}"))).unwrap();
        assert_eq!((again.role, again.token), (Role::Reader, who.token));
        for wrong in [format!("{COOKIE}=x"), format!("{COOKIE}2={cookie}"), String::new(), "=;=;".into()] {
            assert!(sessions.who(Some(&wrong)).is_none(), "{wrong}");
        }
        assert!(sessions.who(None).is_none());
    }

    #[test]
    fn a_session_ends() {
        let dir = tempfile::tempdir().unwrap();
        let sessions = Sessions::kept_in(dir.path().join("s")).unwrap();
        let (cookie, _) = sessions.pair(Role::Crew, 0).unwrap();
        assert!(sessions.who(Some(&format!("{COOKIE}={cookie}"))).is_none());
    }

    #[cfg(unix)]
    #[test]
    fn what_is_private_is_readable_by_its_owner_alone() {
        use std::os::unix::fs::PermissionsExt as _;
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("key");
        write_private(&path, b"secret").unwrap();
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    }
}
