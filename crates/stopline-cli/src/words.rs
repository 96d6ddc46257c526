//! Numbers and names as people read them.

use stopline::plan::Design;
use stopline::{Mean, Score, Unit};

/// Columns of text.
pub const WIDTH: usize = 88;

/// A number with four significant figures, without an exponent.
pub fn figures(x: f64) -> String {
    if x == 0.0 || !x.is_finite() {
        return if x == 0.0 { "0".to_owned() } else { x.to_string() };
    }
    let magnitude = x.abs().log10().floor();
    let decimals = (3.0 - magnitude).clamp(0.0, 12.0);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // clamped to 0..=12
    let text = format!("{x:.*}", decimals as usize);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A probability as a number of times in 100, rounded up so that it never promises too much.
pub fn in_100(p: f64) -> String {
    format!("{:.1}", (p * 1000.0 - 1e-9).ceil() / 10.0 + 0.0) // −0 becomes 0
}

/// A mean per site in every unit; a share of positive units as itself.
pub fn in_all_units(mean: Mean, design: &Design) -> String {
    if let (Score::Positive { above, .. }, true) = (&design.score, design.dispersion.of_shares()) {
        return format!("a share of {} (units with more than {above})", figures(mean.get()));
    }
    let plants = design.plants;
    let in_unit = |unit: &Unit| format!("{} per {}", figures(mean.get() / unit.in_a_site(plants)), unit_words(*unit));
    Unit::ALL.iter().map(in_unit).collect::<Vec<_>>().join(" = ")
}

/// A unit in words.
pub const fn unit_words(unit: Unit) -> &'static str {
    match unit {
        Unit::Site => "site",
        Unit::Plant => "plant",
        Unit::HundredPlants => "100 plants",
    }
}

/// `1 site`, `2 sites`.
pub fn many(n: impl Into<u64>, one: &str) -> String {
    match n.into() {
        1 => format!("1 {one}"),
        n => format!("{n} {one}s"),
    }
}

/// Text on one line, with nothing in it that would steer a terminal.
pub fn one_line(text: &str) -> String {
    let safe: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    safe.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ")
}

/// A word as a shell takes it.
pub fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "-_./,:=+@%".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', r"'\''"))
    }
}

/// Words on lines of at most [`WIDTH`] columns: the first after `head`, the others below its end.
pub fn wrapped(head: &str, text: &str) -> String {
    wrapped_to(WIDTH, head, text)
}

/// Words on lines of at most `width` columns, as far as single words allow.
pub fn wrapped_to(width: usize, head: &str, text: &str) -> String {
    let mut out = String::new();
    let mut line = head.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > width {
            out += line.trim_end();
            out.push('\n');
            line = " ".repeat(head.chars().count());
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line += word;
        empty = false;
    }
    out += line.trim_end();
    out.push('\n');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short_and_never_wrong_in_the_shown_figures() {
        let shown = [1.0, 2.5, 1.0 / 3.0, 100.0 / 3.0, 12345.6, 0.000_123_456, 0.0, 9.9999].map(figures);
        assert_eq!(shown, ["1", "2.5", "0.3333", "33.33", "12346", "0.0001235", "0", "10"]);
        assert_eq!([0.099_91, 0.1, 0.0951, 0.0].map(in_100), ["10.0", "10.0", "9.6", "0.0"]);
    }

    #[test]
    fn text_is_wrapped_below_its_head() {
        let text = wrapped("Caution   ", &"word ".repeat(40));
        assert!(text.lines().all(|l| l.chars().count() <= WIDTH));
        assert!(text.lines().skip(1).all(|l| l.starts_with("          word")));
        assert_eq!(quoted("it's"), r"'it'\''s'");
        assert_eq!(one_line("a\u{1b}[31m\nb"), "a [31m b");
    }
}
