//! The pages: what people in the powder room, the office, an audit and an authority look at.
//!
//! Rendered here, complete without scripts; scripts add what only a browser can do: a queue for
//! when the network drops, plausibility while typing, the check of a bundle without our word. Every
//! figure leads to its entries. Deliberately absent: the pages know no way to write that the API
//! does not have, no asset comes from elsewhere, and state is told in words and measured bars.

mod assets;
mod audit;
mod balances;
mod entry;
mod handover;
mod labels;
mod lists;
mod logs;
mod parts;
mod pin;
mod powder;
mod record;
mod reports;
mod retention;
mod samples;
mod sieves;
mod signin;
mod signing_policy;
mod then;
mod things;
mod today;
mod visit;
mod waste;
mod words;

use actix_web::web::{self, ServiceConfig};
use shopfloor::people::events::Role::{
    self, Admin, Auditor, Authority, Ehs, Lead, Quality, Technician,
};

use visit::Page;

const WORK: &[Role] = &[Technician, Lead, Quality, Ehs];
const READ: &[Role] = &[Technician, Lead, Quality, Ehs, Auditor];
const OFFICE: &[Role] = &[Lead, Quality, Ehs, Auditor];
const PEOPLE: &[Role] = &[Lead, Quality, Ehs, Auditor, Admin];
const REPORTS: &[Role] = &[Lead, Quality, Ehs, Auditor, Authority];
const EVERYBODY: &[Role] = &[Technician, Lead, Quality, Ehs, Auditor, Authority, Admin];

const fn page(name: &'static str, path: &'static str, roles: &'static [Role]) -> Page {
    Page { path, name, roles, noted: false }
}

/// A page that tells of people or of waste.
const fn noted(name: &'static str, path: &'static str, roles: &'static [Role]) -> Page {
    Page { path, name, roles, noted: true }
}

/// Every page and who may open it; those with an address stand in the head of the pages.
const PAGES: &[Page] = &[
    page("today", "/", READ),
    page("record", "/record", WORK),
    page("equipment", "/equipment", READ),
    page("powder", "/powder", READ),
    noted("waste", "/waste", READ),
    page("planning", "/planning", OFFICE),
    noted("clocks", "/clocks", OFFICE),
    page("findings", "/findings", READ),
    noted("people", "/people", PEOPLE),
    noted("reports", "/reports", REPORTS),
    noted("logs", "/sites", OFFICE),
    page("audit", "/audit", EVERYBODY),
    page("lot_report", "", OFFICE),
    page("entry", "", READ),
    page("pin", "", EVERYBODY),
    page("signing_policy", "", WORK),
];

/// Most bytes of a form: every field at its longest.
const FORM_BYTES_MAX: usize = 64 << 10;

/// Registers the pages.
pub fn configure(config: &mut ServiceConfig) {
    config
        .app_data(web::FormConfig::default().limit(FORM_BYTES_MAX))
        .route("/assets/{version}/{name}", web::get().to(assets::serve))
        .route("/offline.js", web::get().to(assets::offline))
        .route("/offline", web::get().to(signin::offline))
        .route("/sign-in", web::get().to(signin::form))
        .route("/sign-in", web::post().to(signin::enter))
        .route("/sign-out", web::post().to(signin::leave))
        .route("/pin", web::get().to(pin::form))
        .route("/pin", web::post().to(pin::change))
        .route("/signing-policy", web::get().to(signing_policy::form))
        .route("/signing-policy", web::post().to(signing_policy::acknowledge))
        .route("/language", web::get().to(signin::language))
        .route("/", web::get().to(today::today))
        .route("/record", web::get().to(record::choose))
        .route("/record/waiting", web::get().to(record::waiting))
        .route("/record/for", web::get().to(record::for_task))
        .route("/record/done/{seq}", web::get().to(record::done))
        .route("/record/done/{seq}", web::post().to(record::second_signature))
        .route("/record/{kind}", web::get().to(record::form))
        .route("/record/{kind}", web::post().to(record::record))
        .route("/handover", web::get().to(handover::form))
        .route("/handover", web::post().to(handover::give))
        .route("/handover/{id}", web::get().to(handover::read))
        .route("/handover/{id}", web::post().to(handover::accept))
        .route("/equipment", web::get().to(lists::equipment))
        .route("/equipment/{id}", web::get().to(things::machine))
        .route("/powder", web::get().to(lists::powder))
        .route("/powder/balances", web::get().to(balances::balances))
        .route("/powder/{kind}/{id}", web::get().to(things::place))
        .route("/samples", web::get().to(samples::samples))
        .route("/trace", web::get().to(powder::trace))
        .route("/impact", web::get().to(powder::impact))
        .route("/impact/hold", web::post().to(powder::hold))
        .route("/impact/decide", web::post().to(powder::decide))
        .route("/lots/{id}", web::get().to(things::lot))
        .route("/lots/{id}/report.{form}", web::get().to(powder::lot_report))
        .route("/builds/{id}", web::get().to(things::build))
        .route("/sieves/{serial}", web::get().to(sieves::sieve))
        .route("/labels", web::get().to(labels::labels))
        .route("/waste", web::get().to(waste::waste))
        .route("/containers/{id}", web::get().to(waste::container))
        .route("/containers/{id}/label.pdf", web::get().to(waste::print_label))
        .route("/shipments/{id}", web::get().to(waste::shipment))
        .route("/shipments/{id}/custody.pdf", web::get().to(waste::print_custody))
        .route("/planning", web::get().to(lists::planning))
        .route("/clocks", web::get().to(waste::clock_list))
        .route("/retention", web::get().to(retention::retention))
        .route("/rules", web::get().to(waste::rules))
        .route("/findings", web::get().to(lists::findings))
        .route("/people", web::get().to(lists::people))
        .route("/reports", web::get().to(reports::reports))
        .route("/reports", web::post().to(reports::order))
        .route("/reports/look", web::get().to(reports::look))
        .route("/reports/{digest}", web::get().to(reports::file))
        .route("/reports/{digest}/evidence", web::get().to(reports::evidence))
        .route("/reports/{digest}/excerpt", web::get().to(reports::excerpt))
        .route("/sites", web::get().to(logs::logs))
        .route("/sites/{log}/entries/{seq}", web::get().to(logs::entry))
        .route("/sites/{log}/entries/{seq}/proof", web::get().to(logs::entry_proof))
        .route("/audit", web::get().to(audit::audit))
        .route("/entries/{seq}", web::get().to(entry::entry))
        .route("/entries/{seq}/raw", web::get().to(entry::raw))
        .route("/entries/{seq}/proof", web::get().to(entry::proof));
}
