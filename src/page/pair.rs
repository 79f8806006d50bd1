//! Pairing: codes that work once and not for long, and a limit to guessing.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{ConnectInfo, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;
use subtle::ConstantTimeEq as _;

use super::ask::Given;
use super::error::PageError;
use super::fault::Fault;
use super::limits::Limits;
use super::notice::{Codes, Notice, Notices};
use super::session::{COOKIE, Role, Sessions, random};

/// Letters and digits that can't be taken for each other.
const ALPHABET: &[u8; 32] = b"ABCDEFGHJKLMNPQRSTUVWXYZ23456789";
/// Characters of a code: 50 bits. Thirty guesses in each quarter of an hour would need a hundred million years.
const CODE_LEN: usize = 10;
/// Addresses of which wrong codes are remembered; more are one.
const MOST_ADDRESSES: usize = 4096;

/// What became of a code that was tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tried {
    /// It was right, and works no more.
    Right(Role),
    /// It was wrong.
    Wrong,
    /// Too many wrong ones: not even looked at.
    Wait(u64),
}

#[derive(Debug)]
struct Kept {
    crew: String,
    reader: String,
    made: Instant,
    wrong: VecDeque<Instant>,
    wrong_by: HashMap<IpAddr, VecDeque<Instant>>,
}

/// The codes and who has tried how often.
#[derive(Debug)]
pub(super) struct Pairing {
    state: Mutex<Kept>,
    limits: Limits,
}

fn new_code() -> Result<String, PageError> {
    // 256 is a multiple of 32: every letter is as likely as every other.
    Ok(random::<CODE_LEN>()?.iter().map(|b| char::from(ALPHABET[usize::from(b % 32)])).collect())
}

/// As typed: small letters, spaces and dashes do not matter.
fn plain(text: &str) -> String {
    text.chars().filter(char::is_ascii_alphanumeric).take(64).map(|c| c.to_ascii_uppercase()).collect()
}

/// One network behind one address of the newer kind has more addresses than can be counted.
fn counted(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V4(_) => address,
        IpAddr::V6(v6) => match v6.to_ipv4_mapped() {
            Some(v4) => IpAddr::V4(v4),
            None => {
                let mut s = v6.segments();
                s[4..].fill(0);
                IpAddr::V6(s.into())
            }
        },
    }
}

fn forget(tries: &mut VecDeque<Instant>, now: Instant, window: Duration) {
    while tries.front().is_some_and(|t| now.duration_since(*t) >= window) {
        tries.pop_front();
    }
}

impl Pairing {
    pub(super) fn new(limits: Limits) -> Result<Self, PageError> {
        let state = Kept {
            crew: new_code()?,
            reader: new_code()?,
            made: Instant::now(),
            wrong: VecDeque::new(),
            wrong_by: HashMap::new(),
        };
        Ok(Self { state: Mutex::new(state), limits })
    }

    /// The codes that work now.
    pub(super) fn codes(&self, now: Instant) -> Codes {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let left = self.limits.code_life.saturating_sub(now.duration_since(state.made));
        Codes { crew: state.crew.clone(), reader: state.reader.clone(), life_s: left.as_secs() }
    }

    /// Makes new codes if these are old.
    ///
    /// # Returns
    /// Whether they were.
    pub(super) fn renew_old(&self, now: Instant) -> Result<bool, PageError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let old = now.duration_since(state.made) >= self.limits.code_life;
        if old {
            renew(&mut state, now)?;
        }
        Ok(old)
    }

    /// Tries a code.
    pub(super) fn tried(&self, code: &str, from: IpAddr, now: Instant) -> Result<Tried, PageError> {
        let limits = &self.limits;
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let state = &mut *state;
        forget(&mut state.wrong, now, limits.pair_window);
        state.wrong_by.retain(|_, tries| {
            forget(tries, now, limits.pair_window);
            !tries.is_empty()
        });
        let mut from = counted(from);
        if state.wrong_by.len() >= MOST_ADDRESSES && !state.wrong_by.contains_key(&from) {
            from = IpAddr::V4(std::net::Ipv4Addr::UNSPECIFIED);
        }
        let own = state.wrong_by.get(&from);
        let blocked = |tries: &VecDeque<Instant>, most: usize| {
            let first = tries.len().checked_sub(most).and_then(|k| tries.get(k))?;
            Some((limits.pair_window.saturating_sub(now.duration_since(*first))).as_secs() + 1)
        };
        let wait = [own.and_then(|t| blocked(t, limits.wrong_codes)), blocked(&state.wrong, limits.wrong_codes_in_all)];
        if let Some(wait) = wait.into_iter().flatten().max() {
            return Ok(Tried::Wait(wait));
        }
        let sent = plain(code);
        // Both are compared in full, whichever fits.
        let crew: bool = state.crew.as_bytes().ct_eq(sent.as_bytes()).into();
        let reader: bool = state.reader.as_bytes().ct_eq(sent.as_bytes()).into();
        let alive = now.duration_since(state.made) < limits.code_life;
        let role = match (alive, crew, reader) {
            (true, true, _) => Role::Crew,
            (true, false, true) => Role::Reader,
            _ => {
                state.wrong.push_back(now);
                state.wrong_by.entry(from).or_default().push_back(now);
                if state.wrong.len() >= limits.wrong_codes_in_all {
                    // What was guessed at so far is worth nothing any more.
                    renew(state, now)?;
                }
                return Ok(Tried::Wrong);
            }
        };
        renew(state, now)?;
        Ok(Tried::Right(role))
    }
}

fn renew(state: &mut Kept, now: Instant) -> Result<(), PageError> {
    state.crew = new_code()?;
    state.reader = new_code()?;
    state.made = now;
    Ok(())
}

/// Where a phone that is not paired yet knocks.
#[derive(Debug, Clone)]
pub(super) struct Door {
    /// Only on the network.
    pub(super) pairing: Option<Arc<Pairing>>,
    pub(super) sessions: Arc<Sessions>,
    pub(super) limits: Limits,
    pub(super) notices: Notices,
}

#[derive(Debug, Deserialize)]
pub(super) struct Code {
    code: String,
}

/// `POST /api/pair`
pub(super) async fn pair(
    State(door): State<Door>,
    ConnectInfo(peer): ConnectInfo<std::net::SocketAddr>,
    Given { value: Code { code }, .. }: Given<Code>,
) -> Result<Response, Fault> {
    let failed = |e: PageError| Fault::failed("the phone could not be paired", e);
    let Some(pairing) = &door.pairing else {
        return Err(Fault::refused("on this computer no pairing is needed"));
    };
    let now = Instant::now();
    match pairing.tried(&code, peer.ip(), now).map_err(failed)? {
        Tried::Wrong => {
            door.notices.tell(Notice::Trouble(format!("a wrong pairing code from {}", peer.ip())));
            Err(Fault::new(
                StatusCode::FORBIDDEN,
                "this code is wrong, or was used already; a new one stands where the page was started",
            ))
        }
        Tried::Wait(wait_s) => {
            let words = format!("too many wrong codes; wait {} min", wait_s.div_ceil(60));
            Err(Fault::later(StatusCode::TOO_MANY_REQUESTS, words, wait_s))
        }
        Tried::Right(role) => {
            let life_s = door.limits.session_life.as_secs();
            let sessions = Arc::clone(&door.sessions);
            let paired = tokio::task::spawn_blocking(move || sessions.pair(role, life_s));
            let paired = paired.await.map_err(|e| Fault::failed("the phone could not be paired", e))?;
            let (cookie, who) = paired.map_err(failed)?;
            door.notices.tell(Notice::Paired { crew: role == Role::Crew, from: peer.ip() });
            door.notices.tell(Notice::Codes(pairing.codes(now)));
            let mut out = axum::Json(json!({"role": role, "token": who.token})).into_response();
            let cookie = format!("{COOKIE}={cookie}; Path=/; Max-Age={life_s}; Secure; HttpOnly; SameSite=Strict");
            if let Ok(value) = HeaderValue::from_str(&cookie) {
                out.headers_mut().insert(header::SET_COOKIE, value);
            }
            Ok(out)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HERE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(10, 0, 0, 1));

    fn other(k: u8) -> IpAddr {
        IpAddr::from([10, 0, 1, k])
    }

    fn pairing() -> (Pairing, Instant) {
        (Pairing::new(Limits::default()).unwrap(), Instant::now())
    }

    #[test]
    fn a_code_works_once_however_it_is_typed() {
        let (p, now) = pairing();
        let codes = p.codes(now);
        assert_ne!(codes.crew, codes.reader);
        let spoken = Codes::spoken(&codes.crew).to_lowercase();
        assert_eq!((spoken.len(), spoken.as_bytes()[5]), (11, b'-'));
        assert_eq!(p.tried(&format!(" {spoken} "), HERE, now).unwrap(), Tried::Right(Role::Crew));
        assert_eq!(p.tried(&codes.crew, HERE, now).unwrap(), Tried::Wrong, "used");
        assert_eq!(p.tried(&codes.reader, HERE, now).unwrap(), Tried::Wrong, "renewed with it");
        assert_eq!(p.tried(&p.codes(now).reader, HERE, now).unwrap(), Tried::Right(Role::Reader));
    }

    #[test]
    fn a_code_dies_of_age() {
        let (p, now) = pairing();
        let codes = p.codes(now);
        let life = Limits::default().code_life;
        assert!(!p.renew_old(now + life - Duration::from_secs(1)).unwrap());
        assert_eq!(p.tried(&codes.crew, HERE, now + life).unwrap(), Tried::Wrong);
        assert!(p.renew_old(now + life).unwrap());
        assert_ne!(p.codes(now + life), codes);
    }

    #[test]
    fn who_guesses_has_to_wait_and_then_the_right_code_does_not_help() {
        let (p, now) = pairing();
        let limits = Limits::default();
        for _ in 0..limits.wrong_codes {
            assert_eq!(p.tried("AAAAA-AAAAA", HERE, now).unwrap(), Tried::Wrong);
        }
        let codes = p.codes(now);
        assert!(matches!(p.tried(&codes.crew, HERE, now).unwrap(), Tried::Wait(s) if s > 800 && s <= 901));
        let mapped: IpAddr = "::ffff:10.0.0.1".parse().unwrap();
        assert!(matches!(p.tried(&codes.crew, mapped, now).unwrap(), Tried::Wait(_)), "the same address");
        // Others are not held up.
        assert_eq!(p.tried(&codes.crew, other(1), now).unwrap(), Tried::Right(Role::Crew));
        let later = now + limits.pair_window;
        assert_eq!(p.tried("AAAAA-AAAAA", HERE, later).unwrap(), Tried::Wrong, "looked at again");
    }

    #[test]
    fn guesses_from_many_addresses_count_together_and_make_new_codes() {
        let (p, now) = pairing();
        let limits = Limits::default();
        let codes = p.codes(now);
        let mut wrong = 0;
        for k in 0..=255_u8 {
            match p.tried("22222", other(k), now).unwrap() {
                Tried::Wrong => wrong += 1,
                Tried::Wait(_) => {}
                Tried::Right(_) => panic!("guessed"),
            }
        }
        assert_eq!(wrong, limits.wrong_codes_in_all);
        assert_ne!(p.codes(now), codes);
        let network = |k: u16| IpAddr::from([0xfd00, 0, 0, 1, k, 2, 3, 4]);
        assert_eq!(counted(network(1)), counted(network(2)));
    }

    #[test]
    fn codes_are_made_of_letters_that_can_be_told_apart() {
        let mut seen = std::collections::HashSet::new();
        for _ in 0..500 {
            let code = new_code().unwrap();
            assert!(code.len() == CODE_LEN && code.bytes().all(|b| ALPHABET.contains(&b)));
            assert!(!code.contains(['0', 'O', '1', 'I']));
            assert!(seen.insert(code), "twice the same");
        }
    }
}
