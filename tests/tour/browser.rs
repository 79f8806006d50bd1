//! The note in a browser: what axe finds in it at the widths of a phone and a desk, and how many pages it prints to.
//!
//! Needs Chromium and axe-core (npm), neither of which is in the repository:
//!
//! ```sh
//! SEATSONG_BROWSER=1 SEATSONG_AXE=path/to/axe.min.js cargo test --test tour -- --ignored browser
//! ```
//! `SEATSONG_CHROMIUM` names another browser than `chromium`.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::{run, whole_tour};

fn set(name: &str) -> String {
    std::env::var(name).ok().filter(|v| !v.is_empty()).unwrap_or_else(|| {
        panic!("{name} is not set: SEATSONG_BROWSER=1 SEATSONG_AXE=path/to/axe.min.js cargo test --test tour -- --ignored browser")
    })
}

fn chromium(profile: &Path, args: &[String]) -> String {
    let program = std::env::var("SEATSONG_CHROMIUM").unwrap_or_else(|_| "chromium".into());
    let ran = Command::new(&program)
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
        .arg(format!("--user-data-dir={}", profile.display()))
        .args(args)
        .output()
        .unwrap_or_else(|e| panic!("{program}: {e}"));
    assert!(ran.status.success(), "{program} {args:?}: {}", String::from_utf8_lossy(&ran.stderr));
    String::from_utf8(ran.stdout).unwrap()
}

/// What axe finds in a page: rule, impact and the elements.
fn findings(dir: &Path, page: &Path, width: u32) -> Vec<String> {
    let axe = std::fs::read_to_string(set("SEATSONG_AXE")).unwrap();
    let html = std::fs::read_to_string(page).unwrap();
    let script = format!(
        "<script>{}</script><script>axe.run(document, {{resultTypes: ['violations']}}).then(r => {{\
document.title = 'axe ' + r.passes.length;\
const out = document.createElement('template'); out.id = 'found';\
out.dataset.json = encodeURIComponent(JSON.stringify({{passes: r.passes.length, found: r.violations.map(v => \
v.id + ' (' + v.impact + '): ' + v.nodes.map(n => n.html.slice(0, 120) + ' ' + (n.failureSummary || '')).join(' | '))}}));\
document.body.appendChild(out); }});</script>",
        axe.replace("</script", "<\\/script")
    );
    let with = dir.join(format!("axe-{width}.html"));
    std::fs::write(&with, html.replacen("</body>", &format!("{script}</body>"), 1)).unwrap();
    let args = [
        format!("--window-size={width},2000"),
        "--virtual-time-budget=60000".into(),
        "--dump-dom".into(),
        format!("file://{}", with.display()),
    ];
    let dom = chromium(&dir.join(format!("profile-{width}")), &args);
    let at = dom.find("data-json=\"").unwrap_or_else(|| panic!("axe did not end within its time")) + 11;
    let text = percent(&dom[at..at + dom[at..].find('"').unwrap()]);
    let document: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert!(document["passes"].as_u64().unwrap() > 15, "axe looked at hardly anything: {document}");
    document["found"].as_array().unwrap().iter().map(|v| v.as_str().unwrap().to_owned()).collect()
}

/// Undoes `encodeURIComponent`.
fn percent(text: &str) -> String {
    let mut out = Vec::new();
    let mut bytes = text.bytes();
    while let Some(b) = bytes.next() {
        if b == b'%' {
            let hex = [bytes.next().unwrap(), bytes.next().unwrap()];
            out.push(u8::from_str_radix(std::str::from_utf8(&hex).unwrap(), 16).unwrap());
        } else {
            out.push(b);
        }
    }
    String::from_utf8(out).unwrap()
}

/// Pages that a browser prints a page to.
fn printed(dir: &Path, page: &Path, name: &str) -> usize {
    let pdf = dir.join(format!("{name}.pdf"));
    let args = [
        "--no-pdf-header-footer".into(),
        format!("--print-to-pdf={}", pdf.display()),
        format!("file://{}", page.display()),
    ];
    chromium(&dir.join(format!("profile-{name}")), &args);
    if let Some(look) = std::env::var_os("SEATSONG_LOOK") {
        std::fs::copy(&pdf, Path::new(&look).join(format!("print-{name}.pdf"))).unwrap();
    }
    super::pages_of(&pdf)
}

#[test]
#[ignore = "needs Chromium and axe-core: SEATSONG_BROWSER=1 SEATSONG_AXE=... cargo test --test tour -- --ignored browser"]
fn axe_finds_nothing_in_the_note_and_it_prints_to_two_pages_a_pump() {
    assert_eq!(set("SEATSONG_BROWSER"), "1");
    let temporary = tempfile::tempdir().unwrap();
    let dir = temporary.path();
    whole_tour(dir);
    let book = dir.join("book");
    let tour = "--tour '2024-05-04 12:00'";
    let made = |line: String| {
        let ran = run(&book, &line);
        assert!(ran.status.success(), "{line}: {}", String::from_utf8_lossy(&ran.stderr));
    };
    made(format!("handover {tour} --receive --by 'relief derrickman' --at '2024-05-04 18:05'"));
    made(format!(
        "handover {tour} --amend 'relief valve was set to 290 bar' --by toolpusher --at '2024-05-04 19:00' --out {}",
        dir.join("amended").display()
    ));
    for k in 0..60 {
        made(format!(
            "concern add 'hose {k} weeps at the clamp and the bracket is loose' --pump MP-1 --at '2024-05-04 23:00'"
        ));
    }
    made(format!("handover --at '2024-05-05 05:50' --out {}", dir.join("bad").display()));
    let pages: Vec<(&str, PathBuf, usize)> = [("out", 4), ("amended", 5), ("bad", 4)]
        .into_iter()
        .map(|(name, most)| (name, dir.join(name).join("handover.html"), most))
        .collect();
    for (name, page, most) in &pages {
        for width in [360, 1280] {
            let found = findings(dir, page, width);
            assert!(found.is_empty(), "{name} at {width} px:\n{}", found.join("\n"));
        }
        let n = printed(dir, page, name);
        assert!((1..=*most).contains(&n), "{name} prints to {n} pages");
    }
}
