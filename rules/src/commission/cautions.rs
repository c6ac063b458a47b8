//! What must be said before hands move. Sources: Electricity at Work Regulations 1989, regulations 4 and 12 to 16; HSE
//! HSG85; the rest is common practice.

use super::step::What;

/// Said, and acknowledged with name and time, before the first step.
pub const BEFORE_ALL: [&str; 5] = [
    "This work is for a competent person. The supply tails upstream of the main switch stay live when it is off; seals of the network operator and the supplier stay as they are.",
    "Before a cover comes off or a clamp is moved: isolate every source, lock off, prove the tester, prove dead, prove the tester again.",
    "There may be more than one source. A roof, a battery and a backup supply keep parts live after the main switch is off; the roof's direct current stays live in daylight.",
    "Never leave the leads of a current-output clamp open while its conductor carries current: fit its burden or a shorting link first.",
    "These steps prove readings. They are no electrical certificate, and nothing here replaces a protective device.",
];

/// What belongs to one step.
pub fn caution(what: What) -> &'static str {
    match what {
        What::TestLoad(_) => {
            "Use a plain heater of known rating with a plug of its own, standing clear and watched while it is on. No motor, no dimmer, no extension lead on a reel."
        }
        What::SolarOff => {
            "Switch off at the isolator on the alternating-current side only; never pull a direct-current connector under load. The roof's cables stay live."
        }
        What::Load(_) => {
            "It will start by command: see that nobody works on it, that its own thermostat and protection are in place, and that it may run now."
        }
    }
}
