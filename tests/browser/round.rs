//! The round as it is walked: recorded, sent, cut off, without a connection.

use std::path::Path;
use std::time::Duration;

use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::rig::{Phone, Rig, steps};

fn sha256(file: &Path) -> String {
    Sha256::digest(std::fs::read(file).unwrap()).iter().map(|b| format!("{b:02x}")).collect()
}

/// The clips of a round as the command shows them.
fn clips(rig: &Rig, round: &str) -> Vec<Value> {
    rig.run(&["round", "show", round, "--json"]).json()["round"]["clips"].as_array().unwrap().clone()
}

/// Number of the round that is shown.
async fn shown_round(phone: &Phone) -> String {
    phone.until(r"return /#\/walk\/\d+$/.test(location.href)", "the round has its number").await;
    phone.js("return location.hash.split('/').pop()").await.as_str().unwrap().to_owned()
}

/// Module, verdict and departure of the cards on the screen, in their order.
pub(super) async fn verdicts_on_screen(phone: &Phone) -> Vec<(u64, String, Option<f64>, String)> {
    phone.until("return document.querySelectorAll('li.verdict').length > 0", "verdicts on the screen").await;
    let cards = phone
        .js("return [...document.querySelectorAll('li.verdict')].map((c) => [c.dataset.module, c.querySelector('.badge').innerText, c.dataset.departure, \
             [...c.querySelectorAll('.reading')].map((r) => r.innerText).join(' ')])")
        .await;
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    cards
        .as_array()
        .unwrap()
        .iter()
        .map(|c| {
            let badge = text(&c[1]);
            let word = badge.split_whitespace().last().unwrap().to_owned();
            (text(&c[0]).parse().unwrap(), word, text(&c[2]).parse().ok(), text(&c[3]))
        })
        .collect()
}

/// The same of the command's document, worst first.
fn verdicts_of_command(rig: &Rig, round: &str) -> Vec<(u64, String, Option<f64>, String)> {
    let document = rig.run(&["verdict", round, "--json"]).json();
    let mut clips: Vec<_> = document["clips"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| {
            let words = c["reading"].as_str().or(c["reason"].as_str()).unwrap_or_default();
            (
                c["module"].as_u64().unwrap(),
                c["verdict"].as_str().unwrap().to_owned(),
                c["departure"].as_f64(),
                words.to_owned(),
            )
        })
        .collect();
    clips.sort_by(|a, b| b.2.unwrap_or(-1.0).total_cmp(&a.2.unwrap_or(-1.0)));
    clips
}

pub(super) fn a_whole_round_ends_with_the_verdict_of_the_command() {
    let rig = Rig::new();
    steps(async {
        let phone = Phone::new(Some(&Rig::clip("evening", 2))).await;
        phone.open(&rig, "").await;
        phone.start_round("MP-1", "88").await;
        let round = shown_round(&phone).await;

        // Module 2 through the microphone, with taps; the others from the phone's own recorder.
        phone.press("//a[@aria-label='Record Module 2']").await;
        phone.view("record").await;
        let tick = "return getComputedStyle(document.querySelector('#places')).display";
        assert_eq!(phone.js(tick).await, "grid");
        phone.press("//button[contains(@class, 'huge')]").await;
        phone.until("return document.querySelector('.tap') !== null", "it records").await;
        assert_eq!(phone.js(tick).await, "none", "nothing to leave by while it records");
        for _ in 0..6 {
            tokio::time::sleep(Duration::from_millis(681)).await;
            phone.press("//button[contains(@class, 'tap')]").await;
        }
        phone.until("return document.querySelector('.stage audio') !== null", "the recording ends by itself").await;
        assert!(phone.text(".stage").await.contains("6 taps go with the clip"), "{}", phone.text(".stage").await);
        phone.press_words("Keep it").await;
        phone.view("walk").await;
        for module in [1, 3] {
            phone.take_file(module, &Rig::clip("evening", module)).await;
        }
        phone.until("return document.body.innerText.includes('Clips in the book: 3')", "three clips in the book").await;
        phone.all_is_sent().await;

        // What was recorded is what was played: 30 seconds at the pump's own speed.
        let kept = clips(&rig, &round);
        assert_eq!(kept.len(), 3, "{kept:#?}");
        for module in [1_u32, 3] {
            let clip = kept.iter().find(|c| c["module"] == module).unwrap();
            assert_eq!(clip["sha256"], sha256(&Rig::clip("evening", module)));
        }

        phone.press_words("Show the verdict").await;
        let shown = verdicts_on_screen(&phone).await;
        let told = verdicts_of_command(&rig, &round);
        assert_eq!(shown, told);
        assert_eq!(shown.len(), 3);
        assert_eq!((shown[0].0, shown[0].1.as_str()), (2, "departed"), "{shown:?}");
        let document = rig.run(&["verdict", &round, "--json"]).json();
        let recorded = document["clips"].as_array().unwrap().iter().find(|c| c["module"] == 2).unwrap();
        assert!((recorded["spm"].as_f64().unwrap() - 88.0).abs() < 1.0, "{recorded:#}");
        assert!(recorded["strokes"].as_u64().unwrap() >= 40, "30 s at 88 strokes a minute: {recorded:#}");
        let caution = phone.text(".caution").await;
        assert!(caution.contains("advice") && caution.contains("permit to work"), "{caution}");

        // Where it changed, and what it sounds like there.
        phone.press("//li[@data-module='2']//a[normalize-space()='See and hear where']").await;
        phone.view("map").await;
        phone.until("return document.querySelector('.readout').innerText.includes('dB')", "the map is read").await;
        phone.press("(//main//button[normalize-space()='Now'])[1]").await;
        phone
            .until(
                "const a = document.querySelector('audio'); return a.currentTime > 0.1 && a.duration > 0.5",
                "the change is heard",
            )
            .await;

        phone.page.back().await.unwrap();
        phone.view("verdict").await;
        phone.press_words("Back to the round").await;
        phone.view("walk").await;
        phone.press_words("Close this round").await;
        phone.press_words("Close the round").await;
        phone
            .until("return document.querySelector('.point').innerText.includes('closed')", "the round is closed")
            .await;
        assert!(!rig.run(&["round", "show", &round, "--json"]).json()["round"]["closed_at"].is_null());
        assert!(phone.stayed_home(&rig).await > 20);
        assert_eq!(phone.errors().await, Vec::<String>::new());
    });
}

/// Lets pieces of a clip through until 37 per cent of it are there, then nothing: as a Wi-Fi that is walked out of. What has arrived by then
/// has arrived, but no answer comes back.
const CUT: &str = r"
const real = window.fetch; window.from = []; window.cut = null;
window.fetch = async (path, init) => {
  const at = /\/api\/uploads\/\w+\?from=(\d+)/.exec(String(path));
  if (!at) return window.cut === null ? real(path, init) : Promise.reject(new TypeError('no line'));
  if (window.cut !== null) throw new TypeError('no line');
  const from = Number(at[1]);
  window.from.push(from);
  const end = Math.floor(0.37 * arguments_bytes);
  if (from + init.body.size <= end) return real(path, init);
  await real(path, { ...init, body: init.body.slice(0, end - from) });
  window.cut = end;
  throw new TypeError('no line');
};
window.mend = () => { window.from = []; window.fetch = (path, init) => {
  const at = /\/api\/uploads\/\w+\?from=(\d+)/.exec(String(path)); if (at) window.from.push(Number(at[1])); return real(path, init); }; };
";

pub(super) fn an_upload_cut_at_37_per_cent_is_resumed() {
    let mut rig = Rig::new();
    steps(async {
        let phone = Phone::new(None).await;
        phone.open(&rig, "").await;
        phone.start_round("MP-1", "88").await;
        let round = shown_round(&phone).await;
        let file = Rig::clip("evening", 2);
        let bytes = std::fs::metadata(&file).unwrap().len();
        phone.js(&CUT.replace("arguments_bytes", &bytes.to_string())).await;
        phone.take_file(2, &file).await;
        phone.until("return window.cut !== null", "the line is cut").await;
        rig.kill();
        phone
            .until(
                "return document.getElementById('state').innerText.includes('1 clip waiting')",
                "the clip is told as kept",
            )
            .await;
        assert!(phone.state().await.contains("Kept on this phone"), "{}", phone.state().await);
        assert!(phone.state().await.contains("No connection"), "{}", phone.state().await);
        assert_eq!(clips(&rig, &round).len(), 0, "nothing of it counts before it is whole");

        rig.serve();
        phone.js("window.mend(); window.dispatchEvent(new Event('online'))").await;
        phone.all_is_sent().await;
        let cut = phone.js("return window.cut").await.as_u64().unwrap();
        let from = phone.js("return window.from").await;
        assert_eq!(from[0].as_u64(), Some(cut), "it went on where it was cut, at {cut} of {bytes}: {from}");
        let kept = clips(&rig, &round);
        assert_eq!(kept.len(), 1, "{kept:#?}");
        assert_eq!(kept[0]["sha256"], sha256(&file));
        assert_eq!(kept[0]["bytes"].as_u64(), Some(bytes));
    });
}

pub(super) fn a_round_walked_without_a_connection_is_synchronised() {
    let mut rig = Rig::new();
    steps(async {
        let phone = Phone::new(Some(&Rig::clip("evening", 2))).await;
        // Once at the shack: the page and what it needs come onto the phone.
        phone.open(&rig, "").await;
        phone.is_kept().await;
        for hash in ["#/checks", "#/handover", "#/"] {
            phone.open(&rig, hash).await;
        }
        let before = rig.run(&["round", "list", "--json"]).json()["rounds"].as_array().unwrap().len();
        rig.kill();

        // In the pump room: the page opens, a round is walked, a check is entered.
        phone.open(&rig, "").await;
        assert!(phone.state().await.contains("No connection"), "{}", phone.state().await);
        phone.start_round("MP-1", "88").await;
        assert!(phone.text("main").await.contains("kept on this phone"), "{}", phone.text("main").await);
        phone.press("//a[@aria-label='Record Module 1']").await;
        phone.view("record").await;
        phone.press("//input[@name='length' and @value='20']").await;
        phone.press("//button[contains(@class, 'huge')]").await;
        phone.until("return document.querySelector('.stage audio') !== null", "the recording ends by itself").await;
        phone.press_words("Keep it").await;
        phone.view("walk").await;
        for module in [2, 3] {
            phone.take_file(module, &Rig::clip("evening", module)).await;
        }
        phone
            .until(
                "return document.getElementById('state').innerText.includes('3 clips waiting')",
                "three clips are kept",
            )
            .await;
        phone.press_words("Close this round").await;
        phone.press_words("Close the round").await;
        phone
            .until(
                "return document.getElementById('state').innerText.includes('2 entries waiting')",
                "round and its end are kept",
            )
            .await;
        phone.open(&rig, "#/checks").await;
        assert!(phone.text("main").await.contains("this is what was known"), "{}", phone.text("main").await);
        phone.press("//a[contains(@href, 'check/rod-clamps/MP-1')]").await;
        phone.view("check").await;
        phone.press("//input[@type='radio' and @value='ok']").await;
        phone.press_words("Enter").await;
        phone
            .until(
                "return document.getElementById('state').innerText.includes('3 entries waiting')",
                "the check is kept",
            )
            .await;
        let walked_at = phone.js("return new Date().toISOString()").await.as_str().unwrap().to_owned();
        // The phone is put away and taken out again: nothing of it is lost.
        phone.open(&rig, "#/kept").await;
        let kept = phone.text("main").await;
        assert!(kept.contains("New round of MP-1") && kept.contains("Clip of module 3"), "{kept}");

        // Back at the shack, some seconds later.
        tokio::time::sleep(Duration::from_secs(3)).await;
        rig.serve();
        phone.all_is_sent().await;
        let rounds = rig.run(&["round", "list", "--json"]).json()["rounds"].as_array().unwrap().clone();
        assert_eq!(rounds.len(), before + 1, "entered once");
        let number = rounds.iter().map(|r| r["round"].as_i64().unwrap()).max().unwrap().to_string();
        let document = rig.run(&["round", "show", &number, "--json"]).json();
        let clips = document["round"]["clips"].as_array().unwrap();
        assert_eq!(clips.len(), 3, "{document:#}");
        for module in [2_u32, 3] {
            let clip = clips.iter().find(|c| c["module"] == module).unwrap();
            assert_eq!(clip["sha256"], sha256(&Rig::clip("evening", module)));
        }
        assert!(!document["round"]["closed_at"].is_null(), "closed after its clips");
        let at: jiff::Timestamp = document["round"]["at"].as_str().unwrap().parse().unwrap();
        assert!(at < walked_at.parse().unwrap(), "entered at the time at which it was walked: {at}, {walked_at}");
        let checks = rig.run(&["reading", "list", "--json"]).json();
        let clamps: Vec<&Value> =
            checks["entries"].as_array().unwrap().iter().filter(|e| e["check"] == "rod-clamps").collect();
        assert_eq!(clamps.len(), 1, "{checks:#}");
        phone.stayed_home(&rig).await;
    });
}
