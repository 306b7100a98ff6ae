//! A sample that anybody can draw again: a zero-acceptance plan, the head of the log as its seed, and
//! the items to look at (C10).

use actix_web::{HttpRequest, HttpResponse, web};

use super::parts::{Block, BlocksPage, Cell, Form, Select, Table, facts};
use super::visit::{self, Fault, Shown, Visit};
use super::words::{Words, digits};
use crate::api::powder::{Sample, SampleQuery, sampled};
use crate::problem::Kind;

/// What can be sampled, as in the API.
const SAMPLED: &[&str] = &["containers", "lots", "entries"];

/// What is asked for; empty until the form is sent.
#[derive(Debug, Clone, Default, serde::Deserialize)]
pub(crate) struct Asked {
    of: Option<String>,
    #[serde(default)]
    bad: String,
    #[serde(default)]
    risk: String,
}

/// The plan and the draw.
pub(crate) async fn samples(request: HttpRequest, query: web::Query<Asked>) -> HttpResponse {
    visit::show(&request, "powder", async |visit| page(visit, &query).await).await
}

async fn page(visit: &Visit, asked: &Asked) -> Shown {
    // A draw out of a part of the shop would not be a draw out of all of it.
    if visit.who.sites.is_some() {
        return Err(Fault::Forbidden);
    }
    let words = visit.words;
    let mut blocks = vec![Block::Form(form(words, asked))];
    let mut as_of = None;
    if let Some(of) = &asked.of {
        let risk = digits(&asked.risk);
        let bad = asked.bad.trim().parse().unwrap_or(0);
        let query = SampleQuery { of: of.clone(), bad, risk: Some(risk) };
        match sampled(&visit.recorder, query).await {
            Ok(sample) => {
                as_of = Some(sample.entries);
                blocks.extend(drawn(words, &sample));
            }
            Err(problem) if problem.kind == Kind::BadParameter => {
                blocks.insert(0, Block::Notice(words.t("sample.wrong").to_owned()));
            }
            Err(problem) => return Err(problem.into()),
        }
    }
    let top = visit.top(words.t("sample.title"), as_of);
    visit.page(&BlocksPage { top, lead: words.t("sample.lead").to_owned(), blocks })
}

fn form(words: &'static Words, asked: &Asked) -> Form {
    let mut form = Form::get("/samples", words.t("sample.draw"));
    let chosen = asked.of.as_deref().unwrap_or(SAMPLED[0]);
    let mut options: Vec<&str> = SAMPLED.to_vec();
    // What was asked for is offered first.
    options.sort_by_key(|of| *of != chosen);
    let options = options.into_iter().map(|of| (of.to_owned(), words.code("sampled", of)));
    let (label, options) = (words.t("sample.of").to_owned(), options.collect());
    form.selects.push(Select { name: "of", label, options });
    for (name, given, usual) in [("bad", &asked.bad, "1"), ("risk", &asked.risk, "0.05")] {
        let value = if given.is_empty() { words.number(usual) } else { given.clone() };
        form.texts.push((name.into(), words.t(&format!("sample.{name}")).into(), value));
    }
    form
}

fn drawn(words: &'static Words, sample: &Sample) -> Vec<Block> {
    let plan = words
        .t("sample.plan")
        .replace("{size}", &sample.size.to_string())
        .replace("{all}", &sample.items_total.to_string());
    let missed = (sample.missed * rust_decimal::Decimal::ONE_HUNDRED).normalize();
    let head = facts(
        words,
        vec![
            ("plan", Cell::Text(plan)),
            ("missed", Cell::Text(format!("{} %", words.number(&missed.to_string())))),
            ("seed", Cell::Text(sample.seed.clone())),
            ("entries_in_all", Cell::Text(sample.entries.to_string())),
        ],
    );
    let item = |name: &String| match sample.of.as_str() {
        "containers" => Cell::Link { href: format!("/containers/{name}"), text: name.clone() },
        "lots" => Cell::Link { href: format!("/lots/{name}"), text: name.clone() },
        _ => Cell::Link { href: format!("/entries/{name}"), text: name.clone() },
    };
    // Numbers in order of size; labels are in their order already.
    let mut names: Vec<&String> = sample.drawn.iter().collect();
    if sample.of == "entries" {
        names.sort_by_key(|seq| seq.len());
    }
    let rows =
        (1..).zip(names).map(|(n, name): (usize, _)| vec![Cell::Number(n.to_string()), item(name)]);
    let table = Table::new(words, "sample.drawn", &["number", "what"]).with(rows);
    vec![head, Block::Table(table), Block::Words(words.t("sample.again").to_owned())]
}
