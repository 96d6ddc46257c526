//! Cells that repeat the one above, as merged cells of a spreadsheet come out: the first has the text, the others none.

/// What was last written in each column that is filled down.
pub(super) struct Filled(Vec<(usize, String, bool)>);

impl Filled {
    pub fn new(places: &[usize]) -> Self {
        Self(places.iter().map(|place| (*place, String::new(), false)).collect())
    }

    /// Looks at a row.
    pub fn row<'c>(&mut self, cell: impl Fn(usize) -> &'c str) {
        for (place, above, is_empty) in &mut self.0 {
            let text = cell(*place).trim();
            *is_empty = text.is_empty();
            if !*is_empty {
                text.clone_into(above);
            }
        }
    }

    /// What an empty cell of the row repeats.
    pub fn above(&self, place: usize) -> Option<&str> {
        let known = self.0.iter().find(|(known, ..)| *known == place);
        known.filter(|(.., is_empty)| *is_empty).map(|(_, above, _)| above.as_str())
    }
}
