//! History in and out: CSV files, corrections of what a clamp recorded wrongly, and backups.

mod again;
mod backup;
mod columns;
mod correct;
mod count;
mod export;
mod import;
mod intervals;
mod lines;
mod merge;
mod occupied;
mod past_home;
mod put_right;
mod retell;
mod rows;
mod survey;
mod taking;
mod times;

pub(crate) use backup::backup;
pub(crate) use columns::{Wishes, listing};
pub(crate) use correct::{Change, Preview, REPLACED_REACHES, list as corrections, make as correct, preview};
pub(crate) use export::{
    can_be_summed, energy as export_energy, full as export_full, sqlite as export_sqlite,
};
pub(crate) use import::{ColumnReport, ImportError, ImportOptions, ImportReport, import};
pub use intervals::TimeIs;
pub(crate) use past_home::watts_for_one;
pub(crate) use put_right::PutRight;
pub(crate) use retell::{Retelling, Told, Which};
pub(crate) use rows::BadLine;
pub(crate) use survey::Survey;
