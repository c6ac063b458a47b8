//! History in and out: CSV files, corrections of what a clamp recorded wrongly, and backups.

mod lines;
mod times;
