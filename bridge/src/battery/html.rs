//! The answer as a part of a page.

use super::text::{cells, each_further, heads, meaning};
use super::words::{could_have, enough};
use super::{Told, chart};
use crate::report::html::{heading, list, named_table, paragraph};

/// The answer: what it comes to, a table for each strategy, the chart, what was assumed.
pub(crate) fn body(told: &Told) -> String {
    let mut page = String::new();
    if let Some((_, sentence)) = enough(told) {
        paragraph(&mut page, &sentence);
    }
    paragraph(&mut page, &could_have(told));
    let heads = heads(told);
    let none = cells(told, &told.none, None).into_iter().take(heads.len()).collect::<Vec<_>>();
    for strategy in told.strategies() {
        heading(&mut page, &capital(&format!("{}: {}", strategy.word(), meaning(strategy))));
        let mut rows = vec![heads.clone(), none.clone()];
        rows.extend(told.of(strategy).map(|row| {
            cells(told, &row.outcome, Some(row)).into_iter().take(heads.len()).collect::<Vec<String>>()
        }));
        let name =
            format!("What a battery would have done, {}; the first row is without one", strategy.word());
        named_table(&mut page, &name, &rows, &[]);
        paragraph(&mut page, &capital(&format!("{}.", each_further(told, strategy))));
    }
    heading(&mut page, "What it brings against its size");
    page.push_str(&format!(
        "<div class=\"wide plate\" role=\"region\" aria-label=\"Chart: what a battery brings against its size\" \
         tabindex=\"0\">{}</div>\n",
        chart::svg(told)
    ));
    heading(&mut page, "What was assumed");
    list(&mut page, "notes", told.assumed.iter().map(String::as_str));
    // They set off names in a terminal; here they are only marks.
    page.replace('`', "")
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
