//! The simulated year, looked at as a whole.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use chain::canon;
use shopfloor::catalogue::{CATALOGUE, Origin};
use shopfloor::{Envelope, Event};

use super::super::check::{Record, check};
use super::super::rehearsal::{Rehearsal, rehearse};
use super::stock::Stock;
use super::*;

/// The year of the default seed and its rehearsal, made once.
fn year() -> &'static (Script, Rehearsal) {
    static YEAR: OnceLock<(Script, Rehearsal)> = OnceLock::new();
    YEAR.get_or_init(|| {
        let script = script(Options::default());
        let rehearsal = rehearse(&script);
        (script, rehearsal)
    })
}

/// Everything that is sent, as one text; entry numbers stand as event numbers.
fn text(script: &Script) -> String {
    let mut text = String::new();
    for post in &script.posts {
        text.push_str(&format!("{} {} {:?} {}\n", post.at, post.client, post.mode, post.strict));
        for item in &post.items {
            let event = item.event.fill(|no| Some(no.0 as u64)).expect("every hole is filled");
            text.push_str(&format!("{event} {:?}\n", item.expect));
        }
    }
    text
}

fn outcomes(script: &Script, rehearsal: &Rehearsal) -> Vec<super::super::check::Outcome> {
    let mut kinds: BTreeMap<String, usize> = BTreeMap::new();
    for fact in &rehearsal.facts {
        *kinds.entry(fact.event.kind().name.to_owned()).or_default() += 1;
    }
    kinds.extend(rehearsal.own.iter().map(|(name, count)| ((*name).to_owned(), *count)));
    let record = Record {
        played: &rehearsal.played,
        state: &rehearsal.state,
        facts: &rehearsal.facts,
        kinds: &kinds,
        now: script.ends,
    };
    check(script, &record)
}

#[test]
fn one_seed_gives_the_same_bytes_and_another_seed_others() {
    let (first, _) = year();
    assert_eq!(text(first), text(&script(Options::default())));
    assert_ne!(text(first), text(&script(Options { seed: 2, ..Options::default() })));
}

#[test]
fn the_year_is_as_large_as_promised_and_every_event_reads_strictly() {
    let (script, _) = year();
    assert!(script.events() >= 25_000, "{} events", script.events());
    for item in script.items() {
        let event = item.event.fill(|no| Some(no.0 as u64)).unwrap();
        let value = canon::parse(event.as_bytes()).unwrap();
        if let Err(refusal) = Envelope::read(&value) {
            panic!("{refusal} at {}: {event}", refusal.pointer);
        }
    }
    let more = super::script(Options { readings_a_shift: 2, ..Options::default() });
    assert!(more.events() > script.events() + 5_000, "more readings make more events");
}

#[test]
fn every_kind_of_work_is_in_it() {
    // Keys of clients are enrolled where terminals sign; the shop's do not.
    const LEFT_OUT: [&str; 2] = ["key.enrolled", "key.revoked"];
    let (_, rehearsal) = year();
    let seen: BTreeSet<&str> = rehearsal.facts.iter().map(|f| f.event.kind().name).collect();
    let wanted = CATALOGUE.iter().filter(|kind| kind.origin != Origin::Log).map(|kind| kind.name);
    let missing: Vec<&str> =
        wanted.filter(|name| !seen.contains(name) && !LEFT_OUT.contains(name)).collect();
    assert!(missing.is_empty(), "never recorded: {missing:?}");
}

#[test]
fn mass_is_conserved_and_no_place_holds_less_than_nothing() {
    for seed in [1, 2, 3] {
        let shop = live(Options { seed, ..Options::default() });
        let stock: &Stock = &shop.stock;
        assert_eq!(stock.total_g(), 0, "seed {seed}");
        for (place, truth_g, book_g) in stock.overdrawn() {
            // A bag or tray that is emptied by one weighing may be off by a few steps of the scale.
            assert!(truth_g >= 0, "seed {seed}: `{place}` truly holds {truth_g} g");
            assert!(book_g > -200, "seed {seed}: `{place}` holds {book_g} g by the book");
        }
    }
}

#[test]
fn posts_are_sent_in_order_and_name_only_what_was_sent_before() {
    let (script, _) = year();
    let mut sent: BTreeSet<EventNo> = BTreeSet::new();
    for pair in script.posts.windows(2) {
        assert!(pair[0].at <= pair[1].at);
    }
    for item in script.items() {
        for needed in item.event.needs() {
            assert!(sent.contains(&needed), "event {} names event {}", item.no.0, needed.0);
        }
        sent.insert(item.no);
    }
    let (first, last) = (script.posts[0].at, script.posts[script.posts.len() - 1].at);
    assert!(script.begins <= first && last <= script.ends);
}

#[test]
fn nobody_works_outside_the_role_of_the_token() {
    let (script, rehearsal) = year();
    let surprises: Vec<_> = rehearsal.played.surprises(script).take(5).collect();
    assert!(surprises.is_empty(), "{surprises:?}");
}

#[test]
fn every_trouble_is_planted_and_leaves_what_it_must() {
    for seed in [1, 2, 3] {
        let made;
        let (script, rehearsal) = if seed == 1 {
            let (script, rehearsal) = year();
            (script, rehearsal)
        } else {
            let script = script(Options { seed, ..Options::default() });
            made = (rehearse(&script), script);
            (&made.1, &made.0)
        };
        let planted: Vec<&str> = script.troubles.iter().map(|t| t.id).collect();
        for name in trouble_names() {
            let times = planted.iter().filter(|p| **p == name).count();
            assert_eq!(times, 1, "seed {seed}: trouble `{name}`");
        }
        for outcome in outcomes(script, rehearsal) {
            assert!(outcome.ok, "seed {seed}: {outcome:?}");
        }
    }
}

#[test]
fn a_shop_in_order_raises_no_other_findings() {
    /// What a well-kept shop has all the same: work a day late, counts of bins out of which dust was
    /// vacuumed, whose mass no scale stands behind, and notes of a control chart, which signals by
    /// chance now and then.
    const ORDINARY: [&str; 3] =
        ["equipment.done_late", "powder.count_undecided", "powder.sieve_trend"];
    let (script, rehearsal) = year();
    let planted: BTreeSet<&str> = script
        .troubles
        .iter()
        .flat_map(|t| &t.must)
        .filter_map(|must| match must {
            Must::Finding { rule, .. } => Some(*rule),
            Must::Settled { .. }
            | Must::Answer { .. }
            | Must::Entry { .. }
            | Must::Amended { .. }
            | Must::Overdue { .. }
            | Must::OutOfOrder { .. }
            | Must::Suspect { .. }
            | Must::Category { .. }
            | Must::ReceiptOverdue { .. }
            | Must::Incident { .. }
            | Must::Unaccepted { .. } => None,
        })
        .collect();
    for finding in rehearsal.findings() {
        let rule = finding.rule.as_str();
        let known = planted.contains(rule) || ORDINARY.contains(&rule);
        assert!(known, "entry {}: {rule}: {}", finding.seq, finding.detail);
    }
}

#[test]
fn words_reach_the_log_as_commitments_only() {
    let (script, rehearsal) = year();
    let all = text(script);
    for deposit in &script.deposits {
        assert!(!all.contains(&deposit.text), "`{}` stands in an event", deposit.text);
    }
    let remarks = rehearsal.facts.iter().filter(|f| matches!(f.event, Event::NoteAdded(_)));
    assert!(remarks.count() > 50);
}
