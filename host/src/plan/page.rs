//! Text in columns.

/// Columns of a page.
pub(crate) const COLUMNS: usize = 96;

/// Lines, wrapped.
#[derive(Default)]
pub(crate) struct Page {
    pub(crate) out: String,
}

impl Page {
    pub(crate) fn line(&mut self, line: &str) {
        self.out.push_str(line.trim_end());
        self.out.push('\n');
    }

    pub(crate) fn heading(&mut self, heading: &str) {
        self.line("");
        self.line(heading);
    }

    pub(crate) fn text(&mut self, indent: usize, text: &str) {
        for line in wrap(text, COLUMNS - indent) {
            self.line(&format!("{:indent$}{line}", ""));
        }
    }

    pub(crate) fn item(&mut self, mark: &str, text: &str) {
        self.in_columns(&format!("  {mark}"), 4, text);
    }

    pub(crate) fn pair(&mut self, name: &str, text: &str) {
        self.in_columns(&format!("  {name}"), 14, text);
    }

    pub(crate) fn hanging(&mut self, word: &str, text: &str) {
        self.in_columns(&format!("  {word}"), 16, text);
    }

    pub(crate) fn columns(&mut self, what: &str, value: &str, why: &str) {
        let head = format!("  {what:<36} {value:<9}");
        // A name that is too long takes a line of its own.
        if head.chars().count() > 48 {
            self.line(&format!("  {what}"));
            self.in_columns(&format!("  {:<36} {value:<9}", ""), 49, why);
        } else {
            self.in_columns(&head, 49, why);
        }
    }

    /// `head` in front, the text beside it from column `at` on.
    fn in_columns(&mut self, head: &str, at: usize, text: &str) {
        let mut head = head.to_owned();
        for line in wrap(text, COLUMNS - at) {
            let fill = at.saturating_sub(head.chars().count());
            self.line(&format!("{head}{:fill$}{line}", ""));
            head.clear();
        }
    }
}

/// Lines of at most `width` characters; a longer word stands alone.
fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut used = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > width {
            lines.push(String::new());
            used = 0;
        }
        if let Some(line) = lines.last_mut() {
            if used > 0 {
                line.push(' ');
                used += 1;
            }
            line.push_str(word);
            used += length;
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::wrap;

    #[test]
    fn words_are_kept_whole_and_lines_short() {
        assert_eq!(wrap("one two three", 8), ["one two", "three"]);
        assert_eq!(wrap("Ω·m² ΩΩ", 7), ["Ω·m² ΩΩ"], "characters, not bytes");
        assert_eq!(wrap("overlongword x", 4), ["overlongword", "x"]);
    }
}
