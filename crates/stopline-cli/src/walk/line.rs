//! What a person types at the prompt.

use crate::values;
use stopline::{Code, Error, Score, Site};

/// One line of a walk.
#[derive(Debug, Clone, PartialEq)]
pub enum Typed {
    Site(Site),
    Skip,
    Undo,
    Note(String),
    Pause,
    Resume,
    /// The walk ends here.
    End,
    /// The next field; without a name it is asked for.
    Field(String),
    /// The walk is left as it is, to go on another time today.
    Leave,
    /// A site with too few plants.
    Short,
    /// Where the walk stands.
    Show,
    Help,
    Nothing,
}

pub const HELP: &str = "Type the count of the site and press Enter. Or a word: undo (take back the last site), \
skip (site not counted), note TEXT, short (too few plants), pause, resume, show, end (the walk ends here), field NAME \
(the next field), leave (go on later), help.";

/// Reads a line. With groups of enemies, one count a group, or their total.
pub fn read(text: &str, score: &Score, groups: &[String]) -> Result<Typed, Error> {
    let text = text.trim();
    let (word, rest) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
    let rest = rest.trim();
    let typed = match word.to_lowercase().as_str() {
        "" => Typed::Nothing,
        "skip" => Typed::Skip,
        "undo" => Typed::Undo,
        "note" if rest.is_empty() => {
            return Err(Error::new(Code::Entry, "note", "empty", "note TEXT"));
        }
        "note" => Typed::Note(rest.to_owned()),
        "pause" => Typed::Pause,
        "resume" => Typed::Resume,
        "end" => Typed::End,
        "field" => Typed::Field(rest.to_owned()),
        "leave" => Typed::Leave,
        "short" => Typed::Short,
        "show" => Typed::Show,
        "help" => Typed::Help,
        _ if text.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c)) => return site(text, score, groups),
        _ => {
            let allowed = "a count, or: undo, skip, note, short, pause, resume, show, end, field, leave, help";
            return Err(Error::new(Code::Entry, "entry", text, allowed));
        }
    };
    let alone = !matches!(typed, Typed::Note(_) | Typed::Field(_)) && !rest.is_empty();
    if alone { Err(Error::new(Code::Entry, word, rest, "nothing after this word")) } else { Ok(typed) }
}

fn site(text: &str, score: &Score, groups: &[String]) -> Result<Typed, Error> {
    let parts = text.split(|c: char| c == '+' || c.is_whitespace()).filter(|part| !part.is_empty());
    let counts = parts.map(|part| values::whole("count", part, 0, u32::MAX)).collect::<Result<Vec<u32>, _>>()?;
    let right = match score {
        Score::Positive { units, .. } => counts.len() == usize::from(*units),
        _ => counts.len() == 1 || groups.is_empty() || counts.len() == groups.len(),
    };
    if right {
        return Ok(Typed::Site(Site { groups: counts.into_iter().map(Some).collect() }));
    }
    let allowed = match score {
        Score::Positive { units, .. } => format!("{units}, one a unit"),
        _ => format!("{} ({}), or one total", groups.len(), groups.join(", ")),
    };
    Err(Error::new(Code::Entry, "number of counts", counts.len(), allowed))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn lines_are_counts_or_words() {
        let groups = ["lady beetles".to_owned(), "spiders".to_owned()];
        let typed = |text: &str| read(text, &Score::Count, &groups);
        let both = Typed::Site(Site { groups: vec![Some(2), Some(1)] });
        assert_eq!(typed("3 ").unwrap(), Typed::Site(Site::of(3)));
        assert_eq!((typed("2+1").unwrap(), typed(" 2 1").unwrap()), (both.clone(), both));
        assert_eq!(typed("note wet  leaves").unwrap(), Typed::Note("wet  leaves".into()));
        assert_eq!((typed("UNDO").unwrap(), typed("").unwrap()), (Typed::Undo, Typed::Nothing));
        for bad in ["3.5", "-1", "1+2+3", "NA", "undo 2", "note", "99999999999", "three"] {
            assert!(typed(bad).is_err(), "{bad}");
        }
        let units = Score::positive(0, 2).unwrap();
        assert!(read("1", &units, &[]).is_err() && read("1 0", &units, &[]).is_ok());
    }
}
