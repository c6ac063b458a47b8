//! Lines of text.

/// Without control characters, which a device could send to upset the terminal.
pub(super) fn clean(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// At most so many characters; what is cut off ends in three dots.
pub(super) fn cut(text: &str, columns: usize) -> String {
    if text.chars().count() <= columns {
        return text.to_owned();
    }
    let kept: String = text.chars().take(columns.saturating_sub(3)).collect();
    format!("{}...", kept.trim_end())
}

/// Filled up with blanks to so many characters.
pub(super) fn padded(text: &str, columns: usize) -> String {
    let missing = columns.saturating_sub(text.chars().count());
    format!("{text}{}", " ".repeat(missing))
}

/// Broken between words into lines of at most so many characters, each with the indent.
pub(super) fn wrapped(text: &str, indent: &str, columns: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let length = indent.len() + line.chars().count() + 1 + word.chars().count();
        if !line.is_empty() && length > columns {
            lines.push(format!("{indent}{line}"));
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() {
        lines.push(format!("{indent}{line}"));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_between_words() {
        assert_eq!(wrapped("one two three", "  ", 9), ["  one two", "  three"]);
        assert_eq!(wrapped("", "  ", 9), Vec::<String>::new());
    }

    #[test]
    fn what_is_cut_off_shows() {
        assert_eq!(cut("a longer line", 9), "a long...");
        assert_eq!(cut("as it is", 8), "as it is");
    }

    #[test]
    fn no_escape_reaches_the_terminal() {
        assert_eq!(clean("a\x1b[2Jb\nc"), "a [2Jb c");
    }
}
