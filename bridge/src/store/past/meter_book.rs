//! The meter book: readings of the billing meter that people enter.

use overspill_rules::answers::meter_book::Register;
use overspill_rules::time::WallTime;
use rusqlite::params;

use super::PastStore;
use crate::store::error::StoreError;
use crate::store::reader::StoreReader;

/// One reading as it was entered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct MeterReading {
    pub(crate) register: Register,
    pub(crate) at: WallTime,
    /// As it stood on the meter: its digits after the point tell how fine it is.
    pub(crate) kwh: String,
    pub(crate) digits: Option<u8>,
    pub(crate) new_meter: bool,
    pub(crate) by: String,
}

impl PastStore {
    /// Enters a reading; one of the same register and moment gives way to it.
    pub(crate) fn enter_reading(&mut self, reading: &MeterReading, now: WallTime) -> Result<(), StoreError> {
        let sql = "INSERT OR REPLACE INTO meter_reading (register, at, kwh, digits, new_meter, by, entered)
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
        let r = reading;
        self.change(|_, change| {
            let row = params![r.register.word(), r.at.0, r.kwh, r.digits, r.new_meter, r.by, now.0];
            change.execute(sql, row).map(|_| ())
        })
    }

    /// Strikes a reading out; `false` where there is none.
    pub(crate) fn strike_reading(&mut self, register: Register, at: WallTime) -> Result<bool, StoreError> {
        let sql = "DELETE FROM meter_reading WHERE register = ?1 AND at = ?2";
        self.change(|_, change| Ok(change.execute(sql, params![register.word(), at.0])? > 0))
    }
}

impl StoreReader {
    /// The readings of one register, the oldest first.
    pub(crate) fn meter_readings(&self, register: Register) -> Result<Vec<MeterReading>, StoreError> {
        let sql = "SELECT at, kwh, digits, new_meter, by FROM meter_reading WHERE register = ?1 ORDER BY at";
        self.rows(sql, [register.word()], |r| {
            Ok(MeterReading {
                register,
                at: WallTime(r.get(0)?),
                kwh: r.get(1)?,
                digits: r.get(2)?,
                new_meter: r.get(3)?,
                by: r.get(4)?,
            })
        })
    }
}
