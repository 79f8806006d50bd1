use super::*;

fn wrong(from: &str, to: &str) -> SheetError {
    assert!(DEFAULT_SHEET.contains(from), "{from}");
    parse_sheet(&DEFAULT_SHEET.replacen(from, to, 1), "checks.toml").unwrap_err()
}

fn line_of(text: &str) -> usize {
    1 + DEFAULT_SHEET.lines().position(|l| l.contains(text)).unwrap()
}

#[test]
fn the_default_sheet_is_whole_and_has_no_limits() {
    let sheet = parse_sheet(DEFAULT_SHEET, "checks.toml").unwrap();
    assert_eq!(sheet.checks.len(), 16);
    for check in &sheet.checks {
        for ask in &check.asks {
            if let AskKind::Reading { limits, unit, .. } = &ask.kind {
                assert_eq!(
                    (limits.low, limits.high, &limits.from),
                    (None, None, &None),
                    "a maker's figure is never made up: {}",
                    check.id
                );
                assert_eq!(limits.words(unit), "no limit entered");
                assert_eq!(limits.outside(1.0), None);
            }
        }
    }
    assert_eq!(sheet.rules, Rules::default());
}

#[test]
fn errors_name_the_line() {
    let cases = [
        ("every = \"3 times a tour\"", "every = \"hourly\"", "every = \"3 times a tour\"", "weekly"),
        ("unit = \"mm\"", "unit = \"stone\"", "unit = \"mm\"", "stone"),
        ("kind = \"length\", unit = \"mm\"", "kind = \"length\"", "kind = \"length\"", "unit"),
        ("kind = \"length\"", "kind = \"smell\"", "kind = \"length\"", "smell"),
        ("zone = \"UTC\"", "zone = \"Rig/Floor\"", "zone = \"UTC\"", "Europe/Oslo"),
        ("\"18:00\"]", "\"25:00\"]", "changes =", "25:00"),
        ("id = \"oil-pressure\"", "id = \"oil-level\"", "id = \"oil-pressure\"", "twice"),
        ("id = \"oil-pressure\"", "id = \"Oil pressure\"", "id = \"oil-pressure\"", "dashes"),
        ("per = \"pump\"", "per = \"engine\"", "per = \"pump\"", "engine"),
        ("note = \"Low", "remark = \"Low", "note = \"Low", "remark"),
        (
            "relief_share_of_liner = 0.90",
            "relief_share_of_liner = 90",
            "relief_share_of_liner = 0.90",
            "relief_share_of_liner",
        ),
        ("alike_spm_percent = 5.0", "alike_spm_percent = \"much\"", "alike_spm_percent = 5.0", "expected a number"),
        ("compare_days = 60 ", "compare_days = 0 ", "compare_days = 60", "compare_days"),
        ("precharge_reference = \"20 C\"", "precharge_reference = \"20\"", "precharge_reference =", "has no unit"),
        ("precharge_reference = \"20 C\"", "precharge_reference = \"20 bar\"", "precharge_reference =", "no unit of"),
        (
            "precharge_reference = \"20 C\"",
            "precharge_reference = \"200 C\"",
            "precharge_reference =",
            "can't be meant",
        ),
    ];
    for (from, to, at, says) in cases {
        let err = wrong(from, to);
        assert_eq!(err.line, line_of(at), "{to}: {err}");
        assert!(err.to_string().starts_with("checks.toml, line ") && err.text.contains(says), "{to}: {err}");
    }
    let broken = wrong("[[check]]", "[[check");
    assert_eq!(broken.line, line_of("[[check]]"), "{broken}");
}

#[test]
fn limits_are_read_with_their_units_and_whose_they_are() {
    let with = DEFAULT_SHEET.replacen(
        "name = \"before\", kind = \"pressure\", unit = \"bar\", low = \"\", high = \"\", from = \"\"",
        "name = \"before\", kind = \"pressure\", unit = \"bar\", low = \"29 psi\", high = \"6 bar\", from = \"plate\"",
        1,
    );
    let sheet = parse_sheet(&with, "checks.toml").unwrap();
    let AskKind::Reading { limits, unit, .. } = &sheet.checks[1].asks[0].kind else { panic!("a reading") };
    assert_eq!(limits.words(unit), "2 bar to 6 bar (plate)");
    assert_eq!(
        (limits.outside(3e5), limits.outside(6.1e5), limits.outside(1.5e5)),
        (Some(false), Some(true), Some(true))
    );
    let bare = with.replacen("29 psi", "29", 1);
    assert!(parse_sheet(&bare, "checks.toml").unwrap_err().text.contains("limit of before"));
    let turned = with.replacen("29 psi", "8 bar", 1);
    assert!(parse_sheet(&turned, "checks.toml").unwrap_err().text.contains("wrong way round"));
}

#[test]
fn what_is_usual_is_the_sites_to_write_and_no_limit() {
    let usual = |sheet: &Sheet| {
        let check = sheet.checks.iter().find(|c| c.id == "precharge").unwrap();
        match &check.asks[0].kind {
            AskKind::Reading { limits, unit, .. } => (limits.usual, limits.words(unit)),
            other => panic!("{other:?}"),
        }
    };
    let no_limit = "no limit entered".to_owned();
    assert_eq!(usual(&parse_sheet(DEFAULT_SHEET, "checks.toml").unwrap()), (Some([1e6, 8e6]), no_limit.clone()));
    let without = DEFAULT_SHEET.replacen(", usual = [\"10 bar\", \"80 bar\"]", "", 1);
    assert_eq!(usual(&parse_sheet(&without, "checks.toml").unwrap()), (None, no_limit));
    for (wrong, says) in [("90 bar", "wrong way round"), ("10", "usual of precharge"), ("10 C", "usual of precharge")] {
        let sheet = DEFAULT_SHEET.replacen("usual = [\"10 bar\"", &format!("usual = [\"{wrong}\""), 1);
        let err = parse_sheet(&sheet, "checks.toml").unwrap_err();
        assert!(err.text.contains(says), "{wrong}: {}", err.text);
    }
    let look = DEFAULT_SHEET.replacen(
        "name = \"look\", kind = \"ok\"",
        "name = \"look\", kind = \"ok\", usual = [\"1 bar\", \"2 bar\"]",
        1,
    );
    assert!(parse_sheet(&look, "checks.toml").unwrap_err().text.contains("is no reading"));
}

#[test]
fn intervals_are_read_as_they_are_written() {
    for text in [
        "each tour",
        "3 times a tour",
        "first and last connection of the tour",
        "weekly",
        "every two weeks",
        "every 10 days",
        "every 500 hours of running",
    ] {
        assert_eq!(Every::parse(text).unwrap().words(), text);
    }
    // As sheets of before have them.
    assert_eq!(Every::parse("first and last connection"), Some(Every::FirstAndLast));
    assert_eq!(Every::parse("every 500 running hours"), Some(Every::RunningHours(500.0)));
    for text in
        ["", "0 times a tour", "-1 times a tour", "every -5 running hours", "every inf running hours", "monthly"]
    {
        assert_eq!(Every::parse(text), None, "{text}");
    }
}

#[test]
fn the_precharge_reference_is_a_temperature_of_the_site() {
    let with = DEFAULT_SHEET.replacen("precharge_reference = \"20 C\"", "precharge_reference = \"70 F\"", 1);
    let rules = parse_sheet(&with, "checks.toml").unwrap().rules;
    assert!((rules.precharge_reference_k - 294.261_111).abs() < 1e-6, "{rules:?}");
    // A sheet from before the field has 20 C.
    let before: String =
        DEFAULT_SHEET.lines().filter(|l| !l.starts_with("precharge_reference")).map(|l| format!("{l}\n")).collect();
    assert!((parse_sheet(&before, "checks.toml").unwrap().rules.precharge_reference_k - 293.15).abs() < 1e-9);
}
