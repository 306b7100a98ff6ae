//! Labels to print: one for each machine, bin, hopper and open container, with the text that the
//! pages find it by, as a QR code and in letters.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use qrcode::render::svg;
use qrcode::{EcLevel, QrCode};
use serde::Deserialize;
use shopfloor::State;
use shopfloor::ids::PlaceKind;
use shopfloor::waste::container::ContainerState;

use super::visit::{self, Fault, Shown, Top, Visit};
use crate::problem::Problem;

/// Most labels of one sheet.
const LABELS_MAX: usize = 240;

/// What can be labelled, as named in the address and in the message table `labels`.
const THINGS: &[&str] = &["machines", "vessels", "containers"];

struct Label {
    /// What the code holds.
    text: String,
    /// The label alone, in large letters.
    name: String,
    /// What it is.
    about: String,
    svg: String,
}

#[derive(Template)]
#[template(path = "labels.html")]
struct LabelsPage {
    top: Top,
    /// What can be labelled: name, words, whether it is shown.
    things: Vec<(&'static str, &'static str, bool)>,
    labels: Vec<Label>,
}

/// What is labelled.
#[derive(Debug, Deserialize)]
pub(crate) struct Wanted {
    what: Option<String>,
}

/// The sheet.
pub(crate) async fn labels(request: HttpRequest, wanted: web::Query<Wanted>) -> HttpResponse {
    visit::show(&request, "equipment", async |visit| sheet(visit, wanted.what.as_deref())).await
}

fn sheet(visit: &Visit, wanted: Option<&str>) -> Shown {
    let words = visit.words;
    let wanted = wanted.unwrap_or(THINGS[0]);
    let (told, as_of) = visit.recorder.log.ask(|state| (things(visit, state, wanted), state.as_of));
    let labels = told
        .into_iter()
        .take(LABELS_MAX)
        .map(|(text, about)| {
            let name = text.split_once('/').map_or(&*text, |(_, name)| name).to_owned();
            Ok(Label { svg: code(&text)?, name, about, text })
        })
        .collect::<Result<Vec<_>, Fault>>()?;
    visit.page(&LabelsPage {
        top: visit.top(words.t("labels.title"), Some(as_of)),
        things: THINGS
            .iter()
            .map(|thing| (*thing, words.t(&format!("labels.{thing}")), *thing == wanted))
            .collect(),
        labels,
    })
}

/// Text of the code and what the thing is.
fn things(visit: &Visit, state: &State, wanted: &str) -> Vec<(String, String)> {
    let words = visit.words;
    match wanted {
        "vessels" => {
            // Places have no site of their own: a hopper stands on the machine it is named after.
            let kinds = [PlaceKind::Hopper, PlaceKind::Bin, PlaceKind::Oversize];
            let places = state.powder.places().into_iter();
            places
                .filter(|(place, _)| kinds.contains(&place.kind))
                .map(|(p, _)| (p.to_string(), words.code("place_kind", p.kind.as_str())))
                .collect()
        }
        "containers" => {
            let here = state.waste.since(visit.now.as_millisecond()).filter(|c| {
                c.state(visit.now).0 == ContainerState::OnSite && visit.may_see(c.site())
            });
            here.map(|c| {
                let stream = c.stream().map(|s| words.n("container.stream", s));
                (format!("container/{}", c.id), stream.unwrap_or_default())
            })
            .collect()
        }
        _ => {
            let machines = state.equipment.machines().filter_map(|id| state.equipment.machine(id));
            let mine = machines.filter(|m| {
                m.registered_by.is_some()
                    && m.retired_by.is_none()
                    && visit.may_see(m.site.as_ref())
            });
            mine.map(|m| {
                (
                    format!("equipment/{}", m.machine),
                    m.title.map(|title| title.to_string()).unwrap_or_default(),
                )
            })
            .collect()
        }
    }
}

/// The code as a drawing. Medium correction: a label in a powder room gets dirty.
fn code(text: &str) -> Result<String, Fault> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M)
        .map_err(|error| Fault::Problem(Problem::internal(&error)))?;
    let drawn = code.render::<svg::Color<'_>>().quiet_zone(true).module_dimensions(4, 4).build();
    // Inside a page the drawing begins at its element.
    Ok(drawn.find("<svg").map_or_else(String::new, |at| drawn[at..].to_owned()))
}
