//! Words so large that they are read at arm's length.

/// Rows of a letter.
const ROWS: usize = 5;

/// The letters that prompts need, five rows of five columns each.
const LETTERS: [(char, [&str; ROWS]); 26] = [
    ('A', [" ### ", "#   #", "#####", "#   #", "#   #"]),
    ('C', [" ####", "#    ", "#    ", "#    ", " ####"]),
    ('D', ["#### ", "#   #", "#   #", "#   #", "#### "]),
    ('E', ["#####", "#    ", "#### ", "#    ", "#####"]),
    ('L', ["#    ", "#    ", "#    ", "#    ", "#####"]),
    ('M', ["#   #", "## ##", "# # #", "#   #", "#   #"]),
    ('N', ["#   #", "##  #", "# # #", "#  ##", "#   #"]),
    ('O', [" ### ", "#   #", "#   #", "#   #", " ### "]),
    ('P', ["#### ", "#   #", "#### ", "#    ", "#    "]),
    ('R', ["#### ", "#   #", "#### ", "#  # ", "#   #"]),
    ('S', [" ####", "#    ", " ### ", "    #", "#### "]),
    ('T', ["#####", "  #  ", "  #  ", "  #  ", "  #  "]),
    ('U', ["#   #", "#   #", "#   #", "#   #", " ### "]),
    ('W', ["#   #", "#   #", "# # #", "## ##", "#   #"]),
    ('Y', ["#   #", " # # ", "  #  ", "  #  ", "  #  "]),
    ('0', [" ### ", "#  ##", "# # #", "##  #", " ### "]),
    ('1', ["  #  ", " ##  ", "  #  ", "  #  ", " ### "]),
    ('2', ["#### ", "    #", " ### ", "#    ", "#####"]),
    ('3', ["#### ", "    #", " ### ", "    #", "#### "]),
    ('4', ["#   #", "#   #", "#####", "    #", "    #"]),
    ('5', ["#####", "#    ", "#### ", "    #", "#### "]),
    ('6', [" ### ", "#    ", "#### ", "#   #", " ### "]),
    ('7', ["#####", "    #", "   # ", "  #  ", "  #  "]),
    ('8', [" ### ", "#   #", " ### ", "#   #", " ### "]),
    ('9', [" ### ", "#   #", " ####", "    #", " ### "]),
    (' ', ["     ", "     ", "     ", "     ", "     "]),
];

/// Large letters, five lines; characters that have none stand small in the middle row.
pub(super) fn large(text: &str) -> String {
    let mut rows = vec![String::new(); ROWS];
    for c in text.to_ascii_uppercase().chars() {
        let letter = LETTERS.iter().find(|l| l.0 == c).map(|l| l.1);
        for (k, row) in rows.iter_mut().enumerate() {
            match letter {
                Some(l) => row.push_str(l[k]),
                None => row.push_str(&format!("  {}  ", if k == ROWS / 2 { c } else { ' ' })),
            }
            row.push_str("  ");
        }
    }
    rows.iter().map(|r| r.trim_end().to_owned() + "\n").collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_of_the_prompts_is_there_and_a_line_fits_80_columns() {
        for text in ["MODULE 0123456789", "PRESS SPACE"] {
            for c in text.chars() {
                assert!(LETTERS.iter().any(|l| l.0 == c), "{c}");
            }
        }
        for text in ["MODULE 12", "PRESS SPACE"] {
            assert!(large(text).lines().all(|l| l.len() <= 80), "{text}");
            assert_eq!(large(text).lines().count(), 5);
        }
        assert_eq!(large("1").lines().next(), Some("  #"));
    }
}
