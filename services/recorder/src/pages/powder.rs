//! Powder as a whole: genealogy as a picture, what something bad reached and what is done about it.

use actix_web::{HttpRequest, HttpResponse, web};
use report::pdf::Language;
use serde::Deserialize;
use serde_json::json;
use shopfloor::ids::{Label, Place};
use shopfloor::powder::events::LotDecision;
use shopfloor::powder::genealogy::Reach;
use shopfloor::powder::impact::{Impact, ImpactQuestion};
use shopfloor::powder::lineage::{BoxKind, Direction, LAYERS_DEFAULT, Lineage, LineageBox};
use shopfloor::powder::{AsOf, MoveKind, Unanswered};

use super::parts::{Block, BlocksPage, Cell, Choice, Form, Select, Table, facts, place_href};
use super::record::compose::{self, Answers, answer};
use super::record::{self, Taken};
use super::things::{mass, percent, place_cell};
use super::visit::{self, Fault, Shown, Visit, encoded};
use super::words::Words;
use crate::api::powder::{BOXES_DEFAULT, PictureQuery, clock_uncertainty, suspect};
use crate::api::reports::compiled;
use crate::log::Handling;
use crate::reports::Form as ReportForm;

/// Most rows of a table here; the API has all.
const ROWS_MAX: usize = 200;
/// Why powder is held. Common practice, no source.
const REASONS: &[&str] =
    &["torn_sieve", "foreign_matter", "wrong_lot", "failed_test", "scale_wrong", "other"];

/// The language of a printed or drawn form.
pub(crate) fn language(words: &Words) -> Language {
    if words.lang == "de" { Language::German } else { Language::English }
}

/// Where something came from or went.
pub(crate) async fn trace(request: HttpRequest, query: web::Query<PictureQuery>) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        // Powder crosses sites: a trace is for those who may see every one.
        if visit.who.sites.is_some() {
            return Err(Fault::Forbidden);
        }
        let question = query.read()?;
        let asked = visit
            .recorder
            .log
            .ask(|state| state.powder.lineage(&question).map(|lineage| (lineage, state.as_of)));
        let (lineage, as_of) = asked.map_err(crate::problem::Problem::from)?;
        let words = visit.words;
        let svg = picture(visit, &lineage);
        let title = words.t(match lineage.direction {
            Direction::Back => "trace.back",
            Direction::Forward => "trace.forward",
        });
        let title = title.replace("{n}", &lineage.of);
        let mut links = vec![(
            address(&lineage.of, other(lineage.direction), 0),
            words.t(&format!("trace.go_{}", other(lineage.direction))).to_owned(),
        )];
        links.extend(lineage.next_skip.map(|skip| {
            (address(&lineage.of, lineage.direction, skip), words.t("trace.next").to_owned())
        }));
        let told = words
            .t("trace.told")
            .replace("{places}", &lineage.places_total.to_string())
            .replace("{moves}", &lineage.moves_total.to_string())
            .replace("{layers}", &lineage.layers_total.to_string());
        let blocks = vec![
            Block::Doing(links),
            Block::Words(told),
            Block::Drawing { title: title.clone(), svg },
            Block::Table(box_table(visit, &lineage)),
        ];
        visit.page(&BlocksPage {
            top: visit.top(title, Some(as_of)),
            lead: words.t("trace.lead").to_owned(),
            blocks,
        })
    })
    .await
}

fn other(direction: Direction) -> Direction {
    match direction {
        Direction::Back => Direction::Forward,
        Direction::Forward => Direction::Back,
    }
}

/// The page of a trace.
pub(crate) fn address(of: &str, direction: Direction, skip: usize) -> String {
    let skip = if skip > 0 { format!("&skip={skip}") } else { String::new() };
    format!("/trace?of={}&direction={direction}{skip}", encoded(of))
}

/// A genealogy drawn for a page, its boxes leading to the pages of what they are.
pub(crate) fn picture(visit: &Visit, lineage: &Lineage) -> String {
    let words = visit.words;
    let href = |of: &LineageBox| match of.kind {
        BoxKind::Lot => of.name.strip_prefix("lot/").map(|lot| format!("/lots/{lot}")),
        BoxKind::Place => of.name.parse::<Place>().ok().and_then(|place| place_href(&place)),
        BoxKind::Unknown | BoxKind::Rest | BoxKind::Earlier | BoxKind::Later => None,
    };
    let kind = |kind: MoveKind| words.code("move", kind.as_str());
    report::lineage::svg(
        lineage,
        &report::lineage::Drawn {
            language: language(words),
            alone: false,
            href: &href,
            kind: Some(&kind),
        },
    )
}

/// The figures of a picture as a table.
fn box_table(visit: &Visit, lineage: &Lineage) -> Table {
    let words = visit.words;
    let rows = lineage.boxes.iter().enumerate().take(ROWS_MAX).map(|(number, b)| {
        let name = match b.kind {
            BoxKind::Lot => match b.name.strip_prefix("lot/") {
                Some(lot) => Cell::Link { href: format!("/lots/{lot}"), text: b.name.clone() },
                None => Cell::Text(b.name.clone()),
            },
            BoxKind::Place => place_cell(&b.name),
            BoxKind::Unknown => Cell::Strong(b.name.clone()),
            BoxKind::Rest | BoxKind::Earlier | BoxKind::Later => {
                Cell::Text(words.n(&format!("trace.{}", b.kind), b.places))
            }
        };
        let into = lineage.lines.iter().filter(|line| line.into == number);
        let mut entries: Vec<u64> = into.flat_map(|line| line.entries.iter().copied()).collect();
        entries.sort_unstable();
        entries.dedup();
        vec![
            Cell::Number((b.layer + 1).to_string()),
            name,
            Cell::Number(mass(visit, &b.mass)),
            Cell::Number(percent(words, &b.fraction)),
            Cell::Entries(entries),
        ]
    });
    Table::new(words, "trace.boxes", &["layer", "place", "mass", "share", "entries"]).with(rows)
}

/// What is asked of an impact, as it stands in the address and travels in the forms of the page.
#[derive(Debug, Clone, Default, Deserialize)]
pub(crate) struct Asked {
    #[serde(default)]
    suspect: String,
    /// Entry that found it failed; empty: the latest.
    #[serde(default)]
    found: String,
    /// Uncertainty of the clocks in minutes; empty: none.
    #[serde(default)]
    clock_min: String,
}

impl Asked {
    fn of(answers: &Answers) -> Result<Self, Fault> {
        let given = |name: &str| answer(answers, name).unwrap_or_default().to_owned();
        let suspect = answer(answers, "suspect").ok_or(Fault::NotFound)?.to_owned();
        Ok(Self { suspect, found: given("found"), clock_min: given("clock_min") })
    }

    /// The question, or what is wrong with it, as a key of the messages.
    fn question(&self) -> Result<ImpactQuestion, &'static str> {
        let suspect = suspect(self.suspect.trim()).ok_or("impact.no_suspect")?;
        let found = match self.found.trim() {
            "" => None,
            seq => Some(seq.trim_start_matches('#').parse().map_err(|_| "impact.no_entry")?),
        };
        let minutes: i64 = match self.clock_min.trim() {
            "" => 0,
            minutes => minutes.parse().map_err(|_| "impact.no_minutes")?,
        };
        let ms = minutes.checked_mul(60_000).ok_or("impact.no_minutes")?;
        let clock_uncertainty_ms = clock_uncertainty(Some(ms)).map_err(|_| "impact.no_minutes")?;
        Ok(ImpactQuestion { suspect, found, clock_uncertainty_ms })
    }
}

/// What a torn sieve, a wrong scale or a bad lot reached.
pub(crate) async fn impact(request: HttpRequest, query: web::Query<Asked>) -> HttpResponse {
    visit::show(&request, "powder", async |visit| impact_page(visit, &query, None)).await
}

/// The latest answer to a question about what is suspect; the inner error is a key of the messages.
fn ask(visit: &Visit, asked: &Asked) -> Result<Result<(Impact, u64), &'static str>, Fault> {
    if visit.who.sites.is_some() {
        return Err(Fault::Forbidden);
    }
    let question = match asked.question() {
        Ok(question) => question,
        Err(wrong) => return Ok(Err(wrong)),
    };
    let answer = visit
        .recorder
        .log
        .ask(|state| state.powder.impact(&question, AsOf::Now).map(|impact| (impact, state.as_of)));
    match answer {
        Ok(found) => Ok(Ok(found)),
        Err(Unanswered::Entry(_)) => Ok(Err("impact.no_entry")),
        Err(Unanswered::Sieve(_) | Unanswered::Scale(_) | Unanswered::Lot(_)) => {
            Ok(Err("impact.unknown"))
        }
        Err(unanswered) => Err(crate::problem::Problem::from(unanswered).into()),
    }
}

/// The form that asks, filled in as it was asked.
fn impact_form(words: &'static Words, asked: &Asked) -> Block {
    let mut form = Form::get("/impact", words.t("impact.ask"));
    let suspect = if asked.suspect.is_empty() { "sieve/" } else { &asked.suspect };
    form.texts = [("suspect", suspect), ("found", &asked.found), ("clock_min", &asked.clock_min)]
        .into_iter()
        .map(|(name, given)| {
            let label = words.t(&format!("impact.{name}")).to_owned();
            (name.to_owned(), label, given.to_owned())
        })
        .collect();
    Block::Form(form)
}

fn impact_page(visit: &Visit, asked: &Asked, refused: Option<String>) -> Shown {
    let words = visit.words;
    let lead = words.t("impact.lead").to_owned();
    let form = impact_form(words, asked);
    let answered = match asked.suspect.is_empty() {
        true => Err(None),
        false => ask(visit, asked)?.map_err(Some),
    };
    let (impact, as_of) = match answered {
        Ok(answered) => answered,
        Err(wrong) => {
            let wrong = wrong.map(|key| Block::Notice(words.t(key).to_owned()));
            let top = visit.top(words.t("impact.title"), None);
            let blocks = wrong.into_iter().chain([form]).collect();
            return visit.page(&BlocksPage { top, lead, blocks });
        }
    };
    let mut blocks = Vec::new();
    blocks.extend(refused.map(Block::Notice));
    blocks.push(window_facts(visit, asked, &impact));
    blocks.push(Block::Words(words.t("impact.ties").to_owned()));
    blocks.extend(scope_blocks(visit, asked, &impact));
    reach_tables(visit, &impact, &mut blocks);
    blocks.push(form);
    let top = visit.top(words.n("impact.of", &impact.suspect), Some(as_of));
    visit.page(&BlocksPage { top, lead, blocks })
}

fn window_facts(visit: &Visit, asked: &Asked, impact: &Impact) -> Block {
    let words = visit.words;
    let zone = visit.recorder.log.ask(|state| visit.zone(state, None));
    let moment = |ms: Option<i64>| Cell::maybe(ms.map(|ms| words.moment(ms, &zone)));
    let reach = &impact.reach;
    let standing = if impact.settled {
        Cell::Text(words.t("impact.settled").to_owned())
    } else {
        let told = words
            .t("impact.open")
            .replace("{hold}", &reach.to_hold_total.to_string())
            .replace("{wait}", &reach.on_hold_total.to_string());
        Cell::Strong(told)
    };
    facts(
        words,
        vec![
            ("standing", standing),
            ("window_start", Cell::Text(words.code("window", impact.window_start.as_str()))),
            ("good_until", moment(impact.from_ms)),
            ("failed_at", moment(impact.to_ms)),
            (
                "clock_uncertainty",
                Cell::Text(match asked.clock_min.trim() {
                    "" | "0" => words.t("impact.no_uncertainty").to_owned(),
                    minutes => format!("± {minutes} min"),
                }),
            ),
            ("shipped", Cell::Text(mass(visit, &reach.shipped))),
            (
                "rests_on",
                Cell::Entries(impact.good_entry.into_iter().chain(impact.failed_entry).collect()),
            ),
        ],
    )
}

/// What is to be held, and what waits for a decision, with the forms for it.
fn scope_blocks(visit: &Visit, asked: &Asked, impact: &Impact) -> Vec<Block> {
    let words = visit.words;
    let reach = &impact.reach;
    let mut blocks = Vec::new();
    let choices = |places: &mut dyn Iterator<Item = String>| -> Vec<Choice> {
        places
            .enumerate()
            .map(|(i, place)| Choice {
                name: format!("scope.{i}"),
                value: place.clone(),
                text: place,
            })
            .collect()
    };
    let reasons = |form: &mut Form| {
        let options = REASONS.iter().map(|r| ((*r).to_owned(), words.code("hold_reason", r)));
        let (label, options) = (words.t("column.reason").to_owned(), options.collect());
        form.selects.push(Select { name: "reason", label, options });
    };
    let hidden = |form: &mut Form| {
        for (name, given) in
            [("suspect", &asked.suspect), ("found", &asked.found), ("clock_min", &asked.clock_min)]
        {
            form.hidden.push((name.into(), given.clone()));
        }
        form.hidden.push(("id".into(), uuid::Uuid::new_v4().to_string()));
    };
    if visit.may_record("lot.held") && impact.hold_under.is_some() && !reach.to_hold.is_empty() {
        let mut form = Form::post("/impact/hold", words.t("impact.hold"));
        form.title = words.n("impact.to_hold", reach.to_hold_total);
        form.choices = choices(&mut reach.to_hold.iter().map(ToString::to_string));
        hidden(&mut form);
        reasons(&mut form);
        blocks.push(Block::Form(form));
    }
    let held = held_places(reach);
    if visit.may_record("lot.disposed_of") && !held.is_empty() {
        let mut form = Form::post("/impact/decide", words.t("impact.decide"));
        form.title = words.n("impact.waiting", reach.on_hold_total);
        form.lead = words.t("impact.two_people").to_owned();
        form.choices = choices(&mut held.iter().map(ToString::to_string));
        hidden(&mut form);
        let decisions = LotDecision::ALL
            .iter()
            .map(|d| (d.as_str().to_owned(), words.code("decision", d.as_str())));
        let (label, options) = (words.t("impact.decision").to_owned(), decisions.collect());
        form.selects.push(Select { name: "decision", label, options });
        reasons(&mut form);
        form.second = true;
        (form.badge, form.pin) = (words.t("sign.badge"), words.t("sign.pin"));
        blocks.push(Block::Form(form));
    }
    blocks
}

/// Reached places that are on hold.
fn held_places(reach: &Reach) -> Vec<&Place> {
    reach.places.iter().filter(|p| p.on_hold).map(|p| &p.place).collect()
}

fn reach_tables(visit: &Visit, impact: &Impact, blocks: &mut Vec<Block>) {
    let words = visit.words;
    let zone = visit.recorder.log.ask(|state| visit.zone(state, None));
    let reach = &impact.reach;
    let rows = impact.uses.iter().map(|u| {
        let into: Vec<String> = u.into.iter().map(ToString::to_string).collect();
        vec![
            Cell::Text(words.moment(u.time_ms, &zone)),
            Cell::subject(&u.subject),
            Cell::Text(into.join(", ")),
            Cell::Number(mass(visit, &u.mass)),
            Cell::Entries(vec![u.entry]),
        ]
    });
    let columns = ["done", "subject", "into", "mass", "entry"];
    blocks.push(Block::Table(Table::new(words, "impact.uses", &columns).with(rows)));
    let rows = reach.builds.iter().map(|b| {
        let running = if b.running { words.t("impact.running") } else { "" };
        vec![
            Cell::Link { href: format!("/builds/{}", b.build), text: b.build.to_string() },
            Cell::Number(percent(words, &b.fraction)),
            Cell::Number(mass(visit, &b.parts)),
            Cell::Strong(running.to_owned()),
            Cell::Entries(vec![b.entry]),
        ]
    });
    let columns = ["build", "share", "parts_mass", "standing", "entry"];
    blocks.push(Block::Table(Table::new(words, "impact.builds", &columns).with(rows)));
    let rows = reach.lots.iter().map(|l| {
        vec![
            Cell::Link { href: format!("/lots/{}", l.lot), text: l.lot.to_string() },
            Cell::Number(percent(words, &l.fraction)),
            Cell::Entries(vec![l.entry]),
        ]
    });
    let columns = ["lot", "share", "entry"];
    blocks.push(Block::Table(Table::new(words, "impact.lots", &columns).with(rows)));
    let rows = reach.places.iter().map(|p| {
        let standing = match (p.on_hold, p.decided_by, p.shipped) {
            (true, _, _) => words.t("impact.on_hold"),
            (false, Some(_), _) => words.t("impact.decided"),
            (false, None, true) => words.t("impact.left"),
            (false, None, false) => "",
        };
        vec![
            Cell::place(&p.place),
            Cell::Number(mass(visit, &p.traced)),
            Cell::Number(percent(words, &p.fraction)),
            Cell::Strong(standing.to_owned()),
            Cell::Entries(p.decided_by.into_iter().chain([p.entry]).collect()),
        ]
    });
    let columns = ["place", "mass", "share", "standing", "entries"];
    blocks.push(Block::Table(Table::new(words, "impact.places", &columns).with(rows)));
    blocks.push(Block::Words(words.t("impact.bound").to_owned()));
}

/// Places that were ticked.
fn scope(answers: &Answers) -> Vec<String> {
    let mut ticked: Vec<&String> =
        answers.iter().filter(|(name, _)| name.starts_with("scope.")).map(|(_, p)| p).collect();
    ticked.sort();
    ticked.into_iter().cloned().collect()
}

/// The lot a hold is recorded under, its site, and the moment, for an event of this page.
struct About {
    lot: Label,
    site: Option<Label>,
    time: String,
    id: String,
}

fn about(visit: &Visit, answers: &Answers, lot: Label) -> Result<About, Fault> {
    let id = answer(answers, "id").ok_or(Fault::NotFound)?.to_owned();
    let (site, zone) = visit.recorder.log.ask(|state| {
        let site = state.powder.lot(&lot, AsOf::Now, visit.now).ok().and_then(|v| v.site);
        let zone = visit.zone(state, site.as_ref());
        (site, zone)
    });
    let time = compose::time(&Answers::new(), &zone, visit.now).unwrap_or_default();
    Ok(About { lot, site, time, id })
}

/// Puts the ticked places on hold: one action, recorded by whoever is signed in.
pub(crate) async fn hold(request: HttpRequest, answers: web::Form<Answers>) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        let asked = Asked::of(&answers)?;
        let (impact, _) = ask(visit, &asked)?.map_err(|_| Fault::NotFound)?;
        let lot = impact.hold_under.clone().ok_or(Fault::NotFound)?;
        let about = about(visit, &answers, lot)?;
        let reason = answer(&answers, "reason").unwrap_or("other");
        let entries: Vec<u64> = impact.failed_entry.into_iter().collect();
        let scope = scope(&answers);
        if scope.is_empty() {
            let nothing = visit.words.t("impact.nothing_ticked").to_owned();
            return impact_page(visit, &asked, Some(nothing));
        }
        let data = json!({ "reason": reason, "scope": scope, "entries": entries });
        send(visit, &asked, &about, "lot.held", &data).await.map(|(shown, _)| shown)
    })
    .await
}

/// Decides on the ticked places, with a second person.
pub(crate) async fn decide(request: HttpRequest, answers: web::Form<Answers>) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        let asked = Asked::of(&answers)?;
        let ticked: Vec<Place> = scope(&answers).iter().filter_map(|p| p.parse().ok()).collect();
        // A hold lies under one lot: what is ticked is decided on under the first that covers it.
        let lot = visit.recorder.log.ask(|state| {
            let first = ticked.first()?;
            let view = state.powder.place(first, AsOf::Now).ok()?;
            view.holds.first().map(|hold| hold.lot.clone())
        });
        let Some(lot) = lot else {
            let nothing = visit.words.t("impact.nothing_ticked").to_owned();
            return impact_page(visit, &asked, Some(nothing));
        };
        let about = about(visit, &answers, lot)?;
        let site = about.site.as_ref();
        let second = match record::second(visit, &request, &answers, site).await? {
            Ok(second) => second,
            Err(unsigned) => return impact_page(visit, &asked, Some(unsigned.why)),
        };
        let decision = answer(&answers, "decision").unwrap_or("rework");
        let reason = answer(&answers, "reason").unwrap_or("other");
        let places: Vec<String> = ticked.iter().map(ToString::to_string).collect();
        let data = json!({
            "decision": decision, "reason": reason, "scope": places,
            "decided_by": [visit.who.subject, second.subject],
        });
        let (shown, seq) = send(visit, &asked, &about, "lot.disposed_of", &data).await?;
        if let Some(seq) = seq {
            record::sign(visit, &second, seq, &about.time).await?;
        }
        Ok(shown)
    })
    .await
}

/// Records an event of this page; goes to its receipt, or shows why it was not taken.
async fn send(
    visit: &Visit,
    asked: &Asked,
    about: &About,
    name: &str,
    data: &serde_json::Value,
) -> Result<(HttpResponse, Option<u64>), Fault> {
    let subject = format!("lot/{}", about.lot);
    let event = compose::beside(&about.id, name, &subject, about.site.as_ref(), &about.time, data);
    let strict = Handling { strict: true, ..Handling::default() };
    let outcome = record::submit(&visit.recorder, &visit.who, &event, strict).await;
    let refused = match record::taken(outcome)? {
        Taken::Recorded(seq) => {
            return Ok((visit::see(format!("/record/done/{seq}")), Some(seq)));
        }
        Taken::Stopped(findings) | Taken::NotSigned(findings, _) => {
            findings.iter().map(|f| f.detail.clone()).collect::<Vec<_>>().join("; ")
        }
        Taken::Refused(why) => why,
        Taken::Mistakes(_) => String::new(),
    };
    Ok((impact_page(visit, asked, Some(refused))?, None))
}

/// The powder report of a lot as a file.
pub(crate) async fn lot_report(
    request: HttpRequest,
    path: web::Path<(String, String)>,
) -> HttpResponse {
    visit::show(&request, "lot_report", async |visit| {
        if visit.who.sites.is_some() {
            return Err(Fault::Forbidden);
        }
        let lot = Label::new(&path.0).map_err(|_| Fault::NotFound)?;
        let form = ReportForm::ALL.iter().copied().find(|form| form.as_str() == path.1);
        let form = form.ok_or(Fault::NotFound)?;
        let language = language(visit.words);
        Ok(compiled(&visit.recorder, report::About::Lot(lot), form, language, false).await?)
    })
    .await
}

/// The question that the page of a lot asks for its picture.
pub(crate) fn question(of: &str, direction: Direction) -> PictureQuery {
    PictureQuery {
        of: of.to_owned(),
        direction: Some(direction.as_str().to_owned()),
        boxes: Some(BOXES_DEFAULT / 2),
        layers: Some(LAYERS_DEFAULT / 2),
        ..PictureQuery::default()
    }
}
