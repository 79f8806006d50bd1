use super::*;
use crate::tour::{DEFAULT_SHEET, parse_sheet};

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// A sheet of one check.
fn sheet(every: &str, per: &str, zone: &str) -> Sheet {
    let text = format!(
        "[tour]\nzone = \"{zone}\"\nchanges = [\"06:00\", \"18:00\"]\n[[check]]\nid = \"look\"\ntext = \"Look\"\nper = \"{per}\"\n\
every = \"{every}\"\nask = [{{ name = \"look\", kind = \"ok\" }}]\n"
    );
    parse_sheet(&text, "checks.toml").unwrap()
}

fn pumps() -> Vec<WalkPump> {
    ["P1", "P2"].map(|name| WalkPump { name: name.into(), modules: 3 }).to_vec()
}

fn entry(pump: &str, when: &str, outcome: Outcome) -> CheckEntry {
    let target = Target { pump: Some(pump.into()), module: None };
    CheckEntry { check: "look".into(), target, at: at(when), outcome }
}

fn no_hours(_: &str, _: Timestamp) -> Option<f64> {
    None
}

fn due_now(
    sheet: &Sheet,
    pumps: &[WalkPump],
    history: &[CheckEntry],
    hours_since: HoursSince<'_>,
    now: Timestamp,
) -> Result<Vec<Item>, ClockError> {
    due(sheet, pumps, history, hours_since, &sheet.plan.tour_at(now)?, now)
}

fn first(sheet: &Sheet, history: &[CheckEntry], now: &str) -> Item {
    due_now(sheet, &pumps(), history, &no_hours, at(now)).unwrap().remove(0)
}

#[test]
fn three_times_a_tour_has_three_parts() {
    let sheet = sheet("3 times a tour", "pump", "UTC");
    let none = first(&sheet, &[], "2031-05-04T06:00:00Z");
    assert_eq!(none.standing, Standing::Due { by: at("2031-05-04T10:00:00Z") });
    // Three looks within the first hour count once.
    let early = ["06:10", "06:30", "06:50"].map(|t| entry("P1", &format!("2031-05-04T{t}:00Z"), Outcome::Fine));
    let item = first(&sheet, &early, "2031-05-04T09:00:00Z");
    assert_eq!((item.made, item.missed, item.wanted), (1, 0, 3));
    assert_eq!(item.standing, Standing::Done { at: at("2031-05-04T06:50:00Z"), attention: false });
    let next = first(&sheet, &early, "2031-05-04T10:00:00Z");
    assert_eq!(next.standing, Standing::Due { by: at("2031-05-04T14:00:00Z") });
    let late = first(&sheet, &early, "2031-05-04T14:30:00Z");
    assert_eq!((late.standing, late.missed), (Standing::Overdue { since: Some(at("2031-05-04T14:00:00Z")) }, 1));
    // A missed part stays missed after the next one was made.
    let mut caught_up = early.to_vec();
    caught_up.push(entry("P1", "2031-05-04T15:00:00Z", Outcome::Attention));
    let item = first(&sheet, &caught_up, "2031-05-04T16:00:00Z");
    assert_eq!((item.made, item.missed), (2, 1));
    assert_eq!(item.standing, Standing::Done { at: at("2031-05-04T15:00:00Z"), attention: true });
}

#[test]
fn a_skipped_check_keeps_its_reason_and_another_pump_its_own_state() {
    let sheet = sheet("each tour", "pump", "UTC");
    let history = [entry("P1", "2031-05-04T07:00:00Z", Outcome::Skipped { reason: "pump on standby".into() })];
    let items = due_now(&sheet, &pumps(), &history, &no_hours, at("2031-05-04T08:00:00Z")).unwrap();
    let skipped = Standing::Skipped { at: at("2031-05-04T07:00:00Z"), reason: "pump on standby".into() };
    assert_eq!((items[0].standing.clone(), items[0].skipped, items[0].missed), (skipped, 1, 0));
    assert_eq!((items[1].target.pump.as_deref(), items[1].target.module), (Some("P2"), None));
    assert!(matches!(items[1].standing, Standing::Due { .. }));
}

#[test]
fn a_night_tour_counts_across_midnight_and_a_clock_change() {
    // 26 October 2031, 01:00 UTC: clocks in Oslo go back, the tour has 13 hours: 16:00 UTC to 05:00 UTC.
    let sheet = sheet("twice a tour", "pump", "Europe/Oslo");
    let item = first(&sheet, &[], "2031-10-25T22:00:00Z");
    assert_eq!(item.standing, Standing::Due { by: at("2031-10-25T22:30:00Z") });
    let before = entry("P1", "2031-10-25T21:00:00Z", Outcome::Fine);
    let item = first(&sheet, std::slice::from_ref(&before), "2031-10-26T01:30:00Z");
    assert_eq!((item.made, item.standing), (1, Standing::Due { by: at("2031-10-26T05:00:00Z") }));
    let next_tour = first(&sheet, &[before], "2031-10-26T05:00:00Z");
    assert_eq!((next_tour.made, next_tour.missed), (0, 0), "a new tour starts afresh");
}

#[test]
fn weekly_checks_count_from_the_last_time() {
    let sheet = sheet("weekly", "pump", "UTC");
    assert_eq!(first(&sheet, &[], "2031-05-04T08:00:00Z").standing, Standing::Overdue { since: None });
    let history = [entry("P1", "2031-05-01T09:00:00Z", Outcome::Fine)];
    let later = first(&sheet, &history, "2031-05-04T08:00:00Z");
    assert_eq!((later.standing, later.wanted), (Standing::Later { from: at("2031-05-08T09:00:00Z") }, 0));
    let today = first(&sheet, &history, "2031-05-08T07:00:00Z");
    assert_eq!(today.standing, Standing::Due { by: at("2031-05-08T09:00:00Z") });
    let over = first(&sheet, &history, "2031-05-09T07:00:00Z");
    assert_eq!(over.standing, Standing::Overdue { since: Some(at("2031-05-08T09:00:00Z")) });
    // Skipping it puts it off for the tour, not for a week.
    let mut skipped = history.to_vec();
    skipped.push(entry("P1", "2031-05-08T10:00:00Z", Outcome::Skipped { reason: "no permit".into() }));
    assert!(matches!(first(&sheet, &skipped, "2031-05-08T11:00:00Z").standing, Standing::Skipped { .. }));
    assert!(matches!(first(&sheet, &skipped, "2031-05-08T19:00:00Z").standing, Standing::Overdue { .. }));
}

#[test]
fn running_hours_decide_where_they_are_known() {
    let sheet = sheet("every 500 running hours", "pump", "UTC");
    let history = [entry("P1", "2031-05-01T09:00:00Z", Outcome::Fine)];
    let now = at("2031-05-20T08:00:00Z");
    let with = |hours: Option<f64>| {
        let since = move |pump: &str, _: Timestamp| if pump == "P1" { hours } else { None };
        due_now(&sheet, &pumps(), &history, &since, now).unwrap().remove(0).standing
    };
    assert_eq!(with(None), Standing::NoHours);
    assert_eq!(with(Some(400.0)), Standing::Later { from: at("2031-05-24T12:00:00Z") });
    assert!(matches!(with(Some(495.0)), Standing::Due { .. }));
    assert!(matches!(with(Some(510.0)), Standing::Overdue { since: Some(_) }));
}

#[test]
fn the_walk_goes_pump_by_pump_in_the_order_of_the_sheet() {
    let sheet = parse_sheet(DEFAULT_SHEET, "checks.toml").unwrap();
    let items = due_now(&sheet, &pumps(), &[], &no_hours, at("2031-05-04T08:00:00Z")).unwrap();
    // 12 checks a pump, 4 of each of 3 modules.
    assert_eq!(items.len(), 2 * (12 + 4 * 3));
    let half = items.len() / 2;
    assert!(items[..half].iter().all(|i| i.target.pump.as_deref() == Some("P1")));
    assert_eq!(items[0].check, "oil-level");
    let clamps: Vec<Option<u32>> =
        items.iter().filter(|i| i.check == "rod-clamp-torque").take(3).map(|i| i.target.module).collect();
    assert_eq!(clamps, [Some(1), Some(2), Some(3)]);
}

#[test]
fn a_tour_that_has_ended_tells_what_it_missed() {
    let sheet = sheet("3 times a tour", "pump", "UTC");
    let history = [entry("P1", "2031-05-04T07:00:00Z", Outcome::Fine)];
    let tour = sheet.plan.tour_at(at("2031-05-04T07:00:00Z")).unwrap();
    let items = due(&sheet, &pumps(), &history, &no_hours, &tour, tour.end).unwrap();
    assert_eq!((items[0].made, items[0].missed), (1, 2));
    assert_eq!((items[1].made, items[1].missed), (0, 3));
    let future = [entry("P1", "2031-05-04T17:00:00Z", Outcome::Fine)];
    let item = &due(&sheet, &pumps(), &future, &no_hours, &tour, at("2031-05-04T07:00:00Z")).unwrap()[0];
    assert_eq!(item.made, 0, "an entry from the future does not count");
}
