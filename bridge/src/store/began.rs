//! What a run was given at its start.

use overspill_rules::home::Home;

/// The kind of the event that holds what a run knew again at its start. It is no input of the controller.
pub(super) const BEGAN: &str = "began";

/// A mark of everything in the home file that the controller knows: two homes with one mark are taken to be the same.
///
/// FNV-1a, since the hash of the standard library may change with its version.
pub fn home_mark(home: &Home) -> String {
    let text = format!("{home:?}");
    let hash = text.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    });
    format!("{hash:016x}")
}
