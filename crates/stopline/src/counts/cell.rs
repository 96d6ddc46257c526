//! Single cells: whole numbers, and how a refused cell is shown.

/// What a count may be, in words.
pub(super) const WHOLE: &str = "a whole number from 0 to 4294967295";

/// Longest part of a cell that is repeated in a message.
const SHOWN: usize = 60;

/// Words that mark a row as made from other rows.
const TOTAL_WORDS: [&str; 8] = ["total", "totals", "subtotal", "sum", "sums", "mean", "average", "avg"];

/// The whole number in a cell: digits, or digits followed by a point and only zeros.
pub(super) fn whole(cell: &str) -> Option<u32> {
    let digits = match cell.split_once('.') {
        Some((digits, zeros)) if zeros.bytes().all(|b| b == b'0') => digits,
        Some(_) => return None,
        None => cell,
    };
    // `parse` alone would let a sign through.
    if digits.bytes().all(|b| b.is_ascii_digit()) { digits.parse().ok() } else { None }
}

/// Whether a cell is a number with a decimal comma, such as `3,5`.
pub(super) fn has_decimal_comma(cell: &str) -> bool {
    let is_number = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    cell.split_once(',').is_some_and(|(before, after)| is_number(before) && is_number(after))
}

/// Whether a cell holds a word such as `Total`.
pub(super) fn names_a_total(cell: &str) -> bool {
    cell.split(|c: char| !c.is_alphanumeric()).any(|word| TOTAL_WORDS.iter().any(|t| t.eq_ignore_ascii_case(word)))
}

/// A cell as a message repeats it: short, on one line.
pub(super) fn shown(cell: &str) -> String {
    if cell.is_empty() {
        return "empty".to_owned();
    }
    let mut text = String::new();
    for c in cell.chars().take(SHOWN) {
        if c.is_control() { text.extend(c.escape_debug()) } else { text.push(c) }
    }
    if cell.chars().nth(SHOWN).is_some() {
        text.push('…');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_numbers_only() {
        for (cell, number) in
            [("0", 0), ("3", 3), ("3.0", 3), ("3.", 3), ("3.000", 3), ("007", 7), ("4294967295", u32::MAX)]
        {
            assert_eq!(whole(cell), Some(number), "{cell}");
        }
        for cell in
            ["", ".", ".0", "3.5", "3.05", "-1", "-0", "+3", "4294967296", "1e3", "3,0", "nan", "NaN", "inf", "x", "٣"]
        {
            assert_eq!(whole(cell), None, "{cell}");
        }
    }

    #[test]
    fn totals_are_named_by_a_word_of_their_own() {
        for cell in ["total", "TOTAL:", "heron Total", "Sum"] {
            assert!(names_a_total(cell), "{cell}");
        }
        for cell in ["", "heron", "summer", "totally", "12"] {
            assert!(!names_a_total(cell), "{cell}");
        }
    }

    #[test]
    fn refused_cells_are_shown_short_and_on_one_line() {
        assert_eq!(shown(""), "empty");
        assert_eq!(shown("a\nb\u{1b}[1m"), "a\\nb\\u{1b}[1m");
        assert_eq!(shown(&"é".repeat(1000)).chars().count(), SHOWN + 1);
        assert!(has_decimal_comma("3,5") && !has_decimal_comma("3") && !has_decimal_comma(",5"));
    }
}
