use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use seatsong::inside::page::{Limits, PageSettings, Running, start};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

#[path = "../common/copy.rs"]
mod copy;
#[path = "../common/curlew.rs"]
mod curlew;
#[path = "../common/ran.rs"]
mod ran;

use copy::copy;
use curlew::bring_in;
pub(crate) use ran::{command, seatsong};

struct Made {
    clips: PathBuf,
    book: PathBuf,
}

/// The room's clips and a book with its six good rounds, accepted and analysed; made once a run.
fn made() -> &'static Made {
    static MADE: OnceLock<Made> = OnceLock::new();
    MADE.get_or_init(|| {
        let dir = curlew::made("page-room");
        seatsong(&dir, &["book", "new"]).ended(0);
        seatsong(&dir, &["pump", "add", "MP-1", "--stroke", "12in", "--fitted", "6in", "--units", "si"]).ended(0);
        (1..=6).for_each(|r| bring_in(&dir, &dir.join("pump"), r));
        seatsong(&dir, &["baseline", "accept", "1", "2", "3", "4", "5", "6", "--by", "derrickman"]).ended(0);
        seatsong(&dir, &["verdict", "6"]).ended(0);
        Made { clips: dir.join("pump"), book: dir.join("book") }
    })
}

/// Today's recording of a module.
pub(crate) fn today(module: u32) -> Vec<u8> {
    std::fs::read(made().clips.join(format!("today/m{module}.wav"))).unwrap()
}

/// A folder with a copy of that book in it.
pub(crate) fn with_book() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    copy(&made().book, &dir.path().join("book"));
    dir
}

/// A key that no other entry of this run has.
pub(crate) fn key() -> String {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    format!("test-key-{:08}", COUNT.fetch_add(1, Ordering::Relaxed))
}

pub(crate) fn sum(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// A small WAV that no other has the bytes of; the book keeps any sound.
pub(crate) fn tiny_wav(seed: u32) -> Vec<u8> {
    let n = 3000_u32;
    let mut out = b"RIFF".to_vec();
    out.extend((36 + 2 * n).to_le_bytes());
    out.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0\x40\x1f\0\0\x80\x3e\0\0\x02\0\x10\0data");
    out.extend((2 * n).to_le_bytes());
    out.extend((0..n).flat_map(|k| {
        let [low, high, ..] = (k * 7919 + seed * 104_729).to_le_bytes();
        [low, high]
    }));
    out
}

/// An answer.
#[derive(Debug)]
pub(crate) struct Got {
    pub(crate) status: u16,
    pub(crate) headers: Vec<(String, String)>,
    pub(crate) body: Vec<u8>,
}

impl Got {
    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }

    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v.as_str())
    }

    /// The same, if it has this status; else all of it.
    pub(crate) fn was(self, status: u16) -> Self {
        assert!(self.status == status, "wanted {status}, got {}: {}", self.status, self.text());
        self
    }

    /// Its JSON, if it has this status.
    pub(crate) fn ok(self, status: u16) -> Value {
        self.was(status).json()
    }
}

/// A phone: its address of the page, cookie and token.
#[derive(Clone)]
pub(crate) struct Phone {
    agent: ureq::Agent,
    pub(crate) url: String,
    pub(crate) cookie: Option<String>,
    pub(crate) token: String,
}

impl Phone {
    pub(crate) fn new(url: &str, authority: Option<&[u8]>) -> Self {
        let mut config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(120)))
            .max_idle_connections(0);
        if let Some(der) = authority {
            let roots = ureq::tls::RootCerts::new_with_certs(&[ureq::tls::Certificate::from_der(der).to_owned()]);
            let provider = std::sync::Arc::new(rustls::crypto::ring::default_provider());
            let tls = ureq::tls::TlsConfig::builder().root_certs(roots).unversioned_rustls_crypto_provider(provider);
            config = config.tls_config(tls.build());
        }
        let url = url.trim_end_matches('/').to_owned();
        let mut out = Self { agent: config.build().new_agent(), url, cookie: None, token: String::new() };
        out.me();
        out
    }

    /// Asks who it is, and takes its token.
    pub(crate) fn me(&mut self) -> Value {
        let me = self.get("/api/me").ok(200);
        self.token = me["token"].as_str().unwrap_or_default().to_owned();
        me
    }

    pub(crate) fn try_get(&self, path: &str, headers: &[(&str, &str)]) -> Result<Got, ureq::Error> {
        let mut request = self.agent.get(format!("{}{path}", self.url));
        if let Some(cookie) = &self.cookie {
            request = request.header("cookie", cookie);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        request.call().map(got)
    }

    pub(crate) fn get(&self, path: &str) -> Got {
        self.try_get(path, &[]).unwrap()
    }

    /// Sends with just these headers beside the cookie.
    pub(crate) fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: &[u8],
    ) -> Result<Got, ureq::Error> {
        let url = format!("{}{path}", self.url);
        let mut request = if method == "PUT" { self.agent.put(url) } else { self.agent.post(url) };
        if let Some(cookie) = &self.cookie {
            request = request.header("cookie", cookie);
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        request.send(body).map(got)
    }

    pub(crate) fn post_text(&self, path: &str, body: &str) -> Got {
        let headers =
            [("origin", self.url.as_str()), ("x-seatsong-token", &self.token), ("content-type", "application/json")];
        self.send("POST", path, &headers, body.as_bytes()).unwrap()
    }

    pub(crate) fn post(&self, path: &str, body: &Value) -> Got {
        self.post_text(path, &body.to_string())
    }

    pub(crate) fn put(&self, path: &str, body: &[u8]) -> Got {
        let headers = [("origin", self.url.as_str()), ("x-seatsong-token", &self.token)];
        self.send("PUT", path, &headers, body).unwrap()
    }

    /// Begins a round today.
    pub(crate) fn round(&self) -> i64 {
        let body = json!({"key": key(), "pump": "MP-1", "spm": 88, "pressure": "200 bar", "crew": "derrickman"});
        self.post("/api/rounds", &body).ok(201)["id"].as_i64().unwrap()
    }

    /// What is asked to begin an upload.
    pub(crate) fn wish(round: i64, module: u32, bytes: &[u8]) -> Value {
        json!({"key": key(), "round": round, "module": module, "spot": "main", "bytes": bytes.len(), "sha256": sum(bytes),
            "ending": "wav", "taken_at": "2026-11-25T06:12:00Z", "taps_s": null})
    }

    /// Uploads a recording in pieces, trying again where the server is busy; its entry of the book.
    pub(crate) fn upload(&self, round: i64, module: u32, bytes: &[u8], piece: usize) -> Value {
        let wish = Self::wish(round, module, bytes);
        let begun = patiently(|| self.post("/api/uploads", &wish)).ok(200);
        let id = begun["upload"].as_str().unwrap().to_owned();
        let mut have = 0;
        while have < bytes.len() {
            let next = &bytes[have..bytes.len().min(have + piece)];
            let put = patiently(|| self.put(&format!("/api/uploads/{id}?from={have}"), next));
            have = usize::try_from(put.ok(200)["have"].as_u64().unwrap()).unwrap();
        }
        patiently(|| self.post(&format!("/api/uploads/{id}/done"), &json!({}))).ok(200)["clip"].clone()
    }

    /// The verdict, once it is ready.
    pub(crate) fn verdict(&self, round: i64) -> Value {
        let end = Instant::now() + Duration::from_secs(120);
        loop {
            let got = self.get(&format!("/api/rounds/{round}/verdict"));
            if got.status != 202 {
                return got.ok(200);
            }
            assert!(Instant::now() < end, "{}", got.text());
        }
    }
}

/// Again while the server says that there is too much at once.
fn patiently(ask: impl Fn() -> Got) -> Got {
    loop {
        let got = ask();
        if got.status != 503 {
            return got;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn got(response: ureq::http::Response<ureq::Body>) -> Got {
    let status = response.status().as_u16();
    let text = |v: &ureq::http::HeaderValue| String::from_utf8_lossy(v.as_bytes()).into_owned();
    let headers = response.headers().iter().map(|(n, v)| (n.to_string(), text(v))).collect();
    let body = response.into_body().read_to_vec().unwrap_or_default();
    Got { status, headers, body }
}

/// A server in this process.
pub(crate) struct Page {
    running: Option<Running>,
    pub(crate) url: String,
    pub(crate) book: PathBuf,
}

impl Page {
    pub(crate) fn of(book: &Path) -> Self {
        Self::with(book, Limits::default(), false)
    }

    pub(crate) fn with(book: &Path, limits: Limits, lan: bool) -> Self {
        let running = start(&PageSettings {
            book: book.to_path_buf(),
            rig: "Invented rig Night Curlew".into(),
            port: 0,
            lan,
            addresses: Vec::new(),
            new_certificate: false,
            limits,
        });
        let running = running.unwrap();
        // The last one is this computer's own.
        let url = running.urls.last().unwrap().clone();
        Self { running: Some(running), url, book: book.to_path_buf() }
    }

    pub(crate) fn running(&self) -> &Running {
        self.running.as_ref().unwrap()
    }

    pub(crate) fn authority(&self) -> Option<Vec<u8>> {
        use rustls::pki_types::CertificateDer;
        use rustls::pki_types::pem::PemObject as _;
        let pem = std::fs::read(self.book.join("page/certificate.pem")).ok()?;
        CertificateDer::pem_slice_iter(&pem).last().map(|c| c.unwrap().to_vec())
    }

    pub(crate) fn phone(&self) -> Phone {
        Phone::new(&self.url, self.authority().as_deref())
    }

    pub(crate) fn address(&self) -> SocketAddr {
        self.url.split("//").nth(1).unwrap().trim_end_matches('/').parse().unwrap()
    }

    /// A bare connection, for what no browser sends.
    pub(crate) fn raw(&self, bytes: &[u8]) -> TcpStream {
        let mut stream = TcpStream::connect(self.address()).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        stream.write_all(bytes).unwrap();
        stream
    }

    /// What comes back on it until the server closes.
    pub(crate) fn answer(&self, bytes: &[u8]) -> String {
        let mut out = Vec::new();
        // A server that cuts the connection has answered too.
        let _ = self.raw(bytes).read_to_end(&mut out);
        String::from_utf8_lossy(&out).into_owned()
    }

    pub(crate) fn stop(mut self) {
        self.running.take().unwrap().stop();
    }

    pub(crate) fn check_is_whole(&self) {
        let shown = seatsong(self.book.parent().unwrap(), &["book", "check", "--json"]).ended(0).json();
        assert_eq!(shown["whole"], true, "{shown}");
    }

    /// How much is in the book.
    pub(crate) fn holds(&self) -> seatsong::inside::book::Overview {
        seatsong::inside::book::Book::open(&self.book).unwrap().overview().unwrap()
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        if let Some(running) = self.running.take() {
            running.stop();
        }
    }
}

/// A second phone that listens for events: one JSON object each.
pub(crate) fn listen(page: &Page) -> impl Iterator<Item = Value> + use<> {
    let head = format!("GET /api/events HTTP/1.1\r\nHost: {}\r\n\r\n", page.address());
    let stream = page.raw(head.as_bytes());
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    let mut lines = BufReader::new(stream).lines();
    // Listening begins when the head of the answer is here.
    for line in lines.by_ref() {
        if line.unwrap().is_empty() {
            break;
        }
    }
    lines.map_while(Result::ok).filter_map(|l| serde_json::from_str(l.strip_prefix("data: ")?).ok())
}
