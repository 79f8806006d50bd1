//! What readings say together: gauges against each other, relief setting against the liner, precharge, the circuit, the returns.
//!
//! SI in (gauge pressures in Pa, kelvin, kg/m3), remarks out. Each remark says what it rests on: a published rule, common practice without a
//! source (a rule of thumb), or plain arithmetic; and a limit that nobody has entered is never made up.

mod seen;

use serde::{Deserialize, Serialize};

pub use seen::{Seen, returns, returns_with};

use crate::pump::{ATMOSPHERE_PA, PumpError, precharge_at_temperature_pa};
use crate::robust;
use crate::units::{Dimension, parse_quantity};

/// The site's margins for the rules; every field has a default.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize, Serialize)]
#[serde(default, deny_unknown_fields)]
pub struct Rules {
    /// Relief setting as a share of the fitted liner's rating, 0 to 1. 0.90 is common practice.
    pub relief_share_of_liner: f64,
    /// How far the relief setting may lie above the lowest rating, in per cent: 0 or 10, by the law of the place.
    pub relief_over_rating_percent: f64,
    /// How far gauges may differ, in per cent of the reading.
    pub gauges_agree_percent: f64,
    /// A change of the difference between pump gauge and standpipe that is worth a look, in per cent of the pressure.
    pub gauge_moved_percent: f64,
    /// A fall of the normalised pressure that is worth a look, in per cent.
    pub pressure_fall_percent: f64,
    /// Readings are compared only at strokes this much alike, in per cent.
    pub alike_spm_percent: f64,
    /// A rise of the pressure lost in the oil filter that is worth a look, in per cent of what is usual.
    pub oil_filter_rise_percent: f64,
    /// How far back readings are compared, in days: a tour's figures belong to this string and this mud, not to last year's.
    pub compare_days: f64,
    /// Gas temperature at which the precharge limits hold, in K; with its unit in the sheet, such as "20 C".
    #[serde(rename = "precharge_reference", deserialize_with = "kelvin")]
    pub precharge_reference_k: f64,
}

fn kelvin<'de, D: serde::Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    let text = String::deserialize(from)?;
    let read = parse_quantity(&text, Dimension::Temperature);
    read.map(|(kelvin, _)| kelvin).map_err(|err| serde::de::Error::custom(format!("precharge_reference: {err}")))
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            relief_share_of_liner: 0.90,
            relief_over_rating_percent: 0.0,
            gauges_agree_percent: 2.5,
            gauge_moved_percent: 2.0,
            pressure_fall_percent: 5.0,
            alike_spm_percent: 5.0,
            oil_filter_rise_percent: 50.0,
            compare_days: 60.0,
            precharge_reference_k: 293.15,
        }
    }
}

impl Rules {
    /// Whether every margin is one that can be meant.
    ///
    /// # Errors
    /// What is wrong, by its name in the sheet.
    pub fn check(&self) -> Result<(), String> {
        let within = |name: &str, x: f64, low: f64, high: f64| {
            if (low..=high).contains(&x) {
                Ok(())
            } else {
                Err(format!("{name} = {x} can't be meant; write a number from {low} to {high}"))
            }
        };
        within("relief_share_of_liner", self.relief_share_of_liner, 0.3, 1.1)?;
        within("relief_over_rating_percent", self.relief_over_rating_percent, 0.0, 10.0)?;
        within("gauges_agree_percent", self.gauges_agree_percent, 0.1, 20.0)?;
        within("gauge_moved_percent", self.gauge_moved_percent, 0.1, 20.0)?;
        within("pressure_fall_percent", self.pressure_fall_percent, 0.5, 50.0)?;
        within("alike_spm_percent", self.alike_spm_percent, 0.5, 20.0)?;
        within("oil_filter_rise_percent", self.oil_filter_rise_percent, 5.0, 500.0)?;
        within("compare_days", self.compare_days, 1.0, 366.0)?;
        if (233.15..=353.15).contains(&self.precharge_reference_k) {
            Ok(())
        } else {
            Err("precharge_reference can't be meant; write a temperature from -40 C to 80 C, such as \"20 C\""
                .to_owned())
        }
    }
}

/// How much a remark matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// As it should be.
    Fine,
    /// It can't be said: a limit or a reading is missing.
    Missing,
    /// Worth a look.
    Look,
    /// Tell the supervisor now.
    Tell,
}

/// What a remark rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// A published rule, named.
    Published(&'static str),
    /// Common practice without a source.
    RuleOfThumb,
    /// A limit or margin that the site or the maker has entered.
    Entered,
    /// Arithmetic on the readings.
    Arithmetic,
}

/// One remark on the readings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Remark {
    /// Which rule speaks: `relief`.
    pub rule: &'static str,
    /// How much it matters.
    pub weight: Weight,
    /// What is said.
    pub text: String,
    /// What it rests on.
    pub basis: Basis,
}

impl Remark {
    fn new(rule: &'static str, weight: Weight, basis: Basis, text: String) -> Self {
        Self { rule, weight, text, basis }
    }

    /// The remark with what it rests on behind it.
    #[must_use]
    pub fn words(&self) -> String {
        match self.basis {
            Basis::RuleOfThumb => format!("{} (rule of thumb)", self.text),
            Basis::Published(source) => format!("{} ({source})", self.text),
            Basis::Entered | Basis::Arithmetic => self.text.clone(),
        }
    }
}

/// Writes a pressure in the site's unit.
pub type Show<'a> = &'a dyn Fn(f64) -> String;

/// Fewest earlier readings on which "as before" is said.
pub const FEWEST_BEFORE: usize = 3;

/// Pump gauge against standpipe and console, and how far their difference has moved.
///
/// # Arguments
/// - `pump_pa`, `standpipe_pa`, `console_pa`: taken at the same strokes.
/// - `before`: earlier differences as shares of the standpipe pressure, `(pump - standpipe) / standpipe`.
#[must_use]
pub fn gauges(
    pump_pa: f64,
    standpipe_pa: f64,
    console_pa: Option<f64>,
    before: &[f64],
    rules: &Rules,
    show: Show<'_>,
) -> Vec<Remark> {
    const RULE: &str = "gauges";
    if standpipe_pa <= 0.0 || pump_pa <= 0.0 {
        return vec![Remark::new(
            RULE,
            Weight::Missing,
            Basis::Arithmetic,
            "gauges are compared only under pressure".into(),
        )];
    }
    let mut out = Vec::new();
    let share = (pump_pa - standpipe_pa) / standpipe_pa;
    let agree = rules.gauges_agree_percent / 100.0;
    let side = if share < 0.0 { "below" } else { "above" };
    let stands = format!(
        "pump gauge {} {side} the standpipe ({:.1} %)",
        show((pump_pa - standpipe_pa).abs()),
        100.0 * share.abs()
    );
    if share < -agree {
        let text = format!("{stands}; it should stand a little above: a gauge is wrong, check both");
        out.push(Remark::new(RULE, Weight::Look, Basis::RuleOfThumb, text));
    }
    let usual = robust::median(before).filter(|_| before.len() >= FEWEST_BEFORE);
    match usual {
        Some(usual) if (share - usual).abs() > rules.gauge_moved_percent / 100.0 => {
            let way = if share > usual { "grown" } else { "shrunk" };
            let text =
                format!("{stands}; the difference has {way} from {:.1} % to {:.1} %", 100.0 * usual, 100.0 * share);
            if share > usual {
                let text = format!("{text}: a restriction between the two, such as the discharge strainer, or a gauge");
                let basis =
                    Basis::Published("Standard Handbook of Petroleum & Natural Gas Engineering, vol. 1, p. 631");
                out.push(Remark::new(RULE, Weight::Look, basis, text));
            } else {
                let text = format!("{text}: a leak between the two, or a gauge");
                out.push(Remark::new(RULE, Weight::Look, Basis::RuleOfThumb, text));
            }
        }
        Some(usual) => {
            let text = format!("{stands}, usually {:.1} %", 100.0 * usual);
            out.push(Remark::new(RULE, Weight::Fine, Basis::Arithmetic, text));
        }
        None if share >= -agree => {
            let text = format!(
                "{stands}; {} earlier readings, {FEWEST_BEFORE} are needed to say whether it moved",
                before.len()
            );
            out.push(Remark::new(RULE, Weight::Missing, Basis::Arithmetic, text));
        }
        None => {}
    }
    if let Some(console) = console_pa {
        let apart = (console - standpipe_pa).abs() / standpipe_pa;
        if apart > agree {
            let text = format!(
                "console shows {}, standpipe {}: {:.1} % apart, gauges agree within {:.1} %; one of them is wrong",
                show(console),
                show(standpipe_pa),
                100.0 * apart,
                rules.gauges_agree_percent
            );
            out.push(Remark::new(RULE, Weight::Look, Basis::Entered, text));
        }
    }
    out
}

/// Relief setting against the rating of the fitted liner, the lowest rated part, and the running pressure.
///
/// # Arguments
/// - `setting_pa`: of the relief valve.
/// - `liner_pa`: rating of the fitted liner from the plate; `None` when nobody has entered it.
/// - `lowest_pa`: rating of the lowest rated other part (fluid end, line, hose), if entered.
/// - `running_pa`: discharge pressure at the time, if known.
#[must_use]
pub fn relief(
    setting_pa: f64,
    liner_pa: Option<f64>,
    lowest_pa: Option<f64>,
    running_pa: Option<f64>,
    rules: &Rules,
    show: Show<'_>,
) -> Vec<Remark> {
    const RULE: &str = "relief";
    let mut out = Vec::new();
    let Some(liner) = liner_pa else {
        let text = format!("relief set at {}; rating of the fitted liner: no limit entered", show(setting_pa));
        return vec![Remark::new(RULE, Weight::Missing, Basis::Entered, text)];
    };
    let rated = lowest_pa.map_or(liner, |other| other.min(liner));
    let over = rules.relief_over_rating_percent / 100.0;
    if setting_pa > rated * (1.0 + over) {
        let basis = if over > 0.0 {
            Basis::Published("California Title 8 § 6634(c)(4): not more than 10 % above")
        } else {
            Basis::Published("Wyoming drilling rules 053-10 § 10-3(c): not above; the law of the place decides")
        };
        let allowed = if over > 0.0 { format!(" and {:.0} %", 100.0 * over) } else { String::new() };
        let text = format!("relief set at {}, above the lowest rating of {}{allowed}", show(setting_pa), show(rated));
        out.push(Remark::new(RULE, Weight::Tell, basis, text));
    } else if setting_pa > liner * rules.relief_share_of_liner {
        let text = format!(
            "relief set at {}, above {:.0} % of the liner's {} ({})",
            show(setting_pa),
            100.0 * rules.relief_share_of_liner,
            show(liner),
            show(liner * rules.relief_share_of_liner)
        );
        out.push(Remark::new(RULE, Weight::Look, Basis::RuleOfThumb, text));
    }
    if let Some(running) = running_pa.filter(|p| *p * 1.10 > setting_pa) {
        let text = format!(
            "running at {}, less than 10 % below the relief setting of {}: a ripple may trip it",
            show(running),
            show(setting_pa)
        );
        out.push(Remark::new(
            RULE,
            Weight::Look,
            Basis::Published("pump handbook, relief valves: triplex 10 % above operating"),
            text,
        ));
    }
    if out.is_empty() {
        let text = format!(
            "relief set at {}, {:.0} % of the liner's {}",
            show(setting_pa),
            100.0 * setting_pa / liner,
            show(liner)
        );
        out.push(Remark::new(RULE, Weight::Fine, Basis::Arithmetic, text));
    }
    out
}

/// A precharge reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Precharge {
    /// Gauge pressure of the gas in Pa, pump stopped and discharge bled.
    pub gauge_pa: f64,
    /// Temperature of the gas in K.
    pub gas_k: f64,
}

/// Dampener precharge, brought to one gas temperature, against its limits, its earlier readings and the discharge pressure.
///
/// # Arguments
/// - `now`, `before`: readings at their own gas temperatures.
/// - `low_pa`, `high_pa`: the maker's limits at the temperature that the rules name; `None` when nobody has entered them.
/// - `discharge_pa`: usual discharge pressure, for the rule of thumb that stands in for a missing limit.
///
/// # Errors
/// [`PumpError`] for a temperature or an absolute pressure that is not above zero.
pub fn precharge(
    now: Precharge,
    before: &[Precharge],
    [low_pa, high_pa]: [Option<f64>; 2],
    discharge_pa: Option<f64>,
    rules: &Rules,
    show: Show<'_>,
) -> Result<Vec<Remark>, PumpError> {
    const RULE: &str = "precharge";
    let reference_k = rules.precharge_reference_k;
    let corrected = |p: &Precharge| precharge_at_temperature_pa(p.gauge_pa, ATMOSPHERE_PA, p.gas_k, reference_k);
    let at_reference = corrected(&now)?;
    let said = format!(
        "precharge {} at {:.0} °C, {} at {:.0} °C",
        show(now.gauge_pa),
        now.gas_k - 273.15,
        show(at_reference),
        reference_k - 273.15
    );
    let mut out = Vec::new();
    if let Some(high) = high_pa.filter(|high| at_reference > *high) {
        let text = format!("{said}: above the limit of {}", show(high));
        out.push(Remark::new(RULE, Weight::Tell, Basis::Entered, text));
    }
    if let Some(low) = low_pa.filter(|low| at_reference < *low) {
        let text = format!("{said}: below the limit of {}; qualified people, nitrogen only", show(low));
        out.push(Remark::new(RULE, Weight::Look, Basis::Entered, text));
    }
    if low_pa.is_none() && high_pa.is_none() {
        out.push(Remark::new(RULE, Weight::Missing, Basis::Entered, format!("{said}: no limit entered")));
        if let Some(discharge) = discharge_pa.filter(|p| now.gauge_pa > p * 2.0 / 3.0) {
            let text = format!("precharge is above two thirds of the discharge pressure of {}", show(discharge));
            out.push(Remark::new(RULE, Weight::Look, Basis::RuleOfThumb, text));
        }
    }
    let earlier = before.iter().map(corrected).collect::<Result<Vec<f64>, _>>()?;
    if let Some(usual) = robust::median(&earlier).filter(|m| earlier.len() >= FEWEST_BEFORE && *m > 0.0) {
        let fall = 100.0 * (1.0 - at_reference / usual);
        if fall > rules.pressure_fall_percent {
            let text =
                format!("{said}: fallen by {fall:.0} % at the same gas temperature; bladder or valve, report it");
            out.push(Remark::new(RULE, Weight::Look, Basis::RuleOfThumb, text));
        }
    }
    if out.is_empty() {
        out.push(Remark::new(RULE, Weight::Fine, Basis::Entered, format!("{said}: within its limits")));
    }
    Ok(out)
}

/// One reading of the circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Circuit {
    /// Discharge pressure, gauge, Pa.
    pub pa: f64,
    /// Strokes a minute.
    pub spm: f64,
    /// Mud weight in kg/m3, if known.
    pub mud_kg_per_m3: Option<f64>,
}

impl Circuit {
    /// `P / (SPM^2 x mud weight)`, the handbook's square law; with `mud` for both where a weight is missing.
    fn normalised(&self, mud: bool) -> Option<f64> {
        let weight = if mud { self.mud_kg_per_m3? } else { 1.0 };
        let x = self.pa / (self.spm * self.spm * weight);
        (x.is_finite() && x > 0.0).then_some(x)
    }
}

/// Whether the pressure has fallen at the same strokes and mud weight: a wash somewhere in the circuit.
///
/// # Arguments
/// - `now`: the reading; `before`: earlier ones with the same liner and the same string, any order.
#[must_use]
pub fn circuit(now: &Circuit, before: &[Circuit], rules: &Rules) -> Remark {
    const RULE: &str = "circuit";
    let alike = |c: &&Circuit| (c.spm / now.spm - 1.0).abs() <= rules.alike_spm_percent / 100.0;
    let mud = now.mud_kg_per_m3.is_some();
    let earlier: Vec<f64> = before.iter().filter(alike).filter_map(|c| c.normalised(mud)).collect();
    let (Some(x), true) = (now.normalised(mud), earlier.len() >= FEWEST_BEFORE) else {
        let text =
            format!("{} earlier pressures at such strokes, {FEWEST_BEFORE} are needed to compare", earlier.len());
        return Remark::new(RULE, Weight::Missing, Basis::Arithmetic, text);
    };
    let usual = robust::median(&earlier).unwrap_or(x);
    let fall = 1.0 - x / usual;
    // Readings that scatter by themselves say nothing with a step of their own size.
    let scatter = robust::mad(&earlier).map_or(0.0, |mad| 3.0 * robust::MAD_TO_SIGMA * mad / usual);
    let for_what = if mud { "strokes and mud weight" } else { "strokes (mud weight not known)" };
    if fall > (rules.pressure_fall_percent / 100.0).max(scatter) {
        let text = format!(
            "pressure fell by {:.0} % for these {for_what}: a wash somewhere in pump, surface lines or string, or the mud changed; tell \
the driller, then try the pumps in turn",
            100.0 * fall
        );
        Remark::new(RULE, Weight::Tell, Basis::RuleOfThumb, text)
    } else {
        let text = format!("pressure is {:+.1} % of its usual for these {for_what}", -100.0 * fall);
        Remark::new(RULE, Weight::Fine, Basis::Arithmetic, text)
    }
}

/// Oil pressure before and after the filter: the rise of the difference shows a filter loading.
///
/// `before` holds earlier differences in Pa.
#[must_use]
pub fn filter(before_pa: f64, after_pa: f64, before: &[f64], rules: &Rules, show: Show<'_>) -> Remark {
    const RULE: &str = "oil-filter";
    let drop = before_pa - after_pa;
    if drop < 0.0 {
        let text = format!(
            "oil pressure after the filter ({}) is above that before it ({}): the two are swapped, or a gauge is wrong",
            show(after_pa),
            show(before_pa)
        );
        return Remark::new(RULE, Weight::Look, Basis::Arithmetic, text);
    }
    match robust::median(before).filter(|m| before.len() >= FEWEST_BEFORE && *m > 0.0) {
        Some(usual) if drop > (1.0 + rules.oil_filter_rise_percent / 100.0) * usual => {
            let text = format!(
                "pressure lost in the oil filter rose from {} to {}: the filter is loading",
                show(usual),
                show(drop)
            );
            Remark::new(RULE, Weight::Look, Basis::RuleOfThumb, text)
        }
        Some(usual) => {
            let text = format!("pressure lost in the oil filter {}, usually {}", show(drop), show(usual));
            Remark::new(RULE, Weight::Fine, Basis::Arithmetic, text)
        }
        None => Remark::new(
            RULE,
            Weight::Missing,
            Basis::Arithmetic,
            format!("pressure lost in the oil filter {}", show(drop)),
        ),
    }
}

#[cfg(test)]
#[path = "cross_tests.rs"]
mod tests;
