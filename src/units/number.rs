//! The one reader of numbers: text in, `f64` out, and a question where a text has two readings.
//!
//! | text | [`typed`] | [`in_file`] |
//! | --- | --- | --- |
//! | `2.6`, `12345.678`, `.5` | as it stands | as it stands |
//! | `2,6` | 2.6 | refused |
//! | `1,250`, `2.600`, `-1,250` | refused: 1250 or 1.25? | `2.600` is 2.6, a comma is refused |
//! | `0,250`, `0.250` | 0.25: no group of thousands begins with 0 | `0.250` is 0.25 |
//! | `1.2500` | 1.25: a group has three digits | 1.25 |
//! | `1.250e3` | 1250: nobody groups before an exponent | 1250 |
//! | `1 250`, `1'250` | 1250 | refused |
//! | `1,250,000`, `1.250.000` | 1250000: no number has two decimal marks | refused |
//! | `1,250.5`, `1.250,5`, `1 250,5` | 1250.5: the last of two marks is the decimal one | refused |
//! | `1,2,3`, `1,00,000`, `5,`, `0x10`, `nan`, `inf`, other digits than 0 to 9 | refused | refused (`5.` is 5) |

use std::ops::RangeInclusive;

/// Why a text is no number that can be taken.
#[derive(Debug, Clone, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum NumberError {
    /// No number, or one with marks at places where no number has them.
    #[error("\"{text}\" is not a number; write it with the digits 0 to 9, such as 1250 or 2.6")]
    NotANumber {
        /// What was found.
        text: String,
    },
    /// `2,600` is 2600 to one reader and 2.6 to another.
    #[error("\"{text}\" can be read as {grouped} or as {decimal}; write the one that is meant")]
    TwoReadings {
        /// What was typed.
        text: String,
        /// The reading with a mark for thousands, as it can be typed.
        grouped: String,
        /// The reading with a decimal mark, as it can be typed.
        decimal: String,
    },
    /// Beyond the largest `f64`.
    #[error("\"{text}\" is too large a number")]
    TooLarge {
        /// What was found.
        text: String,
    },
    /// A comma in a file of numbers.
    #[error("\"{text}\" has a comma; write or export the numbers with a decimal point and without marks for thousands")]
    Comma {
        /// What was found.
        text: String,
    },
}

/// Reads a number as people type it; the [table](self) says how.
///
/// The mark for thousands may be a comma, a point, a blank (also one that does not break) or an apostrophe, the decimal mark a point or a
/// comma, a minus sign a hyphen or U+2212.
///
/// # Returns
/// A finite number.
///
/// # Errors
/// [`NumberError::TwoReadings`] where exactly three digits stand behind a single point or comma and both readings are possible;
/// [`NumberError::NotANumber`], [`NumberError::TooLarge`].
///
/// # Examples
/// ```
/// use seatsong::inside::units::number;
/// assert_eq!(number::typed("2,6"), Ok(2.6));
/// assert_eq!(number::typed("1 250"), Ok(1250.0));
/// let asked = number::typed("1,250").unwrap_err().to_string();
/// assert!(asked.contains("1250 or as 1.25"));
/// ```
pub fn typed(text: &str) -> Result<f64, NumberError> {
    let wrong = || NumberError::NotANumber { text: shown(text) };
    let trimmed = text.trim();
    let (sign, body) = match trimmed.strip_prefix(['-', '\u{2212}']) {
        Some(body) => ("-", body),
        None => ("", trimmed.strip_prefix('+').unwrap_or(trimmed)),
    };
    let (mantissa, exponent) = body.split_at(body.find(['e', 'E']).unwrap_or(body.len()));
    let marks: Vec<char> =
        mantissa.chars().filter(|c| !c.is_ascii_digit()).map(mark).collect::<Option<_>>().ok_or_else(wrong)?;
    let runs: Vec<&str> = mantissa.split(|c: char| !c.is_ascii_digit()).collect();
    let grouped = is_grouped(&runs, &marks);
    let plain = match &runs[..] {
        [whole, decimals] if grouped && matches!(marks[..], ['.' | ',']) && exponent.is_empty() => {
            let grouped = format!("{sign}{whole}{decimals}");
            let decimal = format!("{sign}{}", short(whole, decimals));
            return Err(NumberError::TwoReadings { text: shown(text), grouped, decimal });
        }
        [whole @ .., decimals] if is_decimal(&runs, &marks) => format!("{}.{decimals}", whole.concat()),
        _ if grouped || marks.is_empty() => runs.concat(),
        _ => return Err(wrong()),
    };
    finite(&format!("{sign}{plain}{exponent}"), text)
}

/// Reads a number as [`typed`]; of two readings the one that lies within `range` is meant, where the other does not.
///
/// # Errors
/// As [`typed`]. Whether the number lies within the range is for the caller to say.
pub fn typed_within(text: &str, range: &RangeInclusive<f64>) -> Result<f64, NumberError> {
    let read = typed(text);
    let Err(NumberError::TwoReadings { grouped, decimal, .. }) = &read else { return read };
    match (in_file(grouped)?, in_file(decimal)?) {
        (x, other) if range.contains(&x) && !range.contains(&other) => Ok(x),
        (other, x) if range.contains(&x) && !range.contains(&other) => Ok(x),
        _ => read,
    }
}

/// Reads a number of a file of numbers: a point is the decimal mark, and no mark groups digits.
///
/// # Returns
/// A finite number.
///
/// # Errors
/// [`NumberError::Comma`] for what would be a number but for its commas; [`NumberError::NotANumber`], [`NumberError::TooLarge`].
pub fn in_file(text: &str) -> Result<f64, NumberError> {
    let trimmed = text.trim();
    let has_comma = trimmed.contains(',');
    // Letters but for the exponent's would let `inf` and `nan` through.
    if !trimmed.bytes().all(|b| b.is_ascii_digit() || b"+-.,eE".contains(&b)) {
        return Err(NumberError::NotANumber { text: shown(text) });
    }
    if has_comma && trimmed.bytes().any(|b| b.is_ascii_digit()) {
        return Err(NumberError::Comma { text: shown(text) });
    }
    finite(trimmed, text)
}

/// The text of a number so that [`typed`] reads it: where three decimals could be a group of thousands, a zero follows them.
#[must_use]
pub fn one_reading(mut text: String) -> String {
    if matches!(typed(&text), Err(NumberError::TwoReadings { .. })) {
        text.push('0');
    }
    text
}

/// What was found, for a message: a line of a damaged file may be long.
fn shown(text: &str) -> String {
    text.chars().take(40).collect()
}

fn finite(plain: &str, text: &str) -> Result<f64, NumberError> {
    match plain.parse::<f64>() {
        Ok(x) if x.is_finite() => Ok(x),
        Ok(_) => Err(NumberError::TooLarge { text: shown(text) }),
        Err(_) => Err(NumberError::NotANumber { text: shown(text) }),
    }
}

/// A mark between digits, blanks and apostrophes of every kind as one.
pub(super) fn mark(c: char) -> Option<char> {
    match c {
        '.' | ',' => Some(c),
        // Plain, no-break, thin and narrow no-break.
        ' ' | '\u{a0}' | '\u{2009}' | '\u{202f}' => Some(' '),
        '\'' | '\u{2019}' => Some('\''),
        _ => None,
    }
}

/// Whether the digits are groups of thousands: one mark throughout, three digits behind each, one to three in front and no leading 0.
fn is_grouped(runs: &[&str], marks: &[char]) -> bool {
    let Some((first, rest)) = runs.split_first() else { return false };
    !rest.is_empty()
        && marks.windows(2).all(|pair| pair[0] == pair[1])
        && (1..=3).contains(&first.len())
        && !first.starts_with('0')
        && rest.iter().all(|run| run.len() == 3)
}

/// Whether the last mark can be the decimal one: a point or comma that stands nowhere else, digits behind it, and in front of it
/// digits without marks or in groups.
fn is_decimal(runs: &[&str], marks: &[char]) -> bool {
    let Some((last, others)) = marks.split_last() else { return false };
    let Some((decimals, whole)) = runs.split_last() else { return false };
    matches!(last, '.' | ',')
        && !decimals.is_empty()
        && !others.contains(last)
        && (others.is_empty() || is_grouped(whole, others))
}

/// The decimal reading of three digits behind a mark, as it can be typed: without zeros at its end, or with a fourth digit.
fn short(whole: &str, decimals: &str) -> String {
    match decimals.trim_end_matches('0') {
        "" => whole.to_owned(),
        fewer if fewer.len() < 3 => format!("{whole}.{fewer}"),
        all => format!("{whole}.{all}0"),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn what_has_one_reading_is_read() {
        for (text, want) in [
            ("2.6", 2.6),
            ("2,6", 2.6),
            (" 2,6 ", 2.6),
            ("1250", 1250.0),
            ("007", 7.0),
            ("1 250", 1250.0),
            ("1\u{a0}250", 1250.0),
            ("1\u{202f}250\u{202f}000", 1_250_000.0),
            ("1\u{2009}250", 1250.0),
            ("1'250", 1250.0),
            ("1\u{2019}250", 1250.0),
            ("1'250.75", 1250.75),
            ("1 250,125", 1250.125),
            ("1,250,000", 1_250_000.0),
            ("1.250.000", 1_250_000.0),
            ("1,250.5", 1250.5),
            ("1.250,5", 1250.5),
            ("1,250,000.250", 1_250_000.25),
            ("0,250", 0.25),
            ("0.250", 0.25),
            ("-0.250", -0.25),
            (".250", 0.25),
            (",5", 0.5),
            ("1250.500", 1250.5),
            ("12345,678", 12_345.678),
            ("1.2500", 1.25),
            ("1,25", 1.25),
            ("1.250e3", 1250.0),
            ("1,25E-2", 0.0125),
            ("+2.5", 2.5),
            ("\u{2212}2,5", -2.5),
            ("-1 250", -1250.0),
            ("0", 0.0),
        ] {
            assert_eq!(typed(text), Ok(want), "{text}");
        }
    }

    #[test]
    fn what_has_two_readings_is_asked_about() {
        for (text, grouped, decimal) in [
            ("1,250", "1250", "1.25"),
            ("2.600", "2600", "2.6"),
            ("-1,250", "-1250", "-1.25"),
            ("+1.250", "1250", "1.25"),
            ("\u{2212}1.250", "-1250", "-1.25"),
            ("2.000", "2000", "2"),
            ("12,345", "12345", "12.3450"),
            ("999.999", "999999", "999.9990"),
            (" 10.005 ", "10005", "10.0050"),
        ] {
            let Err(NumberError::TwoReadings { grouped: g, decimal: d, .. }) = typed(text) else {
                panic!("{text}: {:?}", typed(text))
            };
            assert_eq!((g.as_str(), d.as_str()), (grouped, decimal), "{text}");
            for written in [g, d] {
                assert!(typed(&written).is_ok(), "{written} can't be typed");
            }
        }
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in [
            "",
            " ",
            "-",
            ".",
            ",",
            "five",
            "1,2,3",
            "1,00,000",
            "1.2.3",
            "1,250.5,5",
            "1.25,250.5",
            "1,250 000",
            "1 2",
            "12 50",
            "1250 000",
            "0 250",
            "0,250,000",
            "1,,250",
            "1  250",
            "1 ,250",
            "5.",
            "5,",
            "1,250,",
            "1 250 ,5",
            "--5",
            "+-5",
            "- 5",
            "5-",
            "1e",
            "1e5.5",
            "e5",
            "1e5e5",
            "0x10",
            "1_000",
            "nan",
            "NaN",
            "inf",
            "-infinity",
            "١٢",
            "२.६",
            "2·6",
            "½",
            "12h",
            "1.5m",
            "\u{2013}5",
        ] {
            assert!(matches!(typed(text), Err(NumberError::NotANumber { .. })), "{text}: {:?}", typed(text));
        }
        assert!(matches!(typed("1e999"), Err(NumberError::TooLarge { .. })));
        assert!(matches!(typed(&"9".repeat(400)), Err(NumberError::TooLarge { .. })));
    }

    #[test]
    fn of_two_readings_the_possible_one_is_taken() {
        assert_eq!(typed_within("72,125", &(5.0..=400.0)), Ok(72.125));
        assert_eq!(typed_within("4.800", &(100.0..=1e6)), Ok(4800.0));
        assert!(
            matches!(typed_within("1,250", &(0.0..=1e6)), Err(NumberError::TwoReadings { .. })),
            "both are possible"
        );
        assert!(matches!(typed_within("1,250", &(5.0..=400.0)), Err(NumberError::TwoReadings { .. })), "neither is");
        assert_eq!(typed_within("9", &(0.0..=1.0)), Ok(9.0));
    }

    #[test]
    fn a_file_has_points_and_no_marks() {
        for (text, want) in [("2.600", 2.6), (" -0.25 ", -0.25), ("1e-3", 1e-3), ("5.", 5.0), (".5", 0.5), ("+7", 7.0)]
        {
            assert_eq!(in_file(text), Ok(want), "{text}");
        }
        for text in ["2,6", "1,250", "1,250.5", "-0,25e-3", ",5", "5,"] {
            assert!(matches!(in_file(text), Err(NumberError::Comma { .. })), "{text}");
        }
        for text in ["", ",", "nan", "inf", "1 250", "1'250", "0x10", "1;2", "e", "\u{2212}5", "٣"] {
            assert!(matches!(in_file(text), Err(NumberError::NotANumber { .. })), "{text}");
        }
        assert!(matches!(in_file("1e999"), Err(NumberError::TooLarge { .. })));
    }

    proptest! {
        #[test]
        fn every_plain_number_reads_back_or_is_asked_about(
            x in prop_oneof![proptest::num::f64::NORMAL, (-2_000_000..2_000_000_i32).prop_map(|k| f64::from(k) / 1000.0)],
            comma: bool,
        ) {
            let point = format!("{x}");
            let text = if comma { point.replace('.', ",") } else { point.clone() };
            match typed(&text) {
                Err(NumberError::TwoReadings { grouped, decimal, .. }) => {
                    prop_assert_eq!(typed(&decimal), Ok(x));
                    prop_assert_eq!(typed(&grouped), Ok((x * 1e3).round()));
                }
                read => prop_assert_eq!(read, Ok(x)),
            }
            prop_assert_eq!(typed(&one_reading(point.clone())), Ok(x));
            prop_assert_eq!(in_file(&point), Ok(x));
        }

        #[test]
        fn every_way_to_group_comes_to_the_same(x in 1_000_u64..1_000_000_000, mark in 0..7_usize) {
            let mark = [' ', '\u{a0}', '\u{2009}', '\u{202f}', '\'', '\u{2019}', ','][mark];
            let mut text = String::new();
            for (k, digit) in x.to_string().chars().rev().enumerate() {
                if k > 0 && k % 3 == 0 {
                    text.insert(0, mark);
                }
                text.insert(0, digit);
            }
            if mark == ',' && x < 1_000_000 {
                let asked = matches!(typed(&text), Err(NumberError::TwoReadings { .. }));
                prop_assert!(asked, "{}", text);
            } else {
                prop_assert_eq!(typed(&text), Ok(x as f64));
            }
        }

        #[test]
        fn no_text_panics_and_every_number_is_finite(text in "[-+−0-9., 'eE’\u{a0}]{0,12}|\\PC{0,16}") {
            for read in [typed(&text), in_file(&text)].into_iter().flatten() {
                prop_assert!(read.is_finite());
            }
        }
    }
}
