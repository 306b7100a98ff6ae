//! The operations, one file per area. Each handler reads in one order: extract, check, ask, answer.

pub mod anchors;
mod answers;
pub mod entries;
pub mod equipment;
pub mod events;
pub mod evidence;
pub mod excerpt;
pub mod feed;
pub mod findings;
pub mod health;
pub mod keys;
pub mod log;
pub mod logs;
mod moment;
pub mod parts;
pub mod people;
pub mod powder;
pub mod reports;
pub mod rooms;
pub mod texts;
pub mod waste;
pub mod webhooks;
pub mod wire;

use shopfloor::ids::Label;
use utoipa_actix_web::service_config::ServiceConfig;

use crate::limits::{FEED_PAGE_DEFAULT, FEED_PAGE_MAX};
use crate::problem::{Problem, Result, echo};

/// Registers every operation, for the service and for its description.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(events::record_events)
        .service(feed::stream_feed)
        .service(feed::read_feed)
        .service(entries::read_entry)
        .service(entries::read_standing)
        .service(entries::prove_entry)
        .service(log::prove_consistency)
        .service(log::read_checkpoint)
        .service(log::read_keys)
        .service(anchors::read_policy)
        .service(anchors::read_anchors)
        .service(log::read_entry_tile)
        .service(log::read_hash_tile)
        .service(findings::list_findings)
        .service(findings::list_cautions)
        .service(findings::read_catalogue)
        .service(equipment::list_equipment)
        .service(equipment::read_machine)
        .service(equipment::read_readiness)
        .service(equipment::read_history)
        .service(equipment::read_scale)
        .service(equipment::read_pressure)
        .service(equipment::suggest_plan)
        .service(equipment::list_due)
        .service(parts::list_parts)
        .service(parts::read_part)
        .service(parts::read_part_lives)
        .service(parts::read_part_stock)
        .service(rooms::list_dust_surveys)
        .service(rooms::list_exposures)
        .service(powder::list_lots)
        .service(powder::read_lot)
        .service(powder::list_places)
        .service(powder::read_place)
        .service(powder::balance_place)
        .service(powder::read_build)
        .service(powder::balance_build)
        .service(powder::balance_lot)
        .service(powder::balance_builds)
        .service(powder::balance_site)
        .service(powder::read_economy)
        .service(powder::read_sieve)
        .service(powder::draw_sample)
        .service(powder::draw_trace)
        .service(powder::trace_back)
        .service(powder::trace_forward)
        .service(powder::ask_impact)
        .service(waste::list_containers)
        .service(waste::read_container)
        .service(waste::print_label)
        .service(waste::list_shipments)
        .service(waste::read_shipment)
        .service(waste::print_custody_sheet)
        .service(waste::list_clocks)
        .service(waste::list_months)
        .service(waste::list_retention)
        .service(waste::list_kept_apart)
        .service(waste::list_rules)
        .service(people::list_people)
        .service(people::read_person)
        .service(people::list_deviations)
        .service(people::list_actions)
        .service(people::list_handovers)
        .service(people::list_incidents)
        .service(keys::list_keys)
        .service(reports::compile_disposal_report)
        .service(reports::compile_maintenance_report)
        .service(reports::compile_lot_report)
        .service(reports::issue_disposal_report)
        .service(reports::issue_maintenance_report)
        .service(reports::issue_lot_report)
        .service(reports::list_reports)
        .service(reports::read_report)
        .service(evidence::take_evidence)
        .service(excerpt::take_excerpt)
        .service(excerpt::prove_report_line)
        .service(texts::deposit_text)
        .service(texts::open_text)
        .service(texts::erase_text)
        .service(texts::keep_identity)
        .service(texts::read_identity)
        .service(texts::erase_person)
        .service(webhooks::list_webhooks)
        .service(webhooks::list_dead_letters)
        .service(webhooks::retry_dead_letter)
        .service(webhooks::resume_webhook)
        .service(webhooks::read_webhook_keys)
        .service(logs::list_logs)
        .service(logs::list_due_everywhere)
        .service(logs::list_clocks_everywhere)
        .service(logs::list_findings_everywhere)
        .service(logs::find_lot_everywhere)
        .service(logs::read_followed_entry)
        .service(logs::prove_followed_entry)
        .service(health::live)
        .service(health::ready)
        .service(health::read_metrics);
}

/// The parameter `limit` of a list.
fn page_limit(limit: Option<usize>) -> Result<usize> {
    let limit = limit.unwrap_or(FEED_PAGE_DEFAULT);
    if (1..=FEED_PAGE_MAX).contains(&limit) {
        return Ok(limit);
    }
    Err(Problem::parameter("limit", format!("1 to {FEED_PAGE_MAX} is wanted")))
}

/// The parameter `site`.
fn site(text: &str) -> Result<Label> {
    Label::new(text).map_err(|error| Problem::parameter("site", echo(&error.to_string())))
}
