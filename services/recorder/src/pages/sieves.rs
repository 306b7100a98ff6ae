//! One sieve: its passes since it was fitted, and whether yield and oversize stay within the limits
//! of its first passes (C22), as charts beside the table of the same figures.

use actix_web::{HttpRequest, HttpResponse, web};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive as _;
use shopfloor::ids::Label;
use shopfloor::powder::AsOf;
use shopfloor::powder::sieving::{BASELINE_USES, SieveTrend, SieveUse, TrendLimits, Watched};

use super::parts::{Block, BlocksPage, Cell, ControlChart, Table, facts};
use super::things::{mass, visible};
use super::visit::{self, Fault, Shown, Visit};
use super::words::Words;

/// Most passes of the table; the API has all.
const ROWS_MAX: usize = 200;

/// A sieve by its serial.
pub(crate) async fn sieve(request: HttpRequest, serial: web::Path<String>) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        let serial = Label::new(&serial).map_err(|_| Fault::NotFound)?;
        let asked = visit.recorder.log.ask(|state| {
            let trend = state.powder.sieve_trend(&serial, AsOf::Now).ok()?;
            Some((trend, state.as_of))
        });
        let (trend, as_of) = asked.ok_or(Fault::NotFound)?;
        let mut entries: Vec<u64> = trend.fitted_by.into_iter().collect();
        entries.extend(trend.uses.last().map(|used| used.entry));
        visible(visit, &entries)?;
        page(visit, &trend, as_of)
    })
    .await
}

fn page(visit: &Visit, trend: &SieveTrend, as_of: u64) -> Shown {
    let words = visit.words;
    let mut blocks = vec![
        head(visit, trend),
        Block::Doing(vec![(
            format!("/impact?suspect=sieve/{}", trend.sieve),
            words.t("impact.go").to_owned(),
        )]),
    ];
    for figure in Watched::ALL {
        match chart(words, trend, *figure) {
            Some(drawing) => blocks.push(drawing),
            None => {
                let text = words.n("sieve.no_limits", BASELINE_USES);
                let figure = words.code("watched", figure.as_str());
                blocks.push(Block::Words(format!("{figure}: {text}")));
            }
        }
    }
    blocks.push(Block::Table(passes(visit, trend)));
    visit.page(&BlocksPage {
        top: visit.top(words.n("sieve.title", &trend.sieve), Some(as_of)),
        lead: words.t("sieve.lead").to_owned(),
        blocks,
    })
}

fn head(visit: &Visit, trend: &SieveTrend) -> Block {
    let words = visit.words;
    let last = trend.uses.last();
    let aperture = last.map(|used| {
        let unit = words.code("unit", used.aperture.unit());
        let spec = used.spec_id.as_ref().map(|spec| format!(", {spec}")).unwrap_or_default();
        format!("{} {unit}{spec}", words.number(used.aperture.digits()))
    });
    let standing = match trend.alarms.len() {
        0 => Cell::Text(words.t("sieve.within").to_owned()),
        outside => Cell::Strong(words.n("sieve.outside", outside)),
    };
    facts(
        words,
        vec![
            ("standing", standing),
            (
                "station",
                last.map_or_else(|| Cell::maybe(None::<Label>), |u| Cell::subject(&u.station)),
            ),
            ("aperture", Cell::maybe(aperture)),
            ("passes", Cell::Text(trend.uses_total.to_string())),
            ("rests_on", Cell::Entries(trend.fitted_by.into_iter().collect())),
        ],
    )
}

fn limits(trend: &SieveTrend, figure: Watched) -> Option<&TrendLimits> {
    match figure {
        Watched::OversizePercent => trend.oversize_percent.as_ref(),
        Watched::KgPerMin => trend.kg_per_min.as_ref(),
    }
}

fn value(used: &SieveUse, figure: Watched) -> Option<Decimal> {
    match figure {
        Watched::OversizePercent => used.oversize_percent,
        Watched::KgPerMin => used.kg_per_min,
    }
}

fn unit(figure: Watched) -> &'static str {
    match figure {
        Watched::OversizePercent => "%",
        Watched::KgPerMin => "kg/min",
    }
}

fn shown(words: &'static Words, value: Decimal) -> String {
    words.number(&value.round_dp(3).normalize().to_string())
}

/// A figure over the passes, with its limits.
fn chart(words: &'static Words, trend: &SieveTrend, figure: Watched) -> Option<Block> {
    let limits = limits(trend, figure)?;
    let outside = |entry: u64| trend.alarms.iter().any(|a| a.entry == entry && a.figure == figure);
    let points = trend
        .uses
        .iter()
        .filter_map(|used| Some((value(used, figure)?.to_f64()?, outside(used.entry))))
        .collect();
    let title = format!("{} ({})", words.code("watched", figure.as_str()), unit(figure));
    let limit = |key: &str, at: Decimal| {
        Some((at.to_f64()?, format!("{} {}", words.t(key), shown(words, at))))
    };
    let chart = ControlChart {
        title: &title,
        points,
        low: limit("sieve.low", limits.low)?,
        mean: limit("sieve.mean", limits.mean)?,
        high: limit("sieve.high", limits.high)?,
        first: words.n("sieve.pass", trend.uses_total - trend.uses.len() + 1),
        last: words.n("sieve.pass", trend.uses_total),
    };
    Some(Block::Drawing { svg: chart.svg()?, title })
}

/// The newest passes, each with its entry and what was said of it.
fn passes(visit: &Visit, trend: &SieveTrend) -> Table {
    let words = visit.words;
    let zone = visit.recorder.log.ask(|state| visit.zone(state, None));
    let figure = |used: &SieveUse, figure: Watched| {
        Cell::Number(value(used, figure).map_or_else(|| "–".to_owned(), |v| shown(words, v)))
    };
    let rows = trend.uses.iter().rev().take(ROWS_MAX).map(|used| {
        let alarms = trend.alarms.iter().filter(|a| a.entry == used.entry);
        let told: Vec<String> = alarms
            .map(|a| {
                let side = if a.above { "sieve.above" } else { "sieve.below" };
                words.t(side).replace("{n}", &words.code("watched", a.figure.as_str()))
            })
            .collect();
        let standing = if trend.baseline.contains(&used.entry) {
            Cell::Text(words.t("sieve.baseline").to_owned())
        } else if told.is_empty() {
            Cell::Text(String::new())
        } else {
            Cell::Strong(told.join("; "))
        };
        vec![
            Cell::Text(words.moment(used.time_ms, &zone)),
            Cell::subject(&used.station),
            Cell::Number(mass(visit, &used.through)),
            Cell::Number(mass(visit, &used.oversize)),
            figure(used, Watched::OversizePercent),
            figure(used, Watched::KgPerMin),
            standing,
            Cell::Entries(vec![used.entry]),
        ]
    });
    let columns = [
        "done",
        "station",
        "through",
        "oversize",
        "oversize_percent",
        "kg_per_min",
        "standing",
        "entry",
    ];
    Table::new(words, "sieve.passes", &columns).with(rows)
}
