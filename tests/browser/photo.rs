//! Photos and running hours on the page.

use std::path::{Path, PathBuf};

use fantoccini::Locator;

use crate::rig::{PATIENCE, Phone, Rig, steps};
use crate::views::{axe, keep, problems};

/// A photo as a phone held upright makes it: 3000 x 2000 pixels lying on their side, a mark that says so, and what else it noted.
fn from_a_phone(path: &Path) {
    let (w, h) = (3000_u16, 2000_u16);
    let rgb: Vec<u8> = (0..u32::from(w) * u32::from(h))
        .flat_map(|k| {
            let (x, y) = (k % u32::from(w), k / u32::from(w));
            let [red, ..] = (x / 12).to_le_bytes();
            let [green, ..] = (y / 8).to_le_bytes();
            [red, green, 90]
        })
        .collect();
    let mut out = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut out, 90);
    // TIFF header, one entry: orientation 6 (Exif 2.3, section 4.6.4); then words that stand for the place.
    let mut exif = b"Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0".to_vec();
    exif.extend(b"SECRET PLACE");
    encoder.add_app_segment(1, exif).unwrap();
    encoder.encode(&rgb, w, h, jpeg_encoder::ColorType::Rgb).unwrap();
    std::fs::write(path, out).unwrap();
}

/// Gives the photo field that is shown a file, as the phone's camera or chooser would.
async fn take(phone: &Phone, file: &Path) {
    let xpath = "//main//div[contains(@class, 'photo') and not(@hidden)]//input[@type='file']";
    let found = phone.page.wait().at_most(PATIENCE).for_element(Locator::XPath(xpath)).await;
    found.unwrap_or_else(|e| panic!("{xpath}: {e}")).send_keys(file.to_str().unwrap()).await.unwrap();
    phone
        .until("const i = document.querySelector('.photo img'); return i !== null && i.naturalWidth > 0", "it is shown")
        .await;
}

fn photos(rig: &Rig) -> Vec<PathBuf> {
    let Ok(months) = std::fs::read_dir(rig.book().join("photos")) else { return Vec::new() };
    months.flat_map(|m| std::fs::read_dir(m.unwrap().path()).unwrap()).map(|f| f.unwrap().path()).collect()
}

/// Looks at a view with this in its middle, and fails for anything that keeps somebody out.
async fn look_at(phone: &Phone, axe: &str, name: &str, css: &str) {
    let mut found = Vec::new();
    for scheme in ["light", "dark"] {
        phone.look(360, 740, scheme).await;
        phone.js(&format!("document.querySelector({css:?}).scrollIntoView({{block: 'center'}})")).await;
        keep(phone, &format!("{name}-360-{scheme}")).await;
        found.extend(problems(phone, axe, scheme).await.0.into_iter().map(|p| format!("{name}, {scheme}: {p}")));
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

const SHOWN: &str = "return [...document.querySelectorAll('main .small-photo img')].some((i) => i.src.includes('/api/photos/') && i.naturalWidth > 0)";

pub(super) fn photos_are_taken_without_a_connection() {
    let mut rig = Rig::new();
    let axe = axe();
    let kept = tempfile::tempdir().unwrap();
    // A name that must lead nowhere.
    let file = kept.path().join("..%2f..%2fbook.db .jpg");
    from_a_phone(&file);
    rig.run(&["part", "change", "2", "seat", "discharge", "--pump", "MP-1"]);
    steps(async {
        let phone = Phone::new(None).await;
        phone.open(&rig, "").await;
        phone.is_kept().await;
        for hash in ["#/checks", "#/check/valves/MP-1/2", "#/parts/MP-1"] {
            phone.open(&rig, hash).await;
        }
        rig.kill();
        phone.open(&rig, "#/check/valves/MP-1/2").await;
        phone.view("check").await;
        phone.press("//input[@type='radio' and @value='ok']").await;
        take(&phone, &file).await;
        assert!(phone.text(".photo").await.contains("The place where it was taken is left out"));
        look_at(&phone, &axe, "photo-taken", ".small-photo").await;
        phone.press_words("Enter").await;
        phone
            .until("return document.getElementById('state').innerText.includes('1 entry waiting')", "it is kept")
            .await;
        phone.open(&rig, "#/kept").await;
        assert!(phone.text("main").await.contains("with a photo of"), "{}", phone.text("main").await);
        assert!(photos(&rig).is_empty());

        rig.serve();
        phone.all_is_sent().await;
        let all = photos(&rig);
        assert_eq!(all.len(), 1, "{all:?}");
        let bytes = std::fs::read(&all[0]).unwrap();
        assert!(bytes.starts_with(b"\xff\xd8\xff") && bytes.len() < 2_000_000, "{} bytes", bytes.len());
        assert!(!bytes.windows(6).any(|w| w == b"SECRET"), "the place stays on the phone");
        phone.open(&rig, "#/check/valves/MP-1/2").await;
        phone.until(SHOWN, "the last photo is shown").await;
        // Upright: as high as it was wide, made small by the laptop.
        let size = phone.js("const i = document.querySelector('main .small-photo img'); return [i.naturalWidth, i.naturalHeight, i.alt]");
        let size = size.await;
        assert!(size[0].as_u64() < size[1].as_u64() && size[1] == 640, "{size}");
        assert!(size[2].as_str().unwrap().starts_with("Photo: MP-1, Module 2: valves,"), "{size}");

        // The part that came out, with the line up.
        phone.open(&rig, "#/parts/MP-1").await;
        phone.press_words("Enter a changed part").await;
        assert_eq!(
            phone.js("return document.querySelector('.photo').hidden").await,
            true,
            "no old one, no photo of it"
        );
        for (name, value) in [("module", "2"), ("kind", "seat"), ("side", "discharge"), ("why", "washed")] {
            phone.press(&format!("//input[@name='{name}' and @value='{value}']")).await;
        }
        phone.fill("How the old one looked", "cut at 4 o'clock").await;
        take(&phone, &file).await;
        phone.press_words("Leave the photo out").await;
        phone.until("return document.querySelector('.photo img') === null", "it is left out").await;
        take(&phone, &file).await;
        phone.press_words("Enter the part").await;
        phone.until(SHOWN, "what came out is shown").await;
        assert!(phone.text("main").await.contains("Module 2, seat, discharge, washed, cut at 4 o'clock"));
        look_at(&phone, &axe, "parts-photo", ".small-photo").await;
        assert_eq!(photos(&rig).len(), 1, "the same photo is kept once");

        let out = kept.path().join("note");
        rig.run(&["handover", "--out", out.to_str().unwrap()]);
        let note = std::fs::read_to_string(out.join("handover.html")).unwrap();
        assert_eq!(note.matches("data:image/jpeg;base64,").count(), 2, "the check's and the part's");
        phone.stayed_home(&rig).await;
        let errors = phone.errors().await;
        assert!(errors.is_empty(), "{errors:#?}");
    });
}

pub(super) fn running_hours_are_entered() {
    let rig = Rig::new();
    rig.run(&["part", "change", "1", "piston", "--pump", "MP-1", "--at", "2026-11-03 06:00"]);
    steps(async {
        let phone = Phone::new(None).await;
        phone.open(&rig, "#/parts/MP-1").await;
        phone.view("parts").await;
        assert!(phone.text("#hours").await.contains("No running hours are entered yet"));
        phone.press_words("Enter running hours").await;
        phone.fill("Hours run", "10.5").await;
        // As the phone's own picker of day and time sets them.
        phone
            .js("const [from, to] = document.querySelectorAll('#hours input[type=datetime-local]'); window.was = [from.value, to.value];
                 from.value = '2026-11-03T06:00'; to.value = '2026-11-03T18:00'")
            .await;
        let was = phone.js("return window.was").await;
        for value in was.as_array().unwrap() {
            let text = value.as_str().unwrap();
            assert!(text.len() == 16 && text.starts_with("20"), "filled in, on the rig's clock: {was}");
        }
        phone.press_words("Enter the hours").await;
        phone
            .until("return document.querySelector('#hours .value').innerText.includes('10.5 h')", "the last entry")
            .await;
        assert!(phone.text("#hours .value").await.contains("3 Nov"), "{}", phone.text("#hours").await);
        let parts = rig.run(&["part", "list", "--pump", "MP-1", "--json"]).json();
        assert!((parts["parts"][0]["hours"].as_f64().unwrap() - 10.5).abs() < 1e-9, "{parts:#}");
        // More hours than the clock ran are refused, in words.
        phone.press_words("Enter running hours").await;
        look_at(&phone, &axe(), "hours", "#hours").await;
        phone.fill("Hours run", "20").await;
        phone
            .js("const [from, to] = document.querySelectorAll('#hours input[type=datetime-local]'); from.value = '2026-11-04T06:00'; to.value = '2026-11-04T18:00'")
            .await;
        phone.press_words("Enter the hours").await;
        phone
            .until("return document.querySelector('#hours').innerText.includes('the clock ran 12.0 h')", "refused")
            .await;
    });
}
