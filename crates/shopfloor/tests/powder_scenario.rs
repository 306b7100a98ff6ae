//! A torn sieve found on Friday, told as a log book with questions and answers: read
//! `powder_scenarios/torn_sieve_on_friday.txt`. Here stands only how the answers are worked out.

mod waste_support;

use std::collections::BTreeSet;

use rust_decimal::Decimal;
use shopfloor::ids::Place;
use shopfloor::powder::AsOf;
use shopfloor::powder::genealogy::{Page, Target};
use shopfloor::powder::impact::{Impact, ImpactQuestion, Suspect};
use shopfloor::powder::views::{HoldView, LotView};
use waste_support::{Shop, label};

const STORY: &str = include_str!("powder_scenarios/torn_sieve_on_friday.txt");

fn impact(shop: &Shop) -> Impact {
    let suspect = Suspect::Sieve(label("SV-7"));
    let question = ImpactQuestion { suspect, found: None, clock_uncertainty_ms: 0 };
    shop.state.powder.impact(&question, AsOf::Now).unwrap()
}

fn used(shop: &Shop) -> LotView {
    let lot = label("USED");
    shop.state.powder.lot(&lot, AsOf::Now, shop.noon("2027-06-01")).unwrap()
}

fn entry(seq: u64) -> String {
    format!("e{seq}")
}

fn listed<T: ToString>(places: impl IntoIterator<Item = T>) -> Vec<String> {
    let names: BTreeSet<String> = places.into_iter().map(|p| p.to_string()).collect();
    if names.is_empty() {
        return vec!["nothing".into()];
    }
    vec![names.into_iter().collect::<Vec<_>>().join(", ")]
}

/// The answer of the record to a question of the story.
fn answer(shop: &Shop, question: &str) -> Vec<String> {
    match question {
        "window" => {
            let impact = impact(shop);
            let (good, failed) = (impact.good_entry.unwrap(), impact.failed_entry.unwrap());
            vec![format!("seen whole by {}, found torn by {}", entry(good), entry(failed))]
        }
        "suspect passes" => {
            let uses = impact(shop).uses;
            let line = |u: &shopfloor::powder::impact::SuspectUse| {
                format!("{} {} kg into {}", entry(u.entry), u.mass.digits(), u.into[0])
            };
            uses.iter().map(line).collect()
        }
        "blends" => {
            let lots = impact(shop).reach.lots;
            let by = |e| entry(e);
            lots.iter()
                .map(|l| format!("{} fraction {} by {}", l.lot, l.fraction, by(l.entry)))
                .collect()
        }
        "builds" => {
            let builds = impact(shop).reach.builds;
            let line = |b: &shopfloor::powder::genealogy::ReachedBuild| {
                let what = format!("{} fraction {} by {}", b.build, b.fraction, entry(b.entry));
                match b.running {
                    true => format!("{what}, still running"),
                    false => format!("{what}, parts {} kg", b.parts.digits()),
                }
            };
            builds.iter().map(line).collect()
        }
        "suspect mass" => {
            let reach = impact(shop).reach;
            let total: Decimal = reach.where_now.iter().map(|k| k.traced.base()).sum();
            let total = total.round_dp(6).normalize();
            vec![format!("{total} kg in all, of it {} kg left the site", reach.shipped.digits())]
        }
        "left to hold" => listed(impact(shop).reach.to_hold),
        "waiting for a decision" => {
            let (impact, holds) = (impact(shop), used(shop).holds);
            let open: Vec<&HoldView> = holds.iter().filter(|h| h.ended_by.is_none()).collect();
            assert_eq!(impact.settled, open.is_empty(), "one answer, asked from two sides");
            match open[..] {
                [hold] => {
                    vec![format!("{} places, held by {}", hold.open.len(), entry(hold.entry))]
                }
                _ => vec!["nothing: every place was decided on".into()],
            }
        }
        "decisions" => {
            let holds = used(shop).holds;
            let mut lines: Vec<String> = holds
                .iter()
                .flat_map(|h| &h.decided)
                .map(|p| {
                    let place = p.place.as_ref().map(Place::to_string).unwrap_or_default();
                    format!("{place} {} by {}", p.decision, entry(p.entry))
                })
                .collect();
            lines.sort();
            lines
        }
        _ => {
            let of = question.strip_prefix("where the powder of ").unwrap_or_else(|| {
                panic!("nobody knows how to answer `{question}`");
            });
            let of: Place = of.split(' ').next().unwrap().parse().unwrap();
            let page = Page { limit: Some(500), after: None };
            let powder = &shop.state.powder;
            let back = powder.trace_back(&Target::Place(of), AsOf::Now, &page).unwrap();
            assert_eq!(back.next, None);
            let mut entries: Vec<u64> = back.edges.iter().map(|e| e.entry).collect();
            entries.dedup();
            vec![entries.into_iter().map(entry).collect::<Vec<_>>().join(" ")]
        }
    }
}

#[test]
fn torn_sieve_found_on_friday() {
    let mut shop = Shop::new("us", "Europe/Berlin");
    let lines: Vec<&str> = STORY.lines().map(str::trim).filter(|l| !l.is_empty()).collect();
    let mut asked = 0;
    let mut rest = &lines[..];
    while let Some((line, after)) = rest.split_first() {
        rest = after;
        if line.starts_with('#') {
            continue;
        }
        let Some(question) = line.strip_prefix("? ") else {
            let number = shop.facts.len();
            assert!(line.ends_with(&format!("=e{number}")), "entry {number}: {line}");
            shop.tell(line);
            continue;
        };
        let answers = rest.iter().take_while(|l| l.starts_with("= ")).count();
        let expected: Vec<&str> = rest[..answers].iter().map(|l| &l[2..]).collect();
        rest = &rest[answers..];
        assert_eq!(answer(&shop, question), expected, "? {question} (line after {line})");
        asked += 1;
    }
    assert_eq!(asked, 14, "every question of the story was asked");
}
