//! Names of files to modules: `m{module}*.wav`.

/// A pattern of file names with the module's place in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamePattern {
    parts: Vec<Part>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Letter(char),
    One,
    Any,
    Module,
}

/// Why a text is no pattern.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{text}\" does not say where the module's number stands; write it like 'm{{module}}*.wav' (* any letters, ? one)"
)]
pub struct PatternError {
    /// What was typed.
    pub text: String,
}

/// What stands for the module.
const MODULE: &str = "{module}";

impl std::str::FromStr for NamePattern {
    type Err = PatternError;

    fn from_str(text: &str) -> Result<Self, PatternError> {
        let mut halves = text.trim().split(MODULE);
        let (Some(before), Some(after), None) = (halves.next(), halves.next(), halves.next()) else {
            return Err(PatternError { text: text.to_owned() });
        };
        let part = |c: char| match c {
            '*' => Part::Any,
            '?' => Part::One,
            c => Part::Letter(c),
        };
        let mut parts: Vec<Part> = before.chars().map(part).collect();
        parts.push(Part::Module);
        parts.extend(after.chars().map(part));
        Ok(Self { parts })
    }
}

impl NamePattern {
    /// The module that a file's name (without folders) tells, case aside; `None` if the name does not fit.
    #[must_use]
    pub fn module_of(&self, name: &str) -> Option<u32> {
        let name: Vec<char> = name.chars().collect();
        fits(&self.parts, &name, None)
    }
}

/// Matches from the left; the module's digits are as many as there are.
fn fits(parts: &[Part], name: &[char], module: Option<u32>) -> Option<u32> {
    let Some((part, rest)) = parts.split_first() else {
        return if name.is_empty() { module } else { None };
    };
    match part {
        Part::Any => (0..=name.len()).find_map(|n| fits(rest, &name[n..], module)),
        Part::One => name.split_first().and_then(|(_, tail)| fits(rest, tail, module)),
        Part::Letter(c) => {
            let (first, tail) = name.split_first()?;
            first.eq_ignore_ascii_case(c).then(|| fits(rest, tail, module)).flatten()
        }
        Part::Module => {
            let digits: String = name.iter().take_while(|c| c.is_ascii_digit()).collect();
            let n: u32 = digits.parse().ok().filter(|n| *n > 0)?;
            fits(rest, &name[digits.len()..], Some(n))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn module(pattern: &str, name: &str) -> Option<u32> {
        pattern.parse::<NamePattern>().unwrap().module_of(name)
    }

    #[test]
    fn the_module_is_read_from_the_name() {
        assert_eq!(module("m{module}*.wav", "m2-morning.wav"), Some(2));
        assert_eq!(module("m{module}*.wav", "M3.WAV"), Some(3));
        assert_eq!(module("*_module{module}.*", "pump A_module12.flac"), Some(12));
        assert_eq!(module("?-{module}-*", "x-1-y.wav"), Some(1));
        for name in ["m.wav", "n2.wav", "m2.flac", "m0.wav", "xm2.wav", ""] {
            assert_eq!(module("m{module}*.wav", name), None, "{name}");
        }
    }

    #[test]
    fn a_pattern_names_the_module_once() {
        for text in ["*.wav", "", "{module}{module}", "m{Module}"] {
            assert!(text.parse::<NamePattern>().unwrap_err().to_string().contains("m{module}*.wav"), "{text}");
        }
    }
}
