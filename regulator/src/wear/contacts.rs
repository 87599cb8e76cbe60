//! Which contacts break the current in each transition, from first principles.
//!
//! The common unit reaches 32 steps with nine stationary contacts, N and 1 to 8, and two movable fingers joined by a preventive
//! autotransformer. On an even tap both fingers stand on one contact; on an odd tap they bridge two neighbours, and the
//! autotransformer's middle gives the voltage between. So each step moves one finger by one contact, and the other finger
//! carries the load meanwhile. The finger that moves breaks its share of the current at the contact that it leaves: that
//! contact and that finger are worn.
//!
//! Number the contacts of the dial along its rotation, N as 0. At tap t the finger ahead stands at t/2 rounded up, the finger
//! behind at t/2 rounded down. From that everything follows: going out from |t| = m, the contact left is m/2 rounded down; coming
//! in to m, it is the one after it. A run from N to 8 leaves each contact between twice, once by either finger, and
//! so does the run back. No contact can take more than half of all breaks, because a finger that has left it must leave another
//! before it can come back.
//!
//! Below neutral the reversing switch has exchanged the ends of the series winding and contacts 1 to 8 are used again. On a dial
//! that goes on turning the same way they are met from the other end: tap -1 bridges N and 8, tap -16 stands on 1
//! ([`Dial::Ring`], taken where nothing else is known). A changer whose drive comes back to N and goes out again meets them in
//! the same order ([`Dial::Mirrored`]). The reversing switch moves while both fingers stand on N; the winding then carries no load,
//! so ideally it breaks none (what remains is the recovery voltage of the idle winding). Its moves are counted, not its wear.

use serde::{Deserialize, Serialize};

/// Stationary contacts: N and 1 to 8.
pub const STATIONARY: usize = 9;
/// Taps on either side of neutral.
pub const TAPS_A_SIDE: i32 = 16;

/// How the contacts are met below neutral.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Dial {
    /// In a ring: from N on to 8, 7, ... 1.
    #[default]
    Ring,
    /// From N to 1, 2, ... 8, as above neutral.
    Mirrored,
}

/// One of the two movable fingers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Finger {
    /// The one ahead when the dial turns towards raise.
    Ahead,
    /// The one behind it.
    Behind,
}

/// What one transition breaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Break {
    /// The stationary contact that is left: 0 is N, else its number.
    pub contact: usize,
    /// The finger that leaves it.
    pub finger: Finger,
    /// Whether the fingers bridged two contacts before.
    pub from_bridging: bool,
}

/// The stationary contacts that the fingers (ahead, behind) stand on; nothing beyond tap ±16.
#[must_use]
pub fn standing(dial: Dial, tap: i32) -> Option<[usize; 2]> {
    if tap.abs() > TAPS_A_SIDE {
        return None;
    }
    let along = match dial {
        Dial::Ring => tap,
        Dial::Mirrored => tap.abs(),
    };
    // 9 contacts round the ring: -1 is 8
    let contact = |halves: i32| usize::try_from(halves.div_euclid(2).rem_euclid(9)).ok();
    Some([contact(along + 1)?, contact(along)?])
}

/// What the transition from one tap to the next breaks; nothing unless the two are neighbours within ±16.
#[must_use]
pub fn broken(dial: Dial, from: i32, to: i32) -> Option<Break> {
    if from.abs_diff(to) != 1 {
        return None;
    }
    let (before, after) = (standing(dial, from)?, standing(dial, to)?);
    let finger = if before[0] == after[0] { Finger::Behind } else { Finger::Ahead };
    let contact = before[usize::from(finger == Finger::Behind)];
    Some(Break { contact, finger, from_bridging: from % 2 != 0 })
}

/// Whether the reversing switch moves on the way to this tap: it lies on the other side of neutral than the last tap off
/// neutral (`side`: its sign; 0 when none is known).
#[must_use]
pub const fn reverses(side: i32, to: i32) -> bool {
    side * to.signum() < 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn transitions() -> impl Iterator<Item = (i32, i32)> {
        (-16..16).flat_map(|tap| [(tap, tap + 1), (tap + 1, tap)])
    }

    #[test]
    fn each_of_the_64_transitions_moves_one_finger_by_one_contact() {
        for dial in [Dial::Ring, Dial::Mirrored] {
            for (from, to) in transitions() {
                let (before, after) = (standing(dial, from).unwrap(), standing(dial, to).unwrap());
                let moved: Vec<_> = (0..2).filter(|&i| before[i] != after[i]).collect();
                let [finger] = moved[..] else { panic!("{from} {to} moves {moved:?}") };
                let apart = before[finger].abs_diff(after[finger]);
                assert!(apart == 1 || apart == 8, "neighbours on the ring");
                let cut = broken(dial, from, to).unwrap();
                assert_eq!(cut.contact, before[finger]);
                assert_eq!(cut.finger == Finger::Behind, finger == 1);
                assert_eq!(cut.from_bridging, before[0] != before[1]);
            }
        }
    }

    /// The same, told without fingers: out from m leaves m/2 rounded down, in to m leaves the one after.
    #[test]
    fn the_contact_left_is_that_of_the_rule_in_the_text() {
        for (from, to) in transitions() {
            let inner = from.abs().min(to.abs());
            let outward = to.abs() > from.abs();
            let mirrored = usize::try_from(inner / 2 + i32::from(!outward)).unwrap();
            assert_eq!(broken(Dial::Mirrored, from, to).unwrap().contact, mirrored, "{from} {to}");
            let lower = from.min(to) < 0;
            let ring = if lower && mirrored > 0 { 9 - mirrored } else { mirrored };
            assert_eq!(broken(Dial::Ring, from, to).unwrap().contact, ring, "{from} {to}");
        }
    }

    /// By hand, from a drawing of the dial.
    #[test]
    fn a_few_by_hand() {
        let cut = |from, to| {
            let cut = broken(Dial::Ring, from, to).unwrap();
            (cut.contact, cut.finger)
        };
        use Finger::{Ahead, Behind};
        assert_eq!(cut(0, 1), (0, Ahead), "the finger ahead leaves N for 1");
        assert_eq!(cut(1, 2), (0, Behind), "the finger behind follows");
        assert_eq!(cut(2, 1), (1, Behind));
        assert_eq!(cut(1, 0), (1, Ahead));
        assert_eq!(cut(15, 16), (7, Behind));
        assert_eq!(cut(0, -1), (0, Behind), "the other way the finger behind leads");
        assert_eq!(cut(-1, 0), (8, Behind));
        assert_eq!(cut(-15, -16), (2, Ahead));
    }

    #[test]
    fn over_a_full_run_and_back_every_inner_contact_breaks_four_times() {
        for dial in [Dial::Ring, Dial::Mirrored] {
            let mut breaks = [0; STATIONARY];
            for (from, to) in (0..16).flat_map(|tap| [(tap, tap + 1), (tap + 1, tap)]) {
                breaks[broken(dial, from, to).unwrap().contact] += 1;
            }
            assert_eq!(breaks, [2, 4, 4, 4, 4, 4, 4, 4, 2]);
        }
    }

    #[test]
    fn no_contact_takes_more_than_half() {
        // back and forth over one, two and three steps anywhere
        for low in -16..14 {
            for span in 1..=3 {
                let up = (low..low + span).map(|t| (t, t + 1));
                let down = (low..low + span).rev().map(|t| (t + 1, t));
                let mut breaks = [0; STATIONARY];
                for (from, to) in up.chain(down).filter(|&(a, b): &(i32, i32)| a <= 16 && b <= 16) {
                    breaks[broken(Dial::Ring, from, to).unwrap().contact] += 1;
                }
                assert!(breaks.iter().all(|&n| 2 * n <= breaks.iter().sum()), "{low} {span} {breaks:?}");
            }
        }
    }

    #[test]
    fn what_is_no_step_breaks_nothing() {
        assert_eq!(broken(Dial::Ring, 3, 5), None);
        assert_eq!(broken(Dial::Ring, 16, 17), None);
        assert_eq!(standing(Dial::Ring, 17), None);
    }

    #[test]
    fn the_reversing_switch_moves_on_the_far_side_of_neutral() {
        assert!(reverses(1, -1) && reverses(-1, 3));
        assert!(!reverses(1, 0) && !reverses(1, 2) && !reverses(0, -1));
    }
}
