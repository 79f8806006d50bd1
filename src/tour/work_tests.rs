use super::*;

fn at(minute: i64) -> Timestamp {
    "2031-05-04T10:00:00Z".parse::<Timestamp>().unwrap() + jiff::SignedDuration::from_mins(minute)
}

fn entry(minute: i64, event: Event) -> Entry {
    Entry { at: at(minute), by: "derrickman".into(), event }
}

fn confirm(step: Step, answer: Answer) -> Event {
    Event::Confirmed { step, answer }
}

fn answer_to(step: Step) -> Answer {
    match step {
        Step::Permit | Step::MechanicalIsolation | Step::ElectricalIsolation => Answer::Number { text: "4711".into() },
        Step::Locks | Step::LocksOff => Answer::Count { locks: 2 },
        Step::Bled => Answer::Pressure { pa: 0.0 },
        _ => Answer::Yes,
    }
}

fn prepared() -> Job {
    let mut job = Job::new();
    for (k, step) in Step::BEFORE.into_iter().enumerate() {
        assert_eq!(job.unanswered().first(), Some(&step), "asked in order");
        job.enter(entry(i64::try_from(k).unwrap(), confirm(step, answer_to(step)))).unwrap();
    }
    job
}

#[test]
fn a_job_goes_from_questions_to_its_report() {
    let mut job = prepared();
    job.enter(entry(20, Event::Opened)).unwrap();
    assert_eq!(job.stage(), Stage::Open);
    assert_eq!(job.unanswered(), Step::AFTER);
    let too_early = job.enter(entry(30, Event::Closed { report: "seat changed".into() })).unwrap_err();
    assert!(matches!(&too_early, WorkError::Unanswered { steps } if steps.len() == 4), "{too_early}");
    for step in Step::AFTER {
        job.enter(entry(40, confirm(step, answer_to(step)))).unwrap();
    }
    job.enter(entry(50, Event::Closed { report: "seat changed".into() })).unwrap();
    assert_eq!(job.stage(), Stage::Closed);
    assert!(job.unconfirmed().is_empty());
    assert_eq!(Job::replay(job.entries().to_vec()).unwrap(), job);
    assert!(job.enter(entry(60, Event::Opened)).is_err());
}

#[test]
fn nothing_is_opened_while_a_question_stands() {
    let mut job = Job::new();
    let err = job.enter(entry(0, Event::Opened)).unwrap_err();
    assert!(err.to_string().contains("permit to work") && err.to_string().contains("pressure seen at zero"), "{err}");
    assert_eq!(job, Job::new());
}

#[test]
fn one_lock_and_a_pressure_are_not_taken() {
    let mut job = Job::new();
    let err = job.enter(entry(0, confirm(Step::Locks, Answer::Count { locks: 1 }))).unwrap_err();
    assert_eq!(err, WorkError::FewLocks { got: 1 });
    assert!(err.to_string().contains("rule of thumb"));
    for pa in [20e5, f64::NAN, -1.0] {
        let err = job.enter(entry(0, confirm(Step::Bled, Answer::Pressure { pa }))).unwrap_err();
        assert!(matches!(err, WorkError::NotBled { .. }), "{err}");
    }
    assert!(matches!(job.enter(entry(0, confirm(Step::Bled, Answer::Yes))), Err(WorkError::WrongAnswer { .. })));
    assert!(matches!(job.enter(entry(0, confirm(Step::Permit, Answer::Yes))), Err(WorkError::WrongAnswer { .. })));
    let blank = Answer::Number { text: " ".into() };
    assert!(matches!(job.enter(entry(0, confirm(Step::Permit, blank))), Err(WorkError::Blank { .. })));
}

#[test]
fn what_is_left_out_stays_in_view_until_it_is_confirmed() {
    let mut job = Job::new();
    for step in Step::BEFORE {
        let event = if step == Step::ElectricalIsolation {
            assert!(job.enter(entry(1, Event::LeftOut { step, reason: " ".into() })).is_err(), "not silently");
            Event::LeftOut { step, reason: "electrician on the way".into() }
        } else {
            confirm(step, answer_to(step))
        };
        job.enter(entry(1, event)).unwrap();
    }
    job.enter(entry(2, Event::Opened)).unwrap();
    let text = job.lines(|t| t.to_string()).join("\n");
    assert!(text.contains("electrical-isolation: NOT CONFIRMED, left out: electrician on the way"), "{text}");
    assert!(text.contains("The site still has to confirm: electrical isolation in the isolation log"), "{text}");
    assert!(text.contains("not a clearance"));
    job.enter(entry(9, confirm(Step::ElectricalIsolation, answer_to(Step::ElectricalIsolation)))).unwrap();
    assert!(!job.unconfirmed().contains(&Step::ElectricalIsolation));
}

#[test]
fn every_lock_that_went_on_comes_off() {
    let mut job = prepared();
    job.enter(entry(20, Event::Opened)).unwrap();
    let err = job.enter(entry(30, confirm(Step::LocksOff, Answer::Count { locks: 1 }))).unwrap_err();
    assert_eq!(err, WorkError::LocksDiffer { off: 1, on: 2 });
}

#[test]
fn entries_keep_their_order_and_say_who() {
    let mut job = Job::new();
    job.enter(entry(5, confirm(Step::RiskReview, Answer::Yes))).unwrap();
    let late = job.enter(entry(4, confirm(Step::DrillerTold, Answer::Yes)));
    assert!(matches!(late, Err(WorkError::OutOfOrder { .. })));
    let nobody = Entry { by: String::new(), ..entry(6, confirm(Step::DrillerTold, Answer::Yes)) };
    assert!(matches!(job.enter(nobody), Err(WorkError::Blank { .. })));
    assert!(job.enter(entry(6, confirm(Step::Clear, Answer::Yes))).is_err(), "not open yet");
    job.enter(entry(7, Event::CalledOff { reason: "pump needed".into() })).unwrap();
    assert_eq!(job.stage(), Stage::CalledOff);
}

#[test]
fn no_text_calls_a_pump_safe() {
    let mut text: Vec<String> = vec![NOT_A_CLEARANCE.into()];
    for step in Step::BEFORE.into_iter().chain(Step::AFTER) {
        text.push(format!("{} {}", step.question(), step.open_words()));
        assert_eq!(Step::parse(step.as_str()), Ok(step));
    }
    let job = prepared();
    text.extend(job.lines(|t| t.to_string()));
    for line in text {
        let low = line.to_lowercase();
        assert!(!low.contains("safe") && !low.contains("all clear") && !low.contains("ready"), "{line}");
    }
    assert!(Step::parse("dance").is_err());
}

#[test]
fn entries_survive_storage() {
    let job = prepared();
    let json = serde_json::to_string(job.entries()).unwrap();
    let back: Vec<Entry> = serde_json::from_str(&json).unwrap();
    assert_eq!(Job::replay(back).unwrap(), job);
}

#[test]
fn a_no_is_never_written_down_as_confirmed() {
    let number = |text: &str| confirm(Step::DrillerTold, Answer::Number { text: text.into() });
    for text in ["no", "No.", "not yet", "none", "n", "n/a", "-", "unknown", "nobody was there"] {
        let err = check_new(&number(text)).unwrap_err();
        assert!(err.to_string().contains("left out with its reason"), "{text}: {err}");
    }
    for text in ["4711", "N-12", "RA 7", "nordic permit 3", "yes, at 09:00"] {
        assert!(check_new(&number(text)).is_ok(), "{text}");
    }
    assert!(check_new(&confirm(Step::DrillerTold, Answer::Yes)).is_ok());
}
