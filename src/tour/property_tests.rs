//! What holds for every reading, time and tour, not only for those that somebody thought of.

use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;

use super::reading::{Answer, ReadingError, judge};
use super::sheet::{Ask, AskKind, Limits};
use super::{ClockError, TourPlan};
use crate::units::Dimension;

const ALL: [Dimension; 8] = [
    Dimension::Length,
    Dimension::Pressure,
    Dimension::Density,
    Dimension::Force,
    Dimension::Volume,
    Dimension::Flow,
    Dimension::Temperature,
    Dimension::Torque,
];

fn ask(dimension: Dimension) -> Ask {
    let unit = &dimension.units()[0];
    Ask { name: "x".into(), kind: AskKind::Reading { dimension, unit, limits: Limits::default() } }
}

/// An SI value that a rig pump's reading of this kind can have.
fn usual(dimension: Dimension, share: f64) -> f64 {
    let [low, high] = match dimension {
        Dimension::Length => [1e-3, 20.0],
        Dimension::Pressure => [1e4, 1e8],
        Dimension::Density => [800.0, 2500.0],
        Dimension::Force => [1e2, 1e6],
        Dimension::Volume => [1e-4, 1e3],
        Dimension::Flow => [1e-4, 0.5],
        Dimension::Temperature => [230.0, 400.0],
        Dimension::Torque => [1.0, 1e4],
    };
    low + share * (high - low)
}

/// Zones with and without clock changes, on both halves of the earth, with odd offsets.
const ZONES: [&str; 6] =
    ["UTC", "Europe/Oslo", "America/Chicago", "Australia/Lord_Howe", "Asia/Kathmandu", "America/Sao_Paulo"];

fn plans() -> impl Strategy<Value = TourPlan> {
    let changes = prop_oneof![
        Just(vec!["06:00", "18:00"]),
        Just(vec!["00:00", "12:00"]),
        Just(vec!["02:30", "14:30"]),
        Just(vec!["05:00", "13:00", "21:00"]),
        Just(vec!["07:15"]),
    ];
    (0..ZONES.len(), changes).prop_map(|(z, changes)| TourPlan::new(ZONES[z], &changes).unwrap())
}

/// Any second from 2020 to 2040.
fn instants() -> impl Strategy<Value = Timestamp> {
    (1_577_836_800_i64..2_208_988_800).prop_map(|s| Timestamp::from_second(s).unwrap())
}

proptest! {
    #[test]
    fn a_reading_is_the_same_in_every_unit_of_its_kind(kind in 0..ALL.len(), share in 0.0..1.0_f64) {
        let dimension = ALL[kind];
        let si = usual(dimension, share);
        for unit in dimension.units() {
            let text = format!("{} {}", unit.in_unit(si), unit.symbol);
            let judged = judge(&ask(dimension), &text, &[]).unwrap();
            let Answer::Reading { si: read, unit: typed } = judged.answer else { panic!("{text}") };
            prop_assert_eq!(typed.symbol, unit.symbol);
            prop_assert!((read - si).abs() <= 1e-9 * si.abs(), "{} read as {} instead of {}", text, read, si);
            prop_assert!(judged.question.is_none());
        }
    }

    #[test]
    fn a_unit_of_another_kind_and_a_number_alone_are_refused(a in 0..ALL.len(), b in 0..ALL.len(), x in 0.0..500.0_f64) {
        prop_assume!(a != b);
        for unit in ALL[b].units() {
            // A few symbols mean different things of different kinds on purpose.
            let own = ALL[a].units().iter().any(|u| u.symbol.eq_ignore_ascii_case(unit.symbol));
            let read = judge(&ask(ALL[a]), &format!("{x} {}", unit.symbol), &[]);
            prop_assert!(own || matches!(read, Err(ReadingError::Quantity { .. })), "{} as {:?}: {:?}", unit.symbol, ALL[a], read);
        }
        let bare = judge(&ask(ALL[a]), &format!("{x}"), &[]);
        prop_assert!(matches!(bare, Err(ReadingError::Quantity { .. })), "{bare:?}");
    }

    #[test]
    fn nothing_is_never_a_reading(kind in 0..ALL.len(), blank in "[ \t\n]{0,6}") {
        let read = judge(&ask(ALL[kind]), &blank, &[]);
        prop_assert!(matches!(read, Err(ReadingError::Empty { .. })), "{:?}", read);
    }

    #[test]
    fn no_text_makes_a_reading_panic(kind in 0..ALL.len(), text in "\\PC{0,20}", before in prop::collection::vec(0.0..1e9_f64, 0..5)) {
        let _ = judge(&ask(ALL[kind]), &text, &before);
    }

    #[test]
    fn every_instant_is_in_one_tour_and_tours_join(plan in plans(), at in instants()) {
        let tour = plan.tour_at(at).unwrap();
        prop_assert!(tour.holds(at), "{} not in {} to {}", at, tour.start, tour.end);
        // Over midnight and over a clock change: an hour more or less, never a gap.
        prop_assert!(tour.hours() > 6.0 && tour.hours() <= 25.0, "{} hours", tour.hours());
        let (before, after) = (plan.before(&tour).unwrap(), plan.tour_at(tour.end).unwrap());
        prop_assert_eq!((before.end, after.start), (tour.start, tour.end));
        let whole: f64 = tour.end.duration_since(tour.start).as_secs_f64() / 3600.0;
        prop_assert!((whole - tour.hours()).abs() < 1e-9);
    }

    #[test]
    fn a_time_in_the_future_is_never_taken(plan in plans(), now in instants(), ahead in 400_i64..4_000_000) {
        let text = (now + SignedDuration::from_secs(ahead)).to_string();
        prop_assert!(matches!(plan.entry_time(&text, now), Err(ClockError::Future { .. })), "{} at {}", text, now);
    }

    #[test]
    fn what_is_typed_as_a_time_of_day_is_its_last_one(plan in plans(), now in instants(), hour in 0..24_u32, minute in 0..60_u32) {
        let at = plan.entry_time(&format!("{hour:02}:{minute:02}"), now).unwrap();
        // At most five minutes ahead (clocks differ) and about a day back.
        prop_assert!(at <= now + SignedDuration::from_mins(5));
        prop_assert!(now.duration_since(at) <= SignedDuration::from_hours(26), "{} at {}", at, now);
    }

    #[test]
    fn a_time_as_the_note_writes_it_is_read_again(plan in plans(), at in instants()) {
        let typed = plan.typed(at);
        let read = plan.entry_time(&typed, at + SignedDuration::from_hours(3)).unwrap();
        // In the hour that a clock change repeats, a time of day means two instants; either is right.
        let off = read.duration_since(at).as_secs().abs();
        prop_assert!(off < 60 || (off - 3600).abs() < 60 || (off - 1800).abs() < 60, "{} read as {} instead of {}", typed, read, at);
    }
}
