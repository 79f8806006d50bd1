//! Alarms and gaps to a web address. Its failures never hold the watch up.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::time::{Duration, Instant};

use serde_json::Value;
use ureq::tls::{PemItem, RootCerts, TlsConfig, parse_pem};

/// Messages that may wait; more are given up.
const WAITING: usize = 64;
/// Times a message is tried.
const TRIES: u32 = 5;
/// Pause after the first failure; it doubles with each.
const FIRST_PAUSE: Duration = Duration::from_secs(2);
/// Longest time for one try.
const ONE_TRY: Duration = Duration::from_secs(10);
/// Where systems keep the certificates that they trust.
const SYSTEM_CERTIFICATES: [&str; 3] =
    ["/etc/ssl/certs/ca-certificates.crt", "/etc/pki/tls/certs/ca-bundle.crt", "/etc/ssl/cert.pem"];

/// Why no webhook can be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WebhookError {
    /// Not a web address.
    #[error("{url}: is no web address; write it like https://host/path or http://host:8080/path")]
    Address {
        /// What was typed.
        url: String,
    },
    /// No certificates to check the other side with.
    #[error(
        "{path}: no certificates can be read from it ({what}); name a PEM file with --webhook-ca, or use http:// within the rig's own network"
    )]
    Certificates {
        /// The file.
        path: PathBuf,
        /// Why.
        what: String,
    },
}

/// Where messages go.
#[derive(Debug, Clone)]
pub struct Webhook {
    url: String,
    /// Its host, for messages: the rest of the address may be a secret.
    host: String,
    agent: ureq::Agent,
    first_pause: Duration,
}

impl Webhook {
    /// For an address.
    ///
    /// # Arguments
    /// - `trusted`: PEM file of the certificates to trust; `None`: the system's.
    ///
    /// # Errors
    /// [`WebhookError`].
    pub fn new(url: &str, trusted: Option<&Path>) -> Result<Self, WebhookError> {
        let address = || WebhookError::Address { url: url.to_owned() };
        let secure = url.starts_with("https://");
        let uri: ureq::http::Uri = url.parse().map_err(|_| address())?;
        let host = uri.host().unwrap_or_default().to_owned();
        if !(secure || url.starts_with("http://")) || host.is_empty() {
            return Err(address());
        }
        let mut config = ureq::Agent::config_builder().timeout_global(Some(ONE_TRY)).max_redirects(0);
        if secure {
            let tls = TlsConfig::builder()
                .unversioned_rustls_crypto_provider(Arc::new(rustls::crypto::ring::default_provider()))
                .root_certs(certificates(trusted)?)
                .build();
            config = config.tls_config(tls);
        }
        Ok(Self { url: url.to_owned(), host, agent: config.build().new_agent(), first_pause: FIRST_PAUSE })
    }

    /// The same with another pause after the first failure.
    #[cfg(test)]
    fn pausing(mut self, first_pause: Duration) -> Self {
        self.first_pause = first_pause;
        self
    }

    fn post(&self, message: &Value) -> Result<(), String> {
        let request = self.agent.post(&self.url).header("content-type", "application/json");
        let answer = request.send(message.to_string()).map_err(|e| e.to_string())?;
        // A redirect is not followed: an alarm goes where it was told to, or nowhere.
        if answer.status().is_success() { Ok(()) } else { Err(format!("it answered {}", answer.status())) }
    }

    /// Tries a message until it is taken, a bound is reached or `stop` is set; says why if it failed.
    fn deliver(&self, message: &Value, stop: &AtomicBool) -> Result<(), String> {
        let mut pause = self.first_pause;
        let mut why = String::new();
        for left in (0..TRIES).rev() {
            match self.post(message) {
                Ok(()) => return Ok(()),
                Err(e) => why = e,
            }
            let until = Instant::now() + pause;
            while left > 0 && Instant::now() < until {
                if stop.load(Ordering::Relaxed) {
                    return Err(why);
                }
                std::thread::sleep(Duration::from_millis(20).min(pause));
            }
            pause *= 2;
        }
        Err(why)
    }
}

fn certificates(trusted: Option<&Path>) -> Result<RootCerts, WebhookError> {
    let path = match trusted {
        Some(path) => path.to_path_buf(),
        None => SYSTEM_CERTIFICATES
            .map(PathBuf::from)
            .into_iter()
            .find(|p| p.is_file())
            .unwrap_or(SYSTEM_CERTIFICATES[0].into()),
    };
    let wrong = |what: String| WebhookError::Certificates { path: path.clone(), what };
    let pem = std::fs::read(&path).map_err(|e| wrong(e.to_string()))?;
    let mut all = Vec::new();
    for item in parse_pem(&pem) {
        if let PemItem::Certificate(c) = item.map_err(|e| wrong(e.to_string()))? {
            all.push(c);
        }
    }
    if all.is_empty() {
        return Err(wrong("there is none in it".to_owned()));
    }
    Ok(RootCerts::Specific(Arc::new(all)))
}

/// The end to which messages are given; never waits.
#[derive(Debug)]
pub(super) struct Outbox {
    to: Option<SyncSender<Value>>,
}

impl Outbox {
    /// Nobody to tell.
    pub(super) fn none() -> Self {
        Self { to: None }
    }

    /// Gives a message; an error says why it was given up at once.
    pub(super) fn put(&self, message: Value) -> Result<(), String> {
        let Some(to) = &self.to else { return Ok(()) };
        to.try_send(message).map_err(|e| match e {
            TrySendError::Full(_) => format!("{WAITING} messages wait already"),
            TrySendError::Disconnected(_) => "its thread has ended".to_owned(),
        })
    }
}

/// An outbox and what its messages are taken from.
pub(super) fn outbox() -> (Outbox, Receiver<Value>) {
    let (to, from) = sync_channel(WAITING);
    (Outbox { to: Some(to) }, from)
}

/// Delivers until the outbox is gone; what was given up goes to `failed`.
pub(super) fn deliver_all(hook: &Webhook, from: &Receiver<Value>, stop: &AtomicBool, failed: &dyn Fn(String)) {
    while let Ok(message) = from.recv() {
        if let Err(why) = hook.deliver(&message, stop) {
            let what = message["event"].as_str().unwrap_or_default().to_owned();
            failed(format!(
                "webhook at {}: the message \"{what}\" of {} was given up: {why}",
                hook.host, message["at"]
            ));
        }
    }
}

#[cfg(test)]
#[path = "../../tests/common/server.rs"]
mod server;

#[cfg(test)]
mod tests {
    use std::net::TcpListener;

    use super::server::server;
    use super::*;

    #[test]
    fn a_message_is_tried_again_until_it_is_taken() {
        let (url, bodies) = server(&["503 Busy", "500 Oops", "200 OK"]);
        let hook = Webhook::new(&url, None).unwrap().pausing(Duration::from_millis(5));
        let message = serde_json::json!({"event": "alarm", "at": "now"});
        assert_eq!(hook.deliver(&message, &AtomicBool::new(false)), Ok(()));
        let all: Vec<String> = bodies.iter().collect();
        assert_eq!(all, vec![message.to_string(); 3]);
    }

    #[test]
    fn what_nobody_takes_is_given_up_and_told() {
        // A port that nobody listens on any more.
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/", listener.local_addr().unwrap());
        drop(listener);
        let hook = Webhook::new(&url, None).unwrap().pausing(Duration::from_millis(1));
        let (outbox, from) = outbox();
        outbox.put(serde_json::json!({"event": "gap", "at": "now"})).unwrap();
        drop(outbox);
        let told = std::sync::Mutex::new(Vec::new());
        deliver_all(&hook, &from, &AtomicBool::new(false), &|why| told.lock().unwrap().push(why));
        let told = told.into_inner().unwrap();
        assert!(told.len() == 1 && told[0].contains("\"gap\"") && told[0].contains("127.0.0.1"), "{told:?}");
    }

    #[test]
    fn an_outbox_never_waits() {
        let (outbox, _from) = outbox();
        let results: Vec<_> = (0..WAITING + 1).map(|k| outbox.put(k.into())).collect();
        assert!(results[..WAITING].iter().all(Result::is_ok));
        assert!(results[WAITING].as_ref().is_err_and(|e| e.contains("wait already")));
        assert_eq!(Outbox::none().put(Value::Null), Ok(()));
    }

    #[test]
    fn addresses_and_certificates_are_checked_at_the_start() {
        for bad in ["", "host/path", "ftp://host/", "http://", "https:///x", "http://a b/"] {
            assert!(matches!(Webhook::new(bad, None), Err(WebhookError::Address { .. })), "{bad}");
        }
        let missing = Webhook::new("https://host/", Some(Path::new("/no/such.pem"))).unwrap_err();
        assert!(missing.to_string().contains("/no/such.pem"), "{missing}");
        let empty = tempfile::NamedTempFile::new().unwrap();
        assert!(Webhook::new("https://host/", Some(empty.path())).unwrap_err().to_string().contains("none in it"));
    }
}
