//! A point that has another name now: its history comes with it.

use rusqlite::{Connection, OptionalExtension, Transaction, params};

/// Gives the history of each point, old name and new, to its new name. One of which nothing is known is left alone, and so
/// is one whose new name has numbers of its own already: two histories can't be made one.
pub(super) fn points(conn: &mut Connection, renamed: &[(String, String)]) -> rusqlite::Result<()> {
    for (old, new) in renamed {
        let change = conn.transaction()?;
        if !is_known(&change, old)? {
            continue;
        }
        if has_numbers(&change, new)? {
            tracing::warn!(
                "the history of the point {old} was not joined to {new}, since {new} has readings of its own already; \
                 both are kept"
            );
            continue;
        }
        rename(&change, old, new)?;
        change.commit()?;
        tracing::info!("the history of the point {old} goes on as that of {new}");
    }
    Ok(())
}

fn is_known(conn: &Connection, point: &str) -> rusqlite::Result<bool> {
    conn.query_row("SELECT EXISTS (SELECT 1 FROM definition WHERE name = 'point.' || ?1)", [point], |r| {
        r.get(0)
    })
}

fn has_numbers(conn: &Connection, point: &str) -> rusqlite::Result<bool> {
    conn.query_row(
        "SELECT EXISTS (SELECT 1 FROM series WHERE name = 'point.' || ?1 OR name LIKE 'point.' || ?1 || '.%')",
        [point],
        |r| r.get(0),
    )
}

fn rename(change: &Transaction<'_>, old: &str, new: &str) -> rusqlite::Result<()> {
    let both = [format!("point.{old}"), format!("point.{new}")];
    for table in ["series", "import_series", "imported_energy"] {
        change.execute(
            &format!(
                "UPDATE {table} SET name = ?2 || substr(name, length(?1) + 1)
                 WHERE name = ?1 OR substr(name, 1, length(?1) + 1) = ?1 || '.'"
            ),
            params![both[0], both[1]],
        )?;
    }
    // A definition that was written under the new name before its history came is newer and stays.
    change.execute("UPDATE OR IGNORE definition SET name = ?2 WHERE name = ?1", params![both[0], both[1]])?;
    change.execute("DELETE FROM definition WHERE name = ?1", [&both[0]])?;
    change.execute("UPDATE correction SET point = ?2 WHERE point = ?1", [old, new])?;
    change.execute("UPDATE correction SET other = ?2 WHERE other = ?1", [old, new])?;
    homes(change, old, new)
}

/// The lists of points that belonged together.
fn homes(change: &Transaction<'_>, old: &str, new: &str) -> rusqlite::Result<()> {
    let mut last = i64::MIN;
    let next = "SELECT run, json FROM definition WHERE name = 'home' AND run > ?1 ORDER BY run LIMIT 1";
    while let Some((run, json)) =
        change.query_row(next, [last], |r| Ok((r.get::<_, i64>(0)?, r.get::<_, String>(1)?))).optional()?
    {
        last = run;
        let Ok(mut home) = serde_json::from_str::<serde_json::Value>(&json) else { continue };
        let Some(points) = home.get_mut("points").and_then(|p| p.as_array_mut()) else { continue };
        points.iter_mut().filter(|p| p.as_str() == Some(old)).for_each(|p| *p = new.into());
        change.execute(
            "UPDATE definition SET json = ?2 WHERE name = 'home' AND run = ?1",
            params![run, home.to_string()],
        )?;
    }
    Ok(())
}
