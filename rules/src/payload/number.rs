//! A number as text.

/// Reads a number that stands alone: `230`, `-12.5`, `1e3`.
///
/// # Errors
/// What was found instead and what to do about it.
pub(super) fn number(text: &str) -> Result<f64, String> {
    let text = text.trim();
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) if text.bytes().any(|b| b.is_ascii_digit()) => {
            Err(format!("{} is too large a number", quoted(text)))
        }
        Ok(_) => Err(format!("{} is not a measured number", quoted(text))),
        Err(_) => Err(instead(text)),
    }
}

fn instead(text: &str) -> String {
    if text.is_empty() {
        return "the message is empty".to_owned();
    }
    let digits = text.strip_prefix(['+', '-']).unwrap_or(text);
    let end = digits.find(|c: char| !c.is_ascii_digit() && !matches!(c, '.' | ',')).unwrap_or(digits.len());
    let (amount, rest) = digits.split_at(end);
    if amount.is_empty() || !amount.contains(|c: char| c.is_ascii_digit()) {
        return format!("{} is no number", quoted(text));
    }
    if amount.contains(',') && rest.trim().is_empty() {
        return comma(text, amount);
    }
    if rest.trim_start().starts_with(|c: char| c.is_alphabetic() || c == '%' || c == '°')
        && !rest.contains('x')
    {
        return format!(
            "{} is a number with a unit; the device should send the number alone, or `script` can cut it off: \
             payload.split(\" \")[0].parse_float()",
            quoted(text)
        );
    }
    format!("{} is no number", quoted(text))
}

fn comma(text: &str, amount: &str) -> String {
    if amount.matches(',').count() == 1 && !amount.contains('.') {
        format!(
            "{} has a decimal comma; a decimal point is needed, as in {}",
            quoted(text),
            text.replace(',', ".")
        )
    } else {
        format!("{} has commas in it; a number is written without them", quoted(text))
    }
}

/// A piece of a message for people: short, on one line, nothing that moves the cursor.
pub(super) fn quoted(text: &str) -> String {
    const MOST: usize = 40;
    let shown: String =
        text.chars().take(MOST).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    let rest = if text.chars().nth(MOST).is_some() { "…" } else { "" };
    format!("`{shown}{rest}`")
}
