//! Schemas of what the service answers.

use std::collections::BTreeMap;

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, SchemaGenerator};
use serde_json::Value;

use crate::api::{
    anchors, entries, equipment, feed, findings, health, keys, log, logs, parts, people, powder,
    reports, rooms, texts, waste, webhooks, wire,
};
use crate::problem::ProblemBody;

/// Refers operations to the JSON Schema of a type, and collects these schemas.
macro_rules! described {
    ($($type:ty),+ $(,)?) => {
        $(
            impl utoipa::PartialSchema for $type {
                fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                    let name = <$type as JsonSchema>::schema_name();
                    utoipa::openapi::RefOr::Ref(utoipa::openapi::Ref::from_schema_name(name))
                }
            }
            impl utoipa::ToSchema for $type {
                fn name() -> std::borrow::Cow<'static, str> {
                    <$type as JsonSchema>::schema_name()
                }
            }
        )+

        fn collect(generator: &mut SchemaGenerator) {
            $(let _ = generator.subschema_for::<$type>();)+
        }
    };
}

described!(
    ProblemBody,
    wire::ReceiptView,
    wire::TrialView,
    wire::BatchView,
    entries::StandingView,
    feed::FeedPage,
    findings::FindingList,
    findings::CautionList,
    findings::CatalogueView,
    equipment::MachineList,
    equipment::MachineAnswer,
    equipment::ReadinessAnswer,
    equipment::HistoryList,
    equipment::ScaleAnswer,
    equipment::PressureList,
    equipment::StarterPlanAnswer,
    equipment::DueAnswer,
    parts::PartList,
    parts::PartAnswer,
    parts::PartLivesAnswer,
    parts::StockAnswer,
    rooms::DustSurveyList,
    rooms::ExposureList,
    powder::LotList,
    powder::LotAnswer,
    powder::PlaceList,
    powder::PlaceAnswer,
    powder::BalanceList,
    powder::BuildAnswer,
    powder::TraceBackAnswer,
    powder::TraceForwardAnswer,
    powder::ImpactAnswer,
    powder::BalanceAnswer,
    powder::BuildBalanceList,
    powder::EconomyAnswer,
    powder::SieveAnswer,
    powder::SampleAnswer,
    powder::LineageAnswer,
    waste::ContainerList,
    waste::ContainerAnswer,
    waste::ShipmentList,
    waste::ShipmentAnswer,
    waste::ClockList,
    waste::MonthList,
    waste::RetentionList,
    waste::KeptApartList,
    waste::RuleList,
    people::PersonList,
    people::PersonAnswer,
    people::DeviationList,
    people::ActionList,
    people::HandoverList,
    people::IncidentList,
    reports::ReportOrder,
    reports::LotReportOrder,
    keys::DecisionView,
    keys::RevocationView,
    keys::KeyView,
    keys::KeyList,
    reports::IssuedReportView,
    reports::IssuedReportList,
    texts::TextDeposit,
    texts::TextCommitmentView,
    texts::TextView,
    texts::IdentityDeposit,
    texts::IdentityView,
    texts::ErasureOrder,
    texts::ErasureView,
    log::ConsistencyView,
    anchors::AnchorsView,
    logs::FollowedList,
    logs::FollowedDue,
    logs::FollowedClocks,
    logs::FollowedFindings,
    logs::FollowedLots,
    health::ProbeView,
    webhooks::WebhookList,
    webhooks::WebhookView,
    webhooks::DeadLetterList,
    webhooks::RetryView,
    webhooks::JwkSet,
    crate::webhooks::Delivery,
);

/// A generator whose references point into the document.
pub(super) fn generator(settings: SchemaSettings) -> SchemaGenerator {
    settings
        .with(|settings| {
            settings.definitions_path = "/components/schemas".into();
            settings.meta_schema = None;
        })
        .into_generator()
}

/// Every schema of an answer, by name.
pub(super) fn views() -> BTreeMap<String, Value> {
    let mut generator = generator(SchemaSettings::draft2020_12().for_serialize());
    collect(&mut generator);
    generator.take_definitions(true).into_iter().collect()
}
