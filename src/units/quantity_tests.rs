use proptest::prelude::*;

use super::*;

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

fn si(text: &str, kind: Dimension) -> f64 {
    parse_quantity(text, kind).unwrap_or_else(|e| panic!("{text}: {e}")).0
}

fn close(got: f64, want: f64, rel: f64) {
    assert!((got - want).abs() <= rel * want.abs(), "got {got}, want {want}");
}

// Factors: NIST SP 811, from memory; 60 F = 288.7056 K and the torque are computed from them.
#[test]
fn known_values_come_out_in_si() {
    for (text, kind, want) in [
        ("6in", Dimension::Length, 0.1524),
        ("6-1/2 in", Dimension::Length, 0.1651),
        ("3/4\"", Dimension::Length, 0.01905),
        ("152,4 mm", Dimension::Length, 0.1524),
        ("0,152 m", Dimension::Length, 0.152),
        ("2600psi", Dimension::Pressure, 17_926_369.0),
        ("17.926369 MPa", Dimension::Pressure, 17_926_369.0),
        ("17926,369kPa", Dimension::Pressure, 17_926_369.0),
        ("2 600 psi", Dimension::Pressure, 17_926_369.0),
        ("2'600psi", Dimension::Pressure, 17_926_369.0),
        ("2\u{202f}600\u{a0}psi", Dimension::Pressure, 17_926_369.0),
        ("1,234.5 kPa", Dimension::Pressure, 1_234_500.0),
        ("1.234,5 kPa", Dimension::Pressure, 1_234_500.0),
        ("1,234,000 Pa", Dimension::Pressure, 1_234_000.0),
        ("10 ppg", Dimension::Density, 1_198.264_27),
        ("1.2sg", Dimension::Density, 1_200.0),
        ("1200 kg/m³", Dimension::Density, 1_200.0),
        ("100 klbf", Dimension::Force, 444_822.161_526_05),
        ("1 bbl", Dimension::Volume, 0.158_987_294_928),
        ("400gpm", Dimension::Flow, 400.0 * 3.785_411_784e-3 / 60.0),
        ("60 l/s", Dimension::Flow, 0.06),
        ("216 m3/h", Dimension::Flow, 0.06),
        ("60 °F", Dimension::Temperature, 288.705_555_6),
        ("-40C", Dimension::Temperature, 233.15),
        ("\u{2212}40 °C", Dimension::Temperature, 233.15),
        ("-40 F", Dimension::Temperature, 233.15),
        ("100ft-lbf", Dimension::Torque, 135.581_794_8),
        ("1.5 kN·m", Dimension::Torque, 1500.0),
        ("1.2e3 N*m", Dimension::Torque, 1200.0),
    ] {
        close(si(text, kind), want, 1e-7);
    }
}

#[test]
fn a_number_without_a_unit_is_told_what_to_type() {
    for kind in ALL {
        let err = parse_quantity("179", kind).unwrap_err().to_string();
        for system in [UnitSystem::Us, UnitSystem::Si] {
            assert!(err.contains(&format!("179 {}", kind.shown_in(system).symbol)), "{err}");
        }
    }
    let err = "2600".parse::<Pascal>().unwrap_err().to_string();
    assert!(err.contains("2600 psi or 2600 bar"), "{err}");
}

#[test]
fn what_is_no_quantity_says_why() {
    let p = |text| parse_quantity(text, Dimension::Pressure).unwrap_err();
    for text in ["", "psi", "--5 psi", "1.2.3 bar", "6 1/2 psi", "nan psi", "1 2 psi", "1,2,3 psi", "1,00,000 psi"] {
        assert!(matches!(p(text), QuantityError::NotANumber { .. }), "{text}: {:?}", p(text));
    }
    for text in ["12 stone", "12 in", "3 ppg"] {
        assert!(matches!(p(text), QuantityError::UnknownUnit { .. }), "{text}");
    }
    for (text, grouped, decimal) in [
        ("2,600psi", "2600 psi", "2.6 psi"),
        ("2.600 PSI", "2600 PSI", "2.6 PSI"),
        ("2,600", "2600", "2.6"),
        ("-17,125 bar", "-17125 bar", "-17.1250 bar"),
    ] {
        let want = format!("\"{text}\" can be read as {grouped} or as {decimal}; write the one that is meant");
        assert_eq!(p(text).to_string(), want);
    }
    for text in ["-3 bar", "1e308 MPa"] {
        assert!(matches!(p(text), QuantityError::OutOfRange { .. }), "{text}");
    }
    assert!(matches!(parse_quantity("-500F", Dimension::Temperature), Err(QuantityError::OutOfRange { .. })));
    assert!(matches!("1/0 in".parse::<Metre>(), Err(QuantityError::NotANumber { .. })));
    assert!("imperial".parse::<UnitSystem>().unwrap_err().to_string().contains("us (psi"));
}

#[test]
fn numbers_are_shown_in_the_units_of_the_site() {
    use UnitSystem::{Si, Us};
    for (text, kind, us, in_si) in [
        ("2600 psi", Dimension::Pressure, "2600 psi", "179.3 bar"),
        ("179 bar", Dimension::Pressure, "2596 psi", "179 bar"),
        ("6 1/2 in", Dimension::Length, "6.5 in", "165.1 mm"),
        ("0.5 mm", Dimension::Length, "0.0197 in", "0.5 mm"),
        ("1200 kg/m3", Dimension::Density, "10.01 ppg", "1200 kg/m3"),
        ("0 C", Dimension::Temperature, "32 °F", "0 °C"),
        ("-17.7778 C", Dimension::Temperature, "0 °F", "-17.8 °C"),
        ("20 C", Dimension::Temperature, "68 °F", "20 °C"),
        ("500 gpm", Dimension::Flow, "500 gpm", "1893 l/min"),
        ("1 m3", Dimension::Volume, "6.29 bbl", "1 m3"),
        ("800 ft-lbf", Dimension::Torque, "800 ft-lbf", "1085 N·m"),
        ("0 psi", Dimension::Pressure, "0 psi", "0 bar"),
        // Three decimals get a fourth: 6.125 is a number of thousands to half the world.
        ("6 1/8 in", Dimension::Length, "6.1250 in", "155.6 mm"),
    ] {
        let x = si(text, kind);
        assert_eq!((kind.show(x, Us).as_str(), kind.show(x, Si).as_str()), (us, in_si), "{text}");
    }
}

#[test]
fn no_name_means_two_units_of_one_kind() {
    for kind in ALL {
        let mut seen: Vec<String> = Vec::new();
        for u in kind.units() {
            let mut own = vec![plain(u.symbol)];
            own.extend(u.names.iter().map(|n| (*n).to_owned()).filter(|n| *n != plain(u.symbol)));
            for n in own {
                assert_eq!(n, plain(&n), "{n} is not in the form that is compared");
                assert!(!seen.contains(&n), "{n} twice");
                seen.push(n);
            }
        }
    }
}

proptest! {
    #[test]
    fn what_is_typed_comes_back(kind in 0..ALL.len(), which in 0usize..6, x in 0.0..1e6_f64, comma: bool) {
        let kind = ALL[kind];
        let unit = &kind.units()[which % kind.units().len()];
        let number = number::one_reading(format!("{x}"));
        let text = if comma { number.replace('.', ",") } else { number } + unit.symbol;
        let (si, read) = parse_quantity(&text, kind).unwrap();
        prop_assert_eq!(read.symbol, unit.symbol);
        // The offset of a temperature costs digits near zero.
        let near = if kind == Dimension::Temperature { 1e-10 } else { 0.0 };
        prop_assert!((unit.in_unit(si) - x).abs() <= 1e-14 * x + near, "{} {}", text, si);
    }

    #[test]
    fn what_is_shown_in_any_unit_is_read_back_as_typed(
        kind in 0..ALL.len(),
        // Small, usual and large numbers; and those of which three decimals are shown.
        x in prop_oneof![0.0..1.0_f64, 0.0..1e3_f64, 0.0..1e9_f64, (0..1_000_000_u32).prop_map(|k| f64::from(k) / 1000.0)],
        below_zero: bool,
        comma: bool,
    ) {
        let kind = ALL[kind];
        for unit in kind.units() {
            let x = if below_zero && kind == Dimension::Temperature && unit.symbol != "K" { -x.min(200.0) } else { x };
            let shown = unit.show(unit.to_si(x));
            let text = if comma { shown.replace('.', ",") } else { shown.clone() };
            let (again, read) = parse_quantity(&text, kind).unwrap();
            prop_assert_eq!(read.symbol, unit.symbol);
            // Half of the last place that is shown; a number below 1 has three digits or more.
            let last = 0.5 * 10f64.powi(-i32::try_from(unit.places).unwrap()) + 1e-12 * x.abs() + 1e-10;
            prop_assert!((unit.in_unit(again) - x).abs() <= last, "{} for {}", text, x);
            // Shown, read and shown again is the same text: nothing drifts by being copied.
            prop_assert_eq!(unit.show(again), shown);
        }
    }

    #[test]
    fn a_site_shows_its_own_unit_and_reads_it_back(kind in 0..ALL.len(), x in 0.0..1e7_f64, us: bool) {
        let kind = ALL[kind];
        let system = if us { UnitSystem::Us } else { UnitSystem::Si };
        let shown = kind.show(x, system);
        let (again, unit) = parse_quantity(&shown, kind).unwrap();
        prop_assert_eq!(unit.symbol, kind.shown_in(system).symbol);
        prop_assert_eq!(kind.show(again, system), shown);
    }

    #[test]
    fn no_text_panics(text in "\\PC{0,24}") {
        for kind in ALL {
            let _ = parse_quantity(&text, kind);
        }
    }
}
