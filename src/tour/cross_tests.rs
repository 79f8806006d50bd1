use super::*;
use crate::score::Half;
use crate::score::made_up;
use crate::units::{bar_to_pa, pa_to_bar, pa_to_psi, psi_to_pa};

fn bar(pa: f64) -> String {
    format!("{:.1} bar", pa_to_bar(pa))
}

fn worst(remarks: &[Remark]) -> Weight {
    remarks.iter().map(|r| r.weight).max().unwrap()
}

const RULES: Rules = Rules {
    relief_share_of_liner: 0.90,
    relief_over_rating_percent: 0.0,
    gauges_agree_percent: 2.5,
    gauge_moved_percent: 2.0,
    pressure_fall_percent: 5.0,
    alike_spm_percent: 5.0,
    oil_filter_rise_percent: 50.0,
    compare_days: 60.0,
    precharge_reference_k: 293.15,
};

#[test]
fn the_default_margins_are_the_strictest() {
    assert_eq!(Rules::default(), RULES);
    assert!(RULES.check().is_ok());
    assert!(Rules { relief_over_rating_percent: 25.0, ..RULES }.check().is_err());
    assert!(Rules { gauges_agree_percent: f64::NAN, ..RULES }.check().is_err());
}

#[test]
fn the_pump_gauge_stands_a_little_above_the_standpipe() {
    let say = |pump: f64, stand: f64, console: Option<f64>, before: &[f64]| {
        gauges(bar_to_pa(pump), bar_to_pa(stand), console.map(bar_to_pa), before, &RULES, &bar)
    };
    let usual = [0.010, 0.012, 0.011, 0.011];
    assert_eq!(worst(&say(202.2, 200.0, Some(201.0), &usual)), Weight::Fine);
    let grown = say(210.0, 200.0, None, &usual);
    assert!(grown[0].text.contains("grown from 1.1 % to 5.0 %") && grown[0].words().contains("p. 631"), "{grown:?}");
    let below = say(190.0, 200.0, None, &[]);
    assert_eq!(worst(&below), Weight::Look);
    assert!(below[0].words().ends_with("(rule of thumb)"), "{below:?}");
    assert_eq!(worst(&say(202.0, 200.0, None, &usual[..2])), Weight::Missing, "two readings are no habit");
    let console = say(202.2, 200.0, Some(190.0), &usual);
    assert!(console.iter().any(|r| r.text.contains("5.0 % apart")), "{console:?}");
    assert_eq!(worst(&say(0.0, 0.0, None, &usual)), Weight::Missing);
}

#[test]
fn the_relief_setting_follows_the_strictest_rule_by_default() {
    // A liner rated 4355 psi (rating from memory): up to 4355 where nothing above is allowed, up to 4790.5 where 10 % are, running up to setting / 1.10.
    let psi = |pa: f64| format!("{:.0} psi", pa_to_psi(pa));
    let say = |setting: f64, running: Option<f64>, rules: &Rules| {
        relief(psi_to_pa(setting), Some(psi_to_pa(4355.0)), None, running.map(psi_to_pa), rules, &psi)
    };
    let above = say(4400.0, None, &RULES);
    assert_eq!(worst(&above), Weight::Tell);
    assert!(above[0].words().contains("Wyoming"), "{above:?}");
    let ten = Rules { relief_over_rating_percent: 10.0, ..RULES };
    assert_eq!(worst(&say(4790.0, None, &ten)), Weight::Look, "still above the 90 % of common practice");
    assert_eq!(worst(&say(4791.0, None, &ten)), Weight::Tell);
    let thumb = say(4000.0, None, &RULES);
    assert!(thumb[0].text.contains("90 %") && thumb[0].text.contains("3920 psi"), "{thumb:?}");
    assert!(thumb[0].words().ends_with("(rule of thumb)"));
    assert_eq!(worst(&say(3900.0, Some(3500.0), &RULES)), Weight::Fine);
    assert_eq!(worst(&say(3900.0, Some(3600.0), &RULES)), Weight::Look, "R5: less than 10 % apart");
    let none = relief(psi_to_pa(3900.0), None, None, None, &RULES, &psi);
    assert!(none[0].text.contains("no limit entered"));
    let hose = relief(psi_to_pa(3900.0), Some(psi_to_pa(4355.0)), Some(psi_to_pa(3800.0)), None, &RULES, &psi);
    assert_eq!(worst(&hose), Weight::Tell, "R9: the lowest rated part governs");
}

#[test]
fn precharge_is_compared_at_one_gas_temperature() {
    // Computed: 650 psig at 60 F is 752.3 psig at 140 F.
    let psi = |pa: f64| format!("{:.1} psi", pa_to_psi(pa));
    let at = |gauge: f64, f: f64| Precharge { gauge_pa: psi_to_pa(gauge), gas_k: (f + 459.67) / 1.8 };
    let rules = Rules { precharge_reference_k: (140.0 + 459.67) / 1.8, ..RULES };
    let say = |now: Precharge, before: &[Precharge], limits: [Option<f64>; 2]| {
        precharge(now, before, limits.map(|l| l.map(psi_to_pa)), Some(psi_to_pa(900.0)), &rules, &psi).unwrap()
    };
    let high = say(at(650.0, 60.0), &[], [None, Some(750.0)]);
    assert!(high[0].weight == Weight::Tell && high[0].text.contains("752.3 psi"), "{high:?}");
    assert_eq!(worst(&say(at(650.0, 60.0), &[], [None, Some(760.0)])), Weight::Fine);
    let none = say(at(650.0, 60.0), &[], [None, None]);
    assert!(none[0].text.ends_with("no limit entered") && none[1].words().contains("rule of thumb"), "{none:?}");
    let before = [at(650.0, 60.0), at(650.4, 60.0), at(752.0, 140.0)];
    assert_eq!(worst(&say(at(752.0, 140.0), &before, [None, Some(800.0)])), Weight::Fine, "warmer, not fuller");
    let fallen = say(at(600.0, 60.0), &before, [None, Some(800.0)]);
    assert!(fallen[0].text.contains("fallen by 8 %"), "{fallen:?}");
    assert!(precharge(Precharge { gas_k: 0.0, ..before[0] }, &[], [None; 2], None, &rules, &psi).is_err());
}

#[test]
fn a_falling_pressure_is_told_at_alike_strokes_only() {
    let c = |bars: f64, spm: f64, mud: Option<f64>| Circuit { pa: bar_to_pa(bars), spm, mud_kg_per_m3: mud };
    let before = [c(200.0, 72.0, Some(1200.0)), c(211.4, 74.0, Some(1200.0)), c(201.0, 72.0, Some(1200.0))];
    assert_eq!(circuit(&c(200.5, 72.0, Some(1200.0)), &before, &RULES).weight, Weight::Fine);
    let fell = circuit(&c(185.0, 72.0, Some(1200.0)), &before, &RULES);
    assert_eq!(fell.weight, Weight::Tell);
    assert!(fell.text.contains("fell by 8 %") && fell.words().ends_with("(rule of thumb)"), "{fell:?}");
    // Lighter mud lowers the pressure in proportion: rule from memory.
    assert_eq!(circuit(&c(185.0, 72.0, Some(1110.0)), &before, &RULES).weight, Weight::Fine);
    assert_eq!(circuit(&c(100.0, 50.0, Some(1200.0)), &before, &RULES).weight, Weight::Missing);
    let scattered = [c(180.0, 72.0, None), c(220.0, 72.0, None), c(200.0, 72.0, None), c(210.0, 72.0, None)];
    assert_eq!(circuit(&c(185.0, 72.0, None), &scattered, &RULES).weight, Weight::Fine);
    assert_eq!(circuit(&c(185.0, 0.0, None), &scattered, &RULES).weight, Weight::Missing);
}

#[test]
fn mud_in_the_returns_and_a_discharge_hiss_point_at_one_piston() {
    let mut hiss = made_up::departed(2);
    hiss.half = Half::Discharge;
    let seen = Seen::in_wash("Mud in the returns");
    let said = returns(seen, &[made_up::steady(1), hiss.clone()]);
    assert!(said[0].text.contains("module 2: both point at that piston and liner"), "{said:?}");
    let alone = returns(seen, &[made_up::departed(2)]);
    assert!(alone[0].text.contains("find which by its returns"), "a suction-half hiss is another valve's: {alone:?}");
    assert!(returns(Seen::default(), &[hiss]).is_empty());
}

#[test]
fn oil_and_water_point_at_their_seals() {
    let oil = returns(Seen::in_wash("oil film on the tank"), &[]);
    assert!(oil[0].text.contains("stop-head") && oil[0].words().ends_with("(rule of thumb)"));
    let water = returns(Seen::in_oil("milky"), &[]);
    assert!(water[0].text.contains("seals"));
    assert_eq!(Seen::in_oil("no water, no metal"), Seen::default());
    assert!(Seen::in_oil("fine metal on the magnet").metal_in_oil);
    assert_eq!(Seen::in_wash("soil on the lid"), Seen::default(), "a word, not part of one");
}

#[test]
fn a_loading_filter_shows() {
    let usual = [0.3e5, 0.32e5, 0.3e5];
    assert_eq!(filter(3.3e5, 3.0e5, &usual, &RULES, &bar).weight, Weight::Fine);
    assert!(filter(3.8e5, 3.0e5, &usual, &RULES, &bar).text.contains("rose from 0.3 bar to 0.8 bar"));
    assert_eq!(filter(2.9e5, 3.0e5, &usual, &RULES, &bar).weight, Weight::Look);
    assert_eq!(filter(3.3e5, 3.0e5, &[], &RULES, &bar).weight, Weight::Missing);
}
