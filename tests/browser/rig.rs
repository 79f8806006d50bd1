//! What every test stands on: a book with good rounds, the program serving it, a browser.

use std::io::{BufRead as _, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::{Duration, Instant};

use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use seatsong::inside::sample::Scenario;
use serde_json::{Value, json};
use tempfile::TempDir;

use crate::copy::copy;
use crate::ran::{Ran, command, seatsong};

/// The rig of `samples/tour`, with clips long enough to be recorded from; sampled as a phone does.
const ROOM: &str = r#"
rig = "Invented rig Test Plover"
seed = 5
[recording]
condition = "calm"
duration_s = 34.0
sample_rate_hz = 16000.0
[[pump]]
name = "pump"
seed = 77
nominal_spm = 88.0
nominal_pressure = 200.0
[[pump.round]]
[[pump.round]]
[[pump.round]]
pulse = [1, 2, 3]
[[pump.round]]
[[pump.round]]
[[pump.round]]
[[pump.round]]
name = "afternoon"
role = "now"
fault = { kind = "piston", level_db = 0.0 }
fault_module = 2
[[pump.round]]
name = "evening"
role = "now"
fault = { kind = "piston", level_db = 0.0 }
fault_module = 2
"#;

/// Longest wait for anything that the page does; the judging of a round in a debug build on a busy machine is the slowest.
pub(crate) const PATIENCE: Duration = Duration::from_secs(120);

/// The book that every test copies, and the clips of the room.
fn room() -> &'static (TempDir, PathBuf) {
    static ROOM_MADE: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    ROOM_MADE.get_or_init(|| {
        let kept = tempfile::tempdir().unwrap();
        let dir = kept.path().to_owned();
        Scenario::parse(ROOM, Path::new("room.toml")).unwrap().make(&dir.join("clips"), &|| ()).unwrap();
        let run = |args: &[&str]| seatsong(&dir, args).ended(0);
        run(&["book", "new", "book"]);
        let sheet = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/tour/checks.toml");
        std::fs::copy(sheet, dir.join("book/checks.toml")).unwrap();
        run(&["pump", "add", "MP-1", "--stroke", "12in", "--liner", "6in=300bar", "--fitted", "6in", "--units", "si"]);
        run(&["pump", "add", "MP-2", "--stroke", "12in", "--units", "si"]);
        for n in 1..=6 {
            let folder = format!("clips/pump/round-0{n}");
            let at = format!("2026-11-0{n}T08:00+01:00");
            let mut args = vec![
                "import",
                &folder,
                "--pump",
                "MP-1",
                "--at",
                &at,
                "--spm",
                "88",
                "--pressure",
                "201bar",
                "--close",
            ];
            if n == 3 {
                args.extend(["--pulse", "2"]);
            }
            run(&args);
        }
        run(&["baseline", "accept", "1", "2", "3", "4", "5", "6", "--pump", "MP-1", "--by", "derrickman"]);
        run(&[
            "import",
            "clips/pump/afternoon",
            "--pump",
            "MP-1",
            "--at",
            "2026-11-07T14:00+01:00",
            "--spm",
            "88",
            "--pressure",
            "201bar",
            "--close",
        ]);
        run(&["verdict", "7"]);
        (kept, dir)
    })
}

/// A rig with its book and the program that serves it.
pub(crate) struct Rig {
    dir: TempDir,
    server: Option<Child>,
    port: u16,
    lan: bool,
    said: Arc<Mutex<Vec<String>>>,
}

impl Rig {
    pub(crate) fn new() -> Self {
        Self::start(false)
    }

    pub(crate) fn start(lan: bool) -> Self {
        let dir = tempfile::tempdir().unwrap();
        copy(&room().1.join("book"), &dir.path().join("book"));
        // A port of its own, so that the program comes back at the same address.
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let mut rig = Self { dir, server: None, port, lan, said: Arc::default() };
        rig.serve();
        rig
    }

    /// Starts the program; returns once it has said where it serves.
    pub(crate) fn serve(&mut self) {
        let port = self.port.to_string();
        let mut args = vec!["page", "--port", &port, "--rig", "Invented rig Test Plover"];
        if self.lan {
            args.extend(["--lan", "--address", "127.0.0.1"]);
        }
        let mut child = command(self.dir.path(), &args)
            .env("SEATSONG_BOOK", self.dir.path().join("book"))
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let said = Arc::default();
        self.said = Arc::clone(&said);
        // Read to its end: what it says later must not fill the pipe.
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                said.lock().unwrap().push(line);
            }
        });
        self.says(if self.lan { "read only" } else { "http://" });
        self.server = Some(child);
    }

    /// The newest line with these words, once the program has said it.
    pub(crate) fn says(&self, words: &str) -> String {
        let end = Instant::now() + PATIENCE;
        loop {
            if let Some(line) = self.said.lock().unwrap().iter().rev().find(|l| l.contains(words)) {
                return line.clone();
            }
            assert!(Instant::now() < end, "the program did not say {words}: {:?}", self.said.lock().unwrap());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Ends the program as a power cut would.
    pub(crate) fn kill(&mut self) {
        if let Some(mut child) = self.server.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    pub(crate) fn url(&self) -> String {
        format!("{}://127.0.0.1:{}/", if self.lan { "https" } else { "http" }, self.port)
    }

    /// The command on this rig's book.
    pub(crate) fn run(&self, args: &[&str]) -> Ran {
        let mut all = args.to_vec();
        all.extend(["--book", "book"]);
        seatsong(self.dir.path(), &all).ended(0)
    }

    /// The book's folder.
    pub(crate) fn book(&self) -> PathBuf {
        self.dir.path().join("book")
    }

    /// A clip of the room.
    pub(crate) fn clip(round: &str, module: u32) -> PathBuf {
        room().1.join(format!("clips/pump/{round}/m{module}.wav"))
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A browser with its driver; both end with it.
pub(crate) struct Phone {
    pub(crate) page: Client,
    driver: Child,
    address: String,
    session: String,
    _profile: TempDir,
}

/// Runs a test's steps.
pub(crate) fn steps(work: impl Future<Output = ()>) {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(work);
}

impl Phone {
    /// A browser whose microphone plays this clip.
    pub(crate) async fn new(microphone: Option<&Path>) -> Self {
        let clip = microphone.map(|clip| format!("--use-file-for-fake-audio-capture={}", clip.display()));
        Self::with(clip.as_slice()).await
    }

    /// A browser that takes any certificate for a good one, as a phone does that was told to trust the laptop's.
    pub(crate) async fn trusting() -> Self {
        Self::with(&["--ignore-certificate-errors".to_owned()]).await
    }

    async fn with(more: &[String]) -> Self {
        let profile = tempfile::tempdir().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("SEATSONG_BROWSER is set, but chromedriver is not there: apt-get install chromium chromium-driver");
        let address = format!("http://127.0.0.1:{port}");
        let mut args: Vec<String> = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-dev-shm-usage",
            "--use-fake-ui-for-media-stream",
            "--use-fake-device-for-media-stream",
            "--autoplay-policy=no-user-gesture-required",
        ]
        .map(str::to_owned)
        .to_vec();
        args.push(format!("--user-data-dir={}", profile.path().display()));
        args.extend_from_slice(more);
        let wish = json!({
            "browserName": "chrome", "acceptInsecureCerts": true,
            "goog:chromeOptions": {"args": args}, "goog:loggingPrefs": {"performance": "ALL", "browser": "ALL"},
        });
        let mut builder = ClientBuilder::new(HttpConnector::new());
        builder.capabilities(serde_json::from_value(wish).unwrap());
        let end = Instant::now() + Duration::from_secs(60);
        let page = loop {
            match builder.connect(&address).await {
                Ok(page) => break page,
                Err(e) if Instant::now() > end => panic!("no browser: {e}"),
                Err(_) => tokio::time::sleep(Duration::from_millis(200)).await,
            }
        };
        let session = page.session_id().await.unwrap().unwrap();
        let phone = Self { page, driver, address, session, _profile: profile };
        phone.look(360, 740, "light").await;
        phone
    }

    /// A command of Chromium's own.
    pub(crate) async fn chrome(&self, path: &str, body: Value) -> Value {
        let url = format!("{}/session/{}/{path}", self.address, self.session);
        let answer = tokio::task::spawn_blocking(move || {
            ureq::post(&url)
                .send_json(body)
                .unwrap()
                .body_mut()
                .with_config()
                .limit(1 << 28)
                .read_json::<Value>()
                .unwrap()
        });
        answer.await.unwrap()["value"].clone()
    }

    pub(crate) async fn devtools(&self, cmd: &str, params: Value) -> Value {
        self.chrome("goog/cdp/execute", json!({"cmd": cmd, "params": params})).await
    }

    /// Width and height in CSS pixels, light or dark.
    pub(crate) async fn look(&self, width: u32, height: u32, scheme: &str) {
        let size = json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600});
        self.devtools("Emulation.setDeviceMetricsOverride", size).await;
        let features = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
        self.devtools("Emulation.setEmulatedMedia", features).await;
    }

    /// Opens a view of the page and waits until it is drawn.
    pub(crate) async fn open(&self, rig: &Rig, hash: &str) {
        self.page.goto(&format!("{}{hash}", rig.url())).await.unwrap();
        self.page.refresh().await.unwrap();
        self.until("return document.body.dataset.ready === 'yes'", "the page is drawn").await;
    }

    /// Waits until a script says true.
    pub(crate) async fn until(&self, script: &str, what: &str) {
        let end = Instant::now() + PATIENCE;
        loop {
            let said = self.page.execute(script, Vec::new()).await;
            if said.as_ref().is_ok_and(|v| v == &Value::Bool(true)) {
                return;
            }
            if Instant::now() > end {
                let text = self.text("body").await;
                panic!("waited {PATIENCE:?} for: {what}\nlast answer {said:?}\nthe page says:\n{text}");
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    pub(crate) async fn view(&self, name: &str) {
        self.until(
            &format!("return document.getElementById('main').dataset.view === '{name}'"),
            &format!("view {name}"),
        )
        .await;
    }

    pub(crate) async fn js(&self, script: &str) -> Value {
        self.page.execute(script, Vec::new()).await.unwrap()
    }

    pub(crate) async fn text(&self, css: &str) -> String {
        let script = format!("const n = document.querySelector({css:?}); return n ? n.innerText : ''");
        self.js(&script).await.as_str().unwrap_or_default().to_owned()
    }

    /// Presses what this XPath names, as a finger would: at its middle, where nothing may lie over it.
    pub(crate) async fn press(&self, xpath: &str) {
        let found = self.page.wait().at_most(PATIENCE).for_element(Locator::XPath(xpath)).await;
        let element = found.unwrap_or_else(|e| panic!("{xpath}: {e}"));
        let arg = serde_json::to_value(&element).unwrap();
        self.page.execute("arguments[0].scrollIntoView({block: 'center'})", vec![arg]).await.unwrap();
        element.click().await.unwrap_or_else(|e| panic!("{xpath}: {e}"));
    }

    /// Presses the link or button with these words.
    pub(crate) async fn press_words(&self, words: &str) {
        self.press(&format!("//main//*[(self::a or self::button or self::summary) and normalize-space()={words:?}]"))
            .await;
    }

    /// Types into the field with this label.
    pub(crate) async fn fill(&self, label: &str, text: &str) {
        let xpath =
            format!("//main//label[normalize-space()={label:?}]/following::*[self::input or self::textarea][1]");
        let found = self.page.wait().at_most(PATIENCE).for_element(Locator::XPath(&xpath)).await;
        let element = found.unwrap_or_else(|e| panic!("{label}: {e}"));
        let arg = serde_json::to_value(&element).unwrap();
        self.page.execute("arguments[0].scrollIntoView({block: 'center'})", vec![arg]).await.unwrap();
        element.clear().await.unwrap();
        element.send_keys(text).await.unwrap_or_else(|e| panic!("{label}: {e}"));
    }

    /// Takes a file for a module in the round that is shown.
    pub(crate) async fn take_file(&self, module: u32, file: &Path) {
        let xpath = format!("//li[h2[normalize-space()='Module {module}']]//input[@type='file']");
        let found = self.page.wait().at_most(PATIENCE).for_element(Locator::XPath(&xpath)).await;
        found.unwrap_or_else(|e| panic!("{xpath}: {e}")).send_keys(file.to_str().unwrap()).await.unwrap();
    }

    /// Waits until the page is kept on the phone.
    pub(crate) async fn is_kept(&self) {
        let kept = "return navigator.serviceWorker.ready.then(() => navigator.serviceWorker.controller !== null)";
        self.until(kept, "the page is kept").await;
    }

    /// Starts a round of a pump from the first view; returns when its cards are shown.
    pub(crate) async fn start_round(&self, pump: &str, spm: &str) {
        self.press(&format!("//section[h2[normalize-space()={pump:?}]]//a[normalize-space()='Start a round']")).await;
        self.view("point").await;
        self.fill("Strokes a minute, from the console", spm).await;
        self.fill("Discharge pressure", "201").await;
        self.press_words("Start the round").await;
        self.view("walk").await;
    }

    /// The line at the top.
    pub(crate) async fn state(&self) -> String {
        self.text("#state").await
    }

    pub(crate) async fn all_is_sent(&self) {
        self.until("return document.getElementById('state').className === 'up'", "everything is sent").await;
    }

    /// Addresses asked for since the last call, from Chromium's own log.
    pub(crate) async fn requests(&self) -> Vec<String> {
        let log = self.chrome("se/log", json!({"type": "performance"})).await;
        log.as_array()
            .unwrap()
            .iter()
            .filter_map(|entry| {
                let message: Value = serde_json::from_str(entry["message"].as_str()?).ok()?;
                let message = &message["message"];
                let url = match message["method"].as_str()? {
                    "Network.requestWillBeSent" => &message["params"]["request"]["url"],
                    "Network.webSocketCreated" => &message["params"]["url"],
                    _ => return None,
                };
                Some(url.as_str()?.to_owned())
            })
            .collect()
    }

    /// Fails if the page asked anything of another host; returns how many requests there were.
    pub(crate) async fn stayed_home(&self, rig: &Rig) -> usize {
        let all = self.requests().await;
        for url in &all {
            // What a browser shows before the page is its own: chrome:// is no host.
            let home = [rig.url().as_str(), "blob:", "data:", "chrome:"].iter().any(|h| url.starts_with(h));
            assert!(home, "a request left the host: {url}");
        }
        all.iter().filter(|u| u.starts_with(&rig.url())).count()
    }

    /// Errors that the browser noted, without those of a server that was stopped on purpose.
    pub(crate) async fn errors(&self) -> Vec<String> {
        let log = self.chrome("se/log", json!({"type": "browser"})).await;
        let severe = log.as_array().unwrap().iter().filter(|e| e["level"] == "SEVERE");
        severe
            .map(|e| e["message"].as_str().unwrap_or_default().to_owned())
            .filter(|m| !m.contains("net::ERR_"))
            .collect()
    }
}

impl Drop for Phone {
    fn drop(&mut self) {
        // Ends the browser through its driver, so that none is left behind when a test fails.
        let _ = ureq::delete(&format!("{}/session/{}", self.address, self.session)).call();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
