//! The operations, one file per area. Each handler reads in one order: extract, check, ask, answer.

pub mod entries;
pub mod events;
pub mod health;
pub mod log;
pub mod wire;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers every operation, for the service and for its description.
pub fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(events::record_events)
        .service(entries::read_entry)
        .service(log::read_checkpoint)
        .service(health::live)
        .service(health::ready)
        .service(health::read_metrics);
}
