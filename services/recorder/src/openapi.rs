//! The API description: OpenAPI 3.1, made from the handlers, the problem table, the operation
//! table and the event catalogue.

/// Refers operations to the JSON Schemas that `schemars` makes of types. All schemas of the document
/// come from there, in the full language of JSON Schema 2020-12; `utoipa` collects the operations.
macro_rules! described {
    ($($type:ty),+ $(,)?) => {$(
        impl utoipa::PartialSchema for $type {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                let name = <$type as schemars::JsonSchema>::schema_name();
                utoipa::openapi::RefOr::Ref(utoipa::openapi::Ref::from_schema_name(name))
            }
        }
        impl utoipa::ToSchema for $type {
            fn name() -> std::borrow::Cow<'static, str> {
                <$type as schemars::JsonSchema>::schema_name()
            }
        }
    )+};
}

described!(crate::api::wire::ReceiptView, crate::api::health::ProbeView);
