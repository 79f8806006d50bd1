//! Several phones on one round; pairing; the tour's entries.

use crate::rig::{Phone, Rig, steps};
use crate::views::{axe, keep, problems};

pub(super) fn two_phones_walk_one_round() {
    let rig = Rig::new();
    steps(async {
        let (first, second) = (Phone::new(None).await, Phone::new(None).await);
        first.open(&rig, "").await;
        second.open(&rig, "").await;
        second.js("window.same = 'not loaded again'").await;
        first.start_round("MP-1", "88").await;
        first.until(r"return /#\/walk\/\d+$/.test(location.href)", "the round has its number").await;
        let round = first.js("return location.hash.split('/').pop()").await.as_str().unwrap().to_owned();

        // The other one sees it without being touched, and goes on with it.
        let goes_on = format!(
            "return [...document.querySelectorAll('a')].some((a) => a.hash === '#/walk/{round}' && a.innerText.startsWith('Go on'))"
        );
        second.until(&goes_on, "the round shows on the second phone").await;
        second.press(&format!("//a[@href='#/walk/{round}' and contains(., 'Go on')]")).await;
        second.view("walk").await;
        first.take_file(1, &Rig::clip("evening", 1)).await;
        second.take_file(2, &Rig::clip("evening", 2)).await;
        second.take_file(3, &Rig::clip("evening", 3)).await;
        for phone in [&first, &second] {
            phone
                .until("return document.body.innerText.includes('Clips in the book: 3')", "both see all three clips")
                .await;
            phone.all_is_sent().await;
        }
        assert_eq!(second.js("return window.same").await, "not loaded again");
        let document = rig.run(&["round", "show", &round, "--json"]).json();
        assert_eq!(document["round"]["clips"].as_array().unwrap().len(), 3, "{document:#}");

        first.press_words("Show the verdict").await;
        second.press_words("Show the verdict").await;
        let on_first = crate::round::verdicts_on_screen(&first).await;
        assert_eq!(on_first, crate::round::verdicts_on_screen(&second).await);
        assert_eq!((on_first[0].0, on_first[0].1.as_str()), (2, "departed"));
    });
}

/// The code behind this word in what the program said last: codes are made anew when one was used.
fn code(rig: &Rig, word: &str) -> String {
    rig.says(word).rsplit_once(": ").unwrap().1.trim().to_owned()
}

pub(super) fn a_phone_is_paired_by_its_code() {
    let rig = Rig::start(true);
    steps(async {
        let phone = Phone::new(None).await;
        phone.page.goto(&rig.url()).await.unwrap();
        phone.view("pair").await;
        phone.fill("Code", "WRONGCODE").await;
        phone.press_words("Pair").await;
        phone
            .until(
                "return document.querySelector('.outcome').innerText.includes('not the code')",
                "a wrong code is told",
            )
            .await;
        phone.fill("Code", &code(&rig, "crew")).await;
        phone.press_words("Pair").await;
        phone.view("home").await;
        assert!(!phone.js("return location.href").await.as_str().unwrap().contains("pair"));
        assert_eq!(phone.js("return document.cookie").await, "", "no script sees the session");
        phone.start_round("MP-1", "88").await;
        phone.until(r"return /#\/walk\/\d+$/.test(location.href)", "crew may enter").await;

        // Codes are made anew; the program tells so a moment later.
        tokio::time::sleep(std::time::Duration::from_secs(1)).await;
        // A camera brings the code in the address; this phone may only read.
        let reader = Phone::new(None).await;
        reader.page.goto(&format!("{}#/pair/{}", rig.url(), code(&rig, "read only"))).await.unwrap();
        reader.view("home").await;
        assert!(reader.text("main").await.contains("reading only"), "{}", reader.text("main").await);
        assert!(!reader.text("main").await.contains("Start a round"));
        assert!(
            !reader.js("return location.href").await.as_str().unwrap().contains("pair"),
            "the code leaves the address"
        );
    });
}

pub(super) fn pairing_shuts_nobody_out_and_a_paired_phone_needs_no_connection() {
    let mut rig = Rig::start(true);
    let axe = axe();
    steps(async {
        let phone = Phone::trusting().await;
        phone.page.goto(&rig.url()).await.unwrap();
        phone.view("pair").await;
        let mut found = Vec::new();
        for (k, scheme) in ["light", "dark"].into_iter().enumerate() {
            for told in [false, true] {
                phone.look(360, 740, scheme).await;
                phone.page.refresh().await.unwrap();
                phone.view("pair").await;
                if told {
                    phone.fill("Code", &format!("WRONG-CODE{k}")).await;
                    phone.press_words("Pair").await;
                    phone
                        .until("return document.querySelector('.outcome .problem') !== null", "a wrong code is told")
                        .await;
                }
                let at = format!("pair{}-360-{scheme}", if told { "-wrong" } else { "" });
                keep(&phone, &at).await;
                let (problems, held) = problems(&phone, &axe, scheme).await;
                assert!(held > 15, "axe found only {held} rules to hold: did it run?");
                found.extend(problems.into_iter().map(|p| format!("{at}: {p}")));
            }
        }
        assert!(found.is_empty(), "{}", found.join("\n"));
        phone.fill("Code", &code(&rig, "crew").to_lowercase()).await;
        phone.press_words("Pair").await;
        phone.view("home").await;
        assert!(phone.text("body").await.contains("Invented rig Test Plover"), "who is paired learns of the rig");

        // Once seen at the shack, it opens and keeps entries without a connection, like one on the laptop itself.
        phone.is_kept().await;
        phone.open(&rig, "#/more").await;
        assert!(phone.text("main").await.contains("Opens without a connection"), "{}", phone.text("main").await);
        phone.open(&rig, "#/concerns").await;
        rig.kill();
        phone.open(&rig, "#/concerns").await;
        phone.view("concerns").await;
        assert!(phone.state().await.contains("No connection"), "{}", phone.state().await);
        phone.press_words("Enter a concern").await;
        phone.fill("What it is", "guard of the belts is loose").await;
        phone.press_words("Enter the concern").await;
        phone
            .until(
                "return document.getElementById('state').innerText.includes('1 entry waiting')",
                "the concern is kept on the phone",
            )
            .await;
        rig.serve();
        phone.all_is_sent().await;
        let listed = rig.run(&["concern", "list", "--json"]).json();
        assert_eq!(listed["concerns"][0]["words"], "guard of the belts is loose", "still paired: {listed:#}");
        phone.stayed_home(&rig).await;
    });
}

pub(super) fn a_tour_is_entered_and_signed() {
    let rig = Rig::new();
    for day in 1..=3 {
        let at = format!("2026-11-0{day} 08:12");
        rig.run(&["reading", "add", "oil-pressure", "before=3.3 bar", "after=3.0 bar", "--pump", "MP-1", "--at", &at]);
    }
    steps(async {
        let phone = Phone::new(None).await;
        phone.open(&rig, "#/check/oil-pressure/MP-1/-").await;
        phone.view("check").await;
        assert!(phone.text("main").await.contains("2 bar to 6 bar (invented plate)"), "{}", phone.text("main").await);
        // A phone whose clock is two hours ahead: what it enters is entered now all the same.
        phone.js("const real = Date.now; Date.now = () => real() + 7200000; location.hash = '#/checks'").await;
        phone.view("checks").await;
        phone.js("location.hash = '#/check/oil-pressure/MP-1/-'").await;
        phone.view("check").await;
        // By the keys on the screen, as with gloves.
        phone.press("//label[normalize-space()='before']/following::input[1]").await;
        for key in ["3", "4", "0"] {
            phone
                .press(&format!("//div[contains(@class, 'pad') and not(@hidden)]//button[normalize-space()='{key}']"))
                .await;
        }
        phone.fill("after", "3.1").await;
        phone.press_words("Enter").await;
        // 340 bar after three times 3.3 bar: asked, not entered.
        phone.until("return document.querySelector('.ask') !== null", "an unlikely value is asked about").await;
        assert_eq!(rig.run(&["reading", "list", "--json"]).json()["entries"].as_array().unwrap().len(), 0);
        phone.press_words("No, go back").await;
        phone.fill("before", "3.4").await;
        phone.press_words("Enter").await;
        phone.until("return document.querySelector('.outcome .good') !== null", "the check is entered").await;
        let entries = rig.run(&["reading", "list", "--json"]).json();
        assert_eq!(entries["entries"].as_array().unwrap().len(), 1, "{entries:#}");
        let at: jiff::Timestamp = entries["entries"][0]["at"].as_str().unwrap().parse().unwrap();
        assert!(at <= jiff::Timestamp::now(), "{at}");
        let answers = &entries["entries"][0]["answers"];
        assert!((answers[0]["si"].as_f64().unwrap() - 3.4e5).abs() < 1.0, "{entries:#}");

        phone.open(&rig, "#/check/suction-screen/MP-1/-").await;
        phone.press_words("Leave this check out").await;
        phone.fill("Why it is left out", "no connection in this tour").await;
        phone.press_words("Leave it out").await;
        phone.until("return document.body.innerText.includes('Entered in the book')", "it is left out").await;

        phone.open(&rig, "#/concerns").await;
        phone.press_words("Enter a concern").await;
        phone.fill("What it is", "relief line bracket loose").await;
        phone.press_words("Enter the concern").await;
        phone
            .until(
                "return document.querySelector('main').innerText.includes('relief line bracket loose')",
                "the concern is listed",
            )
            .await;

        phone.open(&rig, "#/parts/MP-1").await;
        phone.press_words("Enter a changed part").await;
        for (name, value) in [("module", "2"), ("kind", "seat"), ("side", "discharge")] {
            phone.press(&format!("//input[@name='{name}' and @value='{value}']")).await;
        }
        phone.press_words("Enter the part").await;
        phone
            .until(
                "return document.querySelector('main').innerText.includes('Module 2, seat, discharge')",
                "the part is listed",
            )
            .await;

        phone.open(&rig, "#/work/MP-1").await;
        phone.press_words("Start a job").await;
        phone.fill("What is to be done", "module 2, piston and liner").await;
        phone.press_words("Start the job").await;
        phone.until("return document.querySelector('.job') !== null", "the job is shown").await;
        let job = phone.text(".job").await;
        assert!(job.contains("still has to confirm") && !job.to_lowercase().contains("is safe"), "{job}");
        phone.press("//li[contains(., 'number of the permit')]//summary").await;
        phone.fill("Number", "4711").await;
        phone.press("//li[contains(., 'number of the permit')]//button[normalize-space()='Confirm']").await;
        phone
            .until("return document.querySelector('.job').innerText.includes('4711')", "the permit's number is shown")
            .await;

        phone.open(&rig, "#/handover").await;
        phone.press_words("Sign the note").await;
        phone.press_words("Sign and freeze").await;
        phone
            .until(
                "return document.querySelector('main').innerText.includes('The note is frozen')",
                "the note is signed",
            )
            .await;
        let signed = rig.run(&["handover", "--json"]).json();
        assert_eq!(signed["signed"], true, "{signed:#}");
        assert!(phone.text("main").await.contains(signed["sha256"].as_str().unwrap()), "{}", phone.text("main").await);
        phone.press_words("Amend the note").await;
        phone.fill("What is corrected", "relief valve was set to 290 bar").await;
        phone.press_words("Enter the amendment").await;
        phone.until("return document.querySelector('main').innerText.includes('290 bar')", "the amendment shows").await;
        phone.press_words("Take over").await;
        phone.press("//button[normalize-space()='Take over']").await;
        phone
            .until(
                "return document.querySelector('main').innerText.includes('Taken over by: relief derrickman')",
                "the receiver shows",
            )
            .await;
        phone.stayed_home(&rig).await;
        assert_eq!(phone.errors().await.iter().filter(|m| !m.contains("409")).count(), 0, "{:?}", phone.errors().await);
    });
}
