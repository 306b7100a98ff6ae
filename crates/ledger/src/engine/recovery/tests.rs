//! The end-of-log table over every combination of its inputs, and the rows by their numbers.

use super::*;

const PLACES: [Place; 7] = [
    Place::End,
    Place::Junk,
    Place::Stale,
    Place::WrongLink,
    Place::WrongSeq,
    Place::NotCanonical,
    Place::TrailerContradicts,
];
const NEXTS: [Next; 3] = [Next::None, Next::Zeros, Next::Content];

fn every_combination() -> impl Iterator<Item = Facts> {
    PLACES.into_iter().flat_map(|place| {
        NEXTS.into_iter().flat_map(move |next| {
            (0..16_u8).map(move |bits| Facts {
                place,
                batch_open: bits & 1 != 0,
                covered: bits & 2 != 0,
                later_batch: bits & 4 != 0,
                sealed: bits & 8 != 0,
                next,
            })
        })
    })
}

#[test]
fn every_combination_keeps_the_promises() {
    let mut seen = [0_usize; 4];
    for facts in every_combination() {
        let decision = decide(facts);
        let tail = facts.next != Next::Content && !facts.sealed;
        match decision {
            Decision::GoOn => {
                seen[0] += 1;
                assert!(facts.sealed && facts.next == Next::Content, "{facts:?}");
                assert!(facts.place == Place::End && !facts.batch_open, "{facts:?}");
            }
            Decision::Open => {
                seen[1] += 1;
                assert!(facts.place == Place::End && !facts.batch_open, "{facts:?}");
                assert!(!facts.covered && facts.next != Next::Content, "{facts:?}");
            }
            Decision::Cut => {
                seen[2] += 1;
                assert!(tail && !facts.covered, "nothing covered or sealed is cut: {facts:?}");
                let torn = matches!(facts.place, Place::Junk | Place::Stale);
                assert!(torn != (facts.place == Place::End), "{facts:?}");
                assert!(!(torn && facts.later_batch), "no hole is cut out: {facts:?}");
                assert!(torn || facts.batch_open, "{facts:?}");
            }
            Decision::Stop(_) => {
                seen[3] += 1;
                // Stopping without need would keep a shop from working after a plain crash.
                let crash = matches!(facts.place, Place::End | Place::Junk | Place::Stale)
                    && tail
                    && !facts.covered
                    && (facts.place == Place::End || !facts.later_batch);
                assert!(!crash, "a crash can leave this: {facts:?}");
            }
        }
    }
    assert_eq!(seen.iter().sum::<usize>(), 7 * 3 * 16);
    assert!(seen.iter().all(|count| *count > 0), "{seen:?}");
}

#[test]
fn the_rows_of_the_end_of_log_table() {
    use Decision::{Cut, Open, Stop};
    let plain = Facts {
        place: Place::End,
        batch_open: false,
        covered: false,
        later_batch: false,
        sealed: false,
        next: Next::None,
    };
    let covered = Facts { covered: true, ..plain };
    let junk = Facts { place: Place::Junk, ..plain };
    let at = |place| Facts { place, ..plain };
    let sealed = Facts { sealed: true, ..plain };
    // Row numbers: `DURABILITY.md`, "The end of a log".
    let rows = [
        ("E1", plain, Open),
        ("E1, n < W", covered, Stop(StopCause::Shorter)),
        ("E2", junk, Cut),
        ("E2, n < W", Facts { covered: true, ..junk }, Stop(StopCause::Damaged)),
        ("E3", at(Place::Stale), Cut),
        ("E3, n < W", Facts { covered: true, ..at(Place::Stale) }, Stop(StopCause::Damaged)),
        ("E4, no trailer", Facts { batch_open: true, ..plain }, Cut),
        ("E4, no trailer, n < W", Facts { batch_open: true, ..covered }, Stop(StopCause::Shorter)),
        ("E9", at(Place::WrongLink), Stop(StopCause::WrongLink)),
        ("E10, seq", at(Place::WrongSeq), Stop(StopCause::WrongSeq)),
        ("E10, form", at(Place::NotCanonical), Stop(StopCause::NotCanonical)),
        ("E11", Facts { later_batch: true, ..junk }, Stop(StopCause::Hole)),
        ("E12", Facts { batch_open: true, ..junk }, Cut),
        ("E13, zeros", Facts { next: Next::Zeros, ..plain }, Open),
        ("E13, content", Facts { next: Next::Content, ..plain }, Stop(StopCause::NotSealed)),
        ("E14", sealed, Open),
        ("E14, n < W", Facts { covered: true, ..sealed }, Stop(StopCause::Shorter)),
        ("sealed and damaged", Facts { sealed: true, ..junk }, Stop(StopCause::Damaged)),
    ];
    for (row, facts, expected) in rows {
        assert_eq!(decide(facts), expected, "{row}: {facts:?}");
    }
}
