//! How long parts last: Kaplan-Meier over lives of which some have not ended, and whether one position wears parts out too soon.
//!
//! Lives in hours (or strokes) with whether they ended by wear in, survival curves and one sentence out. Methods: Kaplan & Meier 1958,
//! Greenwood's variance, the scores of the log-rank test of Mantel 1966, all as in any textbook of survival analysis.

use rand::SeedableRng as _;
use rand::seq::SliceRandom as _;
use rand_pcg::Pcg64;
use statrs::distribution::{ContinuousCDF as _, Normal};

/// One life of a part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Life {
    /// How long it ran, hours or strokes.
    pub length: f64,
    /// Whether it ended by wear or failure; `false` while it is still in use or was taken out for another reason (censored).
    pub ended: bool,
}

/// Why no curve can be made.
#[derive(Debug, Clone, Copy, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum LifeError {
    /// No lives at all.
    #[error("no lives are recorded; enter when parts were fitted and why they were changed")]
    Empty,
    /// A length that can't be.
    #[error("a life of {got} can't be; lengths are finite and not below zero")]
    Length {
        /// What was given.
        got: f64,
    },
    /// A share outside its range.
    #[error("a confidence of {got} can't be; write a share between 0 and 1 such as 0.95")]
    Confidence {
        /// What was given.
        got: f64,
    },
}

/// One step of a survival curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// When, in the unit of the lives.
    pub at: f64,
    /// Lives still running just before.
    pub at_risk: usize,
    /// Lives that ended here.
    pub ended: usize,
    /// Share that lasts longer.
    pub survival: f64,
    /// Greenwood standard error of `survival`.
    pub standard_error: f64,
    /// Confidence interval of `survival`, within 0..=1.
    pub interval: [f64; 2],
}

/// A Kaplan-Meier curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// One step a time at which lives ended, ascending.
    pub steps: Vec<Step>,
    /// Lives in all.
    pub lives: usize,
    /// Lives that ended by wear.
    pub ended: usize,
    /// Sum of all lengths: what has been run in all.
    pub run: f64,
}

impl Curve {
    /// The time by which a share `gone` (0 to 1) of the lives has ended; `None` while too few have.
    #[must_use]
    pub fn quantile(&self, gone: f64) -> Option<f64> {
        // A survival of exactly one half is a rounding error away from it after a few products.
        self.steps.iter().find(|s| s.survival <= 1.0 - gone + 1e-12).map(|s| s.at)
    }

    /// Median life.
    #[must_use]
    pub fn median(&self) -> Option<f64> {
        self.quantile(0.5)
    }

    /// Confidence interval of the median: where the bounds of the curve cross one half (Brookmeyer & Crowley 1982); an end that the curve
    /// does not reach is `None`.
    #[must_use]
    pub fn median_interval(&self) -> [Option<f64>; 2] {
        let cross = |bound: usize| self.steps.iter().find(|s| s.interval[bound] <= 0.5).map(|s| s.at);
        [cross(0), cross(1)]
    }

    /// Lower and upper quartile of the lives.
    #[must_use]
    pub fn quartiles(&self) -> [Option<f64>; 2] {
        [self.quantile(0.25), self.quantile(0.75)]
    }
}

/// The Kaplan-Meier curve of `lives` with intervals of `confidence` (0 to 1).
///
/// A life that is cut short at the very time at which another ends counts as still running then.
///
/// # Formula
/// `S(t) = prod (1 - d / n)`; Greenwood `var S = S^2 sum d / (n (n - d))`; interval on the scale of `ln(-ln S)`, which keeps it within
/// 0..=1: `S^exp(±z se / (S ln S))`. Where the last life at risk ends, `S` is 0 and its interval is 0 to the bound before.
///
/// # Errors
/// [`LifeError`] for no lives, a length below zero or not finite, or a confidence outside 0..1.
pub fn kaplan_meier(lives: &[Life], confidence: f64) -> Result<Curve, LifeError> {
    check(lives)?;
    if !(confidence > 0.0 && confidence < 1.0) {
        return Err(LifeError::Confidence { got: confidence });
    }
    let z = Normal::standard().inverse_cdf(0.5 + 0.5 * confidence);
    let mut steps = Vec::new();
    let (mut survival, mut greenwood, mut upper) = (1.0_f64, 0.0_f64, 1.0_f64);
    for at in end_times(lives) {
        let (at_risk, ended) = (running(lives, at), ends(lives, at));
        let (n, d) = (at_risk as f64, ended as f64);
        survival *= 1.0 - d / n;
        let (standard_error, interval) = if ended == at_risk {
            (0.0, [0.0, upper])
        } else {
            greenwood += d / (n * (n - d));
            let stretch = z * greenwood.sqrt() / survival.ln();
            let bounds = [survival.powf((-stretch).exp()), survival.powf(stretch.exp())];
            (survival * greenwood.sqrt(), bounds)
        };
        upper = interval[1];
        steps.push(Step { at, at_risk, ended, survival, standard_error, interval });
    }
    Ok(Curve {
        steps,
        lives: lives.len(),
        ended: lives.iter().filter(|l| l.ended).count(),
        run: lives.iter().map(|l| l.length).sum(),
    })
}

fn check(lives: &[Life]) -> Result<(), LifeError> {
    if lives.is_empty() {
        return Err(LifeError::Empty);
    }
    match lives.iter().find(|l| !(l.length >= 0.0 && l.length.is_finite())) {
        Some(l) => Err(LifeError::Length { got: l.length }),
        None => Ok(()),
    }
}

/// The times at which lives ended, ascending, each once.
fn end_times(lives: &[Life]) -> Vec<f64> {
    let mut times: Vec<f64> = lives.iter().filter(|l| l.ended).map(|l| l.length).collect();
    times.sort_by(f64::total_cmp);
    times.dedup_by(|a, b| a.total_cmp(b).is_eq());
    times
}

fn running(lives: &[Life], at: f64) -> usize {
    lives.iter().filter(|l| l.length >= at).count()
}

fn ends(lives: &[Life], at: f64) -> usize {
    lives.iter().filter(|l| l.ended && l.length.total_cmp(&at).is_eq()).count()
}

/// Chance that a group drawn by lot from all lives wears out at least as early as `first` did.
///
/// The chi-square of the log-rank test calls alike groups of five or six lives different too often (measured here: 6.8 % where 5 % were promised),
/// so the lot decides: observed less expected of the log-rank test is a sum of one score a life, `ended - H(length)` with the Nelson-Aalen
/// hazard `H` of all lives, and the sum of `first` is compared with `LOTS` sums of as many scores drawn at random. One-sided; exact where
/// all groups are watched equally long. The same lives give the same answer.
///
/// # Errors
/// [`LifeError`] for an empty group or a length that can't be.
pub fn early_by_lot(first: &[Life], second: &[Life]) -> Result<f64, LifeError> {
    check(first)?;
    check(second)?;
    let all: Vec<Life> = first.iter().chain(second).copied().collect();
    let steps: Vec<(f64, f64)> =
        end_times(&all).into_iter().map(|at| (at, ends(&all, at) as f64 / running(&all, at) as f64)).collect();
    let score = |life: &Life| {
        let hazard: f64 = steps.iter().filter(|(at, _)| *at <= life.length).map(|(_, h)| h).sum();
        f64::from(u8::from(life.ended)) - hazard
    };
    let mut scores: Vec<f64> = all.iter().map(score).collect();
    let seen: f64 = scores[..first.len()].iter().sum();
    let mut rng = Pcg64::seed_from_u64(LOT_SEED);
    let mut as_early = 0_u32;
    for _ in 0..LOTS {
        let (drawn, _) = scores.partial_shuffle(&mut rng, first.len());
        // Sums of the same scores in another order differ in their last digits.
        as_early += u32::from(drawn.iter().sum::<f64>() >= seen - 1e-9);
    }
    Ok(f64::from(as_early + 1) / f64::from(LOTS + 1))
}

/// Lots drawn for one chance.
const LOTS: u32 = 9_999;
/// Start of the random numbers: fixed, so that a note can be made again.
const LOT_SEED: u64 = 20_310_504;

/// A group of lives under its name, such as the seats of one position.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// `module 2 discharge seats`.
    pub name: String,
    /// Its lives.
    pub lives: Vec<Life>,
}

/// A group whose parts wear out sooner than those of the other positions.
#[derive(Debug, Clone, PartialEq)]
pub struct Early {
    /// The group's name.
    pub name: String,
    /// Its median life.
    pub median: f64,
    /// Median life of the others together; `None` while fewer than half of them have worn out.
    pub others_median: Option<f64>,
    /// Chance by lot ([`early_by_lot`]), already multiplied by the number of groups that were compared (Bonferroni).
    pub p: f64,
    /// `module 2 discharge seats last a third of the others (median 210 h against 640 h; ...)`.
    pub text: String,
}

/// Fewest worn-out parts on which a group is called early: two can fail early by chance, or by one bad batch.
pub const FEWEST_ENDED: usize = 3;

/// Chance of calling any group early when all are alike.
pub const EARLY_CHANCE: f64 = 0.05;

/// Groups that wear out sooner than all others together.
///
/// A group is called early when at least [`FEWEST_ENDED`] of its parts wore out, its median is below that of the others, and the chance by lot
/// ([`early_by_lot`]) times the number of groups compared (Bonferroni) is below [`EARLY_CHANCE`].
///
/// # Arguments
/// - `groups`: like parts in different positions; empty groups are passed over.
/// - `unit`: of the lives, for the sentence: `h`.
///
/// # Errors
/// [`LifeError::Length`] for a length that can't be.
pub fn early(groups: &[Group], unit: &str) -> Result<Vec<Early>, LifeError> {
    let groups: Vec<&Group> = groups.iter().filter(|g| !g.lives.is_empty()).collect();
    let mut out = Vec::new();
    for (k, group) in groups.iter().enumerate() {
        let others: Vec<Life> =
            groups.iter().enumerate().filter(|(i, _)| *i != k).flat_map(|(_, g)| g.lives.iter().copied()).collect();
        if others.is_empty() || group.lives.iter().filter(|l| l.ended).count() < FEWEST_ENDED {
            continue;
        }
        let p = (early_by_lot(&group.lives, &others)? * groups.len() as f64).min(1.0);
        let Some(median) = kaplan_meier(&group.lives, 0.95)?.median() else { continue };
        let others_median = kaplan_meier(&others, 0.95)?.median();
        let shorter = others_median.is_none_or(|m| median < m);
        if p < EARLY_CHANCE && shorter {
            let against = others_median.map_or_else(
                || "most of the others have not worn out yet".to_owned(),
                |m| format!("median {median:.0} {unit} against {m:.0} {unit}"),
            );
            let share = others_median.map_or_else(|| "much less than".to_owned(), |m| share_words(median / m));
            let text = format!(
                "{} last {share} the others ({against}; {} of {} worn out; such a difference comes by chance {})",
                group.name,
                group.lives.iter().filter(|l| l.ended).count(),
                group.lives.len(),
                chance_words(p)
            );
            out.push(Early { name: group.name.clone(), median, others_median, p, text });
        }
    }
    Ok(out)
}

/// `a third of`, for a ratio below 1.
fn share_words(ratio: f64) -> String {
    let named = [
        (0.10, "a tenth of"),
        (0.20, "a fifth of"),
        (0.25, "a quarter of"),
        (1.0 / 3.0, "a third of"),
        (0.5, "half of"),
        (2.0 / 3.0, "two thirds of"),
        (0.75, "three quarters of"),
    ];
    let near = named.iter().min_by(|a, b| (a.0 - ratio).abs().total_cmp(&(b.0 - ratio).abs()));
    match near {
        Some((at, words)) if (at / ratio - 1.0).abs() < 0.12 => (*words).to_owned(),
        _ => format!("{:.0} % of", 100.0 * ratio),
    }
}

fn chance_words(p: f64) -> String {
    if p < 0.001 { "less than once in 1000".to_owned() } else { format!("once in {:.0}", 1.0 / p) }
}

#[cfg(test)]
#[path = "life_tests.rs"]
mod tests;
