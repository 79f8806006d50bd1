//! The figures of `pump figures`, the check of a plate and the precharge.
//!
//! "Handbook": N. J. Lapeyrouse, Formulas and Calculations for Drilling, Production and Workover, its examples as reproduced at
//! scribd.com/document/106831148 ("Pump Output") and docs.kws.tn/formulas/1/pump-pressure.html. "Textbook": Guo & Liu, Applied Drilling
//! Circulation Systems (2011). The page named drillingformulas.com cites the handbook.

use crate::near;
use seatsong::inside::pump::{
    ATMOSPHERE_PA, Action, FiguresInput, LinerFigures, LinerRating, LinerState, check_liners, figures,
    precharge_at_temperature_pa, volumetric_efficiency,
};

/// Factors of NIST SP 811, apart from those of the program.
const M_PER_IN: f64 = 0.0254;
const PA_PER_PSI: f64 = 6_894.757_293_168;
const PA_PER_BAR: f64 = 1e5;
const M3_PER_BBL: f64 = 0.158_987_294_928;
const M3_PER_S_PER_GPM: f64 = 3.785_411_784e-3 / 60.0;
const W_PER_HP: f64 = 745.699_871_582_270_2;
const N_PER_LBF: f64 = 4.448_221_615_260_5;

/// Exact constant over the handbook's rounded one.
const HANDBOOK_ROUNDING: f64 = 0.000_242_857_1 / 0.000_243;

/// A single-acting triplex with one liner, sizes in m.
fn triplex(bore_m: f64, stroke_m: f64) -> FiguresInput {
    FiguresInput {
        cylinders: 3,
        stroke_m,
        bores_m: vec![bore_m],
        action: Action::Single,
        efficiency: 1.0,
        spm: None,
        pressure_pa: None,
        to_spm: None,
        muds_kg_per_m3: None,
        rod_load_n: None,
        fluid_end_pa: None,
        rod_over_crank: None,
        volume_m3: None,
    }
}

fn triplex_in(bore: f64, stroke: f64) -> FiguresInput {
    triplex(bore * M_PER_IN, stroke * M_PER_IN)
}

fn one(input: &FiguresInput) -> LinerFigures {
    figures(input).unwrap().liners[0]
}

#[test]
fn output_per_stroke_p1_to_p9() {
    let displacement = |bore: f64, stroke: f64| one(&triplex_in(bore, stroke)).displacement_m3 / M3_PER_BBL;
    let output = |bore: f64, efficiency: f64| one(&FiguresInput { efficiency, ..triplex_in(bore, 12.0) }).output_m3;
    // P1, P2: derivation from 1 bbl = 9702 in3; the textbook (p. 76 eq. 3.12) prints the divisor 4,118. It is the whole triplex: trap T1.
    let inch = displacement(1.0, 1.0);
    near("P1", inch, 0.000_242_857, 1e-9);
    near("P2", 1.0 / inch, 4117.66, 0.01);
    near("P2, textbook", 1.0 / inch, 4118.0, 0.5);
    // P3, P4: handbook with its rounded constant; exact 0.142800.
    near("P3, exact", displacement(7.0, 12.0), 0.142_800, 1e-6);
    near("P3, handbook", displacement(7.0, 12.0) / HANDBOOK_ROUNDING, 0.142_884, 1e-6);
    near("P4", output(7.0, 0.95) / M3_PER_BBL / HANDBOOK_ROUNDING, 0.135_74, 5e-6);
    // P5, trap T2: the handbook's gallon constant 0.00411 hides 95 %.
    let flow = |efficiency| {
        let at_80 = FiguresInput { spm: Some(80.0), efficiency, ..triplex_in(7.0, 12.0) };
        one(&at_80).flow_m3_per_s.unwrap() / M3_PER_S_PER_GPM
    };
    near("P5, 100 %", flow(1.0), 479.81, 0.005);
    near("P5, handbook", flow(0.004_11 * 231.0), 455.5, 0.05);
    // P6, P7: drillingformulas.com pump-output page, the same rounding; metric constant 2.3576e-9.
    near("P6", displacement(6.0, 12.0) / HANDBOOK_ROUNDING, 0.104_976, 1e-6);
    near("P6, 97 %", output(6.0, 0.97) / M3_PER_BBL / HANDBOOK_ROUNDING, 0.101_827, 1e-6);
    near("P7, exact", output(6.0, 1.0), 0.016_680, 1e-6);
    let metric_rounding = 0.75 * std::f64::consts::PI * 1e-9 / 2.3576e-9;
    near("P7", output(6.0, 1.0) / metric_rounding, 0.016_690, 1e-6);
    near("P7, 97 %", output(6.0, 0.97) / metric_rounding, 0.016_189, 1e-6);
    // P8 (same page), P9 (handbook): 0.000162 rounds 2 (pi/4) / 9702 = 0.00016190.
    let duplex = |bore: f64, stroke: f64, efficiency: f64| {
        let action = Action::Double { rod_m: 2.0 * M_PER_IN };
        let input = FiguresInput { cylinders: 2, action, efficiency, ..triplex_in(bore, stroke) };
        one(&input).output_m3 / M3_PER_BBL / (2.0 * std::f64::consts::FRAC_PI_4 / 9702.0 / 0.000_162)
    };
    near("P8", duplex(6.0, 12.0, 1.0), 0.132_192, 1e-6);
    near("P8, 85 %", duplex(6.0, 12.0, 0.85), 0.112_363, 1e-6);
    near("P9", duplex(5.5, 14.0, 1.0), 0.128_142, 1e-6);
    // P23: electrotechnik.net page "Discharge of a reciprocating pump"; slip is one less it.
    near("P23", volumetric_efficiency(0.95 * 100.0 * 0.0167, 100.0, 0.0167).unwrap(), 0.95, 1e-12);
}

#[test]
fn hydraulic_power_p11_to_p14_and_p22() {
    let hp = |psi: f64, gpm: f64| {
        let six = FiguresInput { pressure_pa: Some(psi * PA_PER_PSI), spm: Some(1.0), ..triplex_in(6.0, 12.0) };
        let spm = gpm * M3_PER_S_PER_GPM / one(&six).flow_m3_per_s.unwrap();
        one(&FiguresInput { spm: Some(spm), ..six }).power_w.unwrap() / W_PER_HP
    };
    // P12: drillingmatters.iadc.org glossary, 33 000 x 12 / 231.
    near("P12", 1.0 / hp(1.0, 1.0), 1714.286, 0.001);
    let handbook = 1714.286 / 1714.0;
    near("P11", hp(3500.0, 800.0) * handbook, 1633.6, 0.05); // drillingformulas.com
    near("P13", hp(1092.0, 990.0), 631.0, 0.5); // textbook p. 74 ex. 3.3
    near("P13, trap T3", hp(3641.0, 350.0), 743.0, 0.5); // the text says 3,461, the printed result needs 3,641
    near("P14", hp(2950.0, 520.0) * handbook, 894.98, 0.01); // handbook example, from memory
    // P22: textbook p. 73 eq. 3.9, the power limits the flow.
    let flow = 1714.0 * 0.9 * 1600.0 / 3000.0;
    near("P22", hp(3000.0, flow) * handbook, 0.9 * 1600.0, 0.01);
}

#[test]
fn pressure_at_another_rate_and_mud_weight_p15_p16_p20() {
    let psi = |psi: f64, spm: [f64; 2], muds: Option<[f64; 2]>| {
        let input = FiguresInput {
            pressure_pa: Some(psi * PA_PER_PSI),
            spm: Some(spm[0]),
            to_spm: Some(spm[1]),
            muds_kg_per_m3: muds,
            ..triplex_in(6.0, 12.0)
        };
        figures(&input).unwrap().new_pressure_pa.unwrap() / PA_PER_PSI
    };
    near("P15", psi(1800.0, [60.0, 30.0], None), 450.0, 1e-9); // handbook
    near("P16", psi(2500.0, [40.0, 25.0], None), 976.6, 0.05); // drillingformulas.com
    near("P20", psi(3000.0, [60.0, 60.0], Some([10.0, 12.0])), 3600.0, 1e-9); // rule from memory
    near("P15 and P20", psi(1800.0, [60.0, 30.0], Some([10.0, 12.0])), 540.0, 1e-9);
}

/// Bore, rating (from memory, of one remembered pump class: never shipped as a limit), flow, rod load, power (computed).
const METRIC_LINERS: [(f64, f64, f64, f64, f64); 5] = [
    (180.0, 23.2, 46.54, 590.4, 1080.0),
    (170.0, 26.0, 41.51, 590.1, 1079.0),
    (160.0, 29.4, 36.77, 591.1, 1081.0),
    (150.0, 33.4, 32.32, 590.2, 1079.0),
    (140.0, 34.5, 28.15, 531.1, 971.0),
];
const INCH_LINERS: [(f64, f64, f64, f64, f64); 5] = [
    (7.0, 3200.0, 719.7, 123_150.0, 1344.0),
    (6.5, 3710.0, 620.6, 123_109.0, 1343.0),
    (6.0, 4355.0, 528.8, 123_135.0, 1344.0),
    (5.5, 5180.0, 444.3, 123_068.0, 1343.0),
    (5.0, 5555.0, 367.2, 109_072.0, 1190.0),
];

#[test]
fn liner_tables_p21_p25_p26() {
    for (bore_mm, mpa, flow_l_s, load_kn, power_kw) in METRIC_LINERS {
        let input = FiguresInput {
            spm: Some(120.0),
            pressure_pa: Some(mpa * 1e6),
            rod_load_n: Some(load_kn * 1000.0),
            ..triplex(bore_mm / 1000.0, 0.3048)
        };
        let liner = one(&input);
        near("P25 flow", liner.flow_m3_per_s.unwrap() * 1000.0, flow_l_s, 0.005);
        near("P25 rod load", liner.rod_load_n.unwrap() / 1000.0, load_kn, 0.06);
        near("P25 power", liner.power_w.unwrap() / 1000.0, power_kw, 0.6);
        // P21: pump formula sheet scribd.com/doc/48686842, rod load over plunger area.
        near("P21", liner.rated_pa.unwrap() / 1e6, mpa, 0.005);
    }
    for (bore_in, psi, flow_gpm, load_lbf, power_hp) in INCH_LINERS {
        let input = FiguresInput {
            spm: Some(120.0),
            pressure_pa: Some(psi * PA_PER_PSI),
            rod_load_n: Some(123_100.0 * N_PER_LBF),
            fluid_end_pa: Some(5555.0 * PA_PER_PSI),
            ..triplex_in(bore_in, 12.0)
        };
        let liner = one(&input);
        near("P26 flow", liner.flow_m3_per_s.unwrap() / M3_PER_S_PER_GPM, flow_gpm, 0.05);
        near("P26 rod load", liner.rod_load_n.unwrap() / N_PER_LBF, load_lbf, 1.0);
        near("P26 rating", liner.rated_pa.unwrap() / PA_PER_PSI, psi, 3.0);
        // The table divides by 1714, which rounds 1714.286.
        near("P26 power", liner.power_w.unwrap() / W_PER_HP * 1714.286 / 1714.0, power_hp, 0.6);
    }
}

#[test]
fn a_typing_error_in_a_liner_table_is_found() {
    use LinerState::{Agrees, Capped, TooHigh, TooLow};
    let table = |rows: [(f64, f64, f64, f64, f64); 5]| rows.map(|r| LinerRating { bore_m: r.0, rating_pa: r.1 });
    let states = |table: &[LinerRating]| -> Vec<LinerState> {
        check_liners(table, 0.02).unwrap().into_iter().map(|c| c.state).collect()
    };
    assert_eq!(states(&table(METRIC_LINERS)), [Agrees, Agrees, Agrees, Agrees, Capped]);
    assert_eq!(states(&table(INCH_LINERS)), [Agrees, Agrees, Agrees, Agrees, Capped]);
    let mut typo = table(INCH_LINERS);
    typo[1].rating_pa = 3170.0; // 3710 with two digits swapped
    assert_eq!(states(&typo), [Agrees, TooLow, Agrees, Agrees, Capped]);
    typo[1].rating_pa = 37_100.0;
    assert_eq!(states(&typo), [Agrees, TooHigh, Agrees, Agrees, Capped]);
    let mut typo = table(INCH_LINERS);
    typo[4].rating_pa = 55_550.0;
    assert_eq!(states(&typo), [Agrees, Agrees, Agrees, Agrees, TooHigh]);
    let capped_twice = [(6.0, 4355.0), (5.5, 5180.0), (5.0, 5200.0), (4.5, 5200.0)];
    let capped_twice = capped_twice.map(|(bore_m, rating_pa)| LinerRating { bore_m, rating_pa });
    assert_eq!(states(&capped_twice), [Agrees, Agrees, Capped, Capped]);
    assert!(states(&[]).is_empty());
    assert!(check_liners(&[LinerRating { bore_m: 0.0, rating_pa: 1.0 }], 0.02).is_err());
    assert!(check_liners(&[], 0.0).is_err());
}

#[test]
fn flow_ripple_k9_to_k15() {
    // Computed, except K10: the published +6.1 / -16.9 / 23 % of a triplex, citation from memory; and K15: handbook 2/5/7 and 1/3/4 %,
    // from memory. K9 is pi/3 - 1 and pi sqrt(3)/6 - 1.
    for (id, cylinders, ratio, above, below, tolerance) in [
        ("K9", 3, f64::INFINITY, 4.720, -9.310, 0.001),
        ("K10", 3, 6.0, 6.165, -16.948, 0.001),
        ("K10, published", 3, 6.0, 6.1, -16.9, 0.1),
        ("K11", 3, 5.0, 6.797, -18.518, 0.001),
        ("K12", 3, 4.5, 7.280, -19.579, 0.001),
        ("K13", 3, 4.0, 7.954, -20.922, 0.001),
        ("K14", 3, 7.0, 5.783, -15.838, 0.001),
        ("K14", 3, 8.0, 5.535, -15.012, 0.001),
        ("K15", 5, 6.0, 1.86, -5.20, 0.01),
        ("K15", 7, 6.0, 0.93, -2.58, 0.01),
    ] {
        let input = FiguresInput { cylinders, rod_over_crank: Some(ratio), ..triplex_in(6.0, 12.0) };
        let got = figures(&input).unwrap().ripple.unwrap();
        near(&format!("{id} above"), got[0] * 100.0, above, tolerance);
        near(&format!("{id} below"), got[1] * 100.0, below, tolerance);
    }
}

#[test]
fn precharge_n1_to_n5() {
    // N1: an accumulator maker's page, 90 bar wanted at 40 degC, filled at 20 degC: 84 bar.
    let at = |bar: f64, from_c: f64, to_c: f64, atmosphere: f64| {
        let (t1, t2) = (from_c + 273.15, to_c + 273.15);
        precharge_at_temperature_pa(bar * PA_PER_BAR, atmosphere, t1, t2).unwrap() / PA_PER_BAR
    };
    near("N1", at(90.0, 40.0, 20.0, ATMOSPHERE_PA), 84.0, 0.5);
    near("N1, gauge", at(90.0, 40.0, 20.0, ATMOSPHERE_PA), 84.19, 0.005);
    near("N1, absolute", at(90.0, 40.0, 20.0, 0.0), 84.25, 0.005);
    // N2 to N4: computed; Fahrenheit put in raw would give 1516.7.
    let field = |psi: f64, from_f: f64, to_f: f64| {
        let (t1, t2) = ((from_f + 459.67) / 1.8, (to_f + 459.67) / 1.8);
        precharge_at_temperature_pa(psi * PA_PER_PSI, 14.696 * PA_PER_PSI, t1, t2).unwrap() / PA_PER_PSI
    };
    near("N2", field(650.0, 60.0, 140.0), 752.3, 0.1);
    near("N3", field(650.0, 90.0, 20.0), 565.4, 0.1);
    assert!((field(650.0, 60.0, 140.0) - 1516.7).abs() > 700.0, "N4");
}
