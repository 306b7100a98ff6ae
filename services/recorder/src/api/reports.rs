//! Reports to read, to issue and to read again.

use std::collections::BTreeMap;

use actix_web::http::header::CONTENT_DISPOSITION;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use report::pdf::Language;
use report::{About, Period};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::Event;
use shopfloor::ids::FileDigest;
use shopfloor::record::IssuedReport;
use shopfloor::record::events::ReportIssued;

use super::answers::{lists, stamp, word};
use super::waste::{own_site, period};
use crate::app::{Caller, Recorder};
use crate::authn::Identity;
use crate::authz;
use crate::http::body;
use crate::limits::OTHER_BODY_BYTES_MAX;
use crate::log::Log;
use crate::problem::{Problem, Result};
use crate::reports::{Form, ReportError, Still, compile, keep, write};

impl From<ReportError> for Problem {
    fn from(error: ReportError) -> Self {
        match error {
            ReportError::Log(error) => error.into(),
            ReportError::Lot(_) => Self::not_found(),
            ReportError::Name(_)
            | ReportError::Data(_)
            | ReportError::Print(_)
            | ReportError::Evidence(_)
            | ReportError::Io { .. }
            | ReportError::Changed { .. } => Self::internal(&error),
        }
    }
}

/// Which report, in which form.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ReportQuery {
    /// The site.
    pub site: String,
    /// First day, `YYYY-MM-DD`.
    pub from: String,
    /// Last day, `YYYY-MM-DD`.
    pub to: String,
    /// `json` (which is taken if it is left out), `csv` or `pdf`.
    pub format: Option<String>,
    /// Language of the printed words: `en` (which is taken if it is left out) or `de`.
    pub lang: Option<String>,
    /// Print the names of people where they are known, for those who may read them. Such a print is
    /// never issued.
    pub names: Option<bool>,
}

/// Which report is issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "ReportOrder")]
pub struct ReportOrder {
    /// The site.
    pub site: String,
    /// First day, `YYYY-MM-DD`.
    pub from: String,
    /// Last day, `YYYY-MM-DD`.
    pub to: String,
    /// Language of the printed form: `en` or `de`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lang: Option<String>,
}

/// A report that was issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "IssuedReport")]
pub struct IssuedReportView {
    /// Entry that tells it.
    pub seq: u64,
    /// Kind of report.
    pub report: String,
    /// Site, of a report about a site and a period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<String>,
    /// First day of the period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Last day of the period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Powder lot, of a report about a lot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
    /// Entries it rests on.
    pub as_of: u64,
    /// SHA-256 of the machine-readable form; the report is found under it.
    pub digest: String,
    /// SHA-256 of the printed form.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pdf_digest: Option<String>,
}

impl From<(u64, &ReportIssued)> for IssuedReportView {
    fn from((seq, issued): (u64, &ReportIssued)) -> Self {
        Self {
            seq,
            report: issued.report.to_string(),
            site: issued.site.as_ref().map(ToString::to_string),
            from: issued.from.map(|day| day.to_string()),
            to: issued.to.map(|day| day.to_string()),
            lot: issued.lot.as_ref().map(ToString::to_string),
            as_of: issued.as_of,
            digest: issued.digest.to_string(),
            pdf_digest: issued.pdf_digest.as_ref().map(ToString::to_string),
        }
    }
}

lists! {
    /// Reports that were issued, newest first.
    IssuedReportList of IssuedReportView;
}

/// The language of a printed form; English where none is named.
///
/// # Errors
/// [`crate::problem::Kind::BadParameter`].
pub(crate) fn language(text: Option<&str>) -> Result<Language> {
    match text {
        None | Some("en") => Ok(Language::English),
        Some("de") => Ok(Language::German),
        Some(_) => Err(Problem::parameter("lang", "`en` or `de` is wanted")),
    }
}

/// The form of a report; JSON where none is named.
///
/// # Errors
/// [`crate::problem::Kind::BadParameter`].
pub(crate) fn form(text: Option<&str>) -> Result<Form> {
    text.map_or(Ok(Form::Json), |text| word("format", text, Form::ALL, Form::as_str))
}

/// A report as a file to take away.
pub(crate) fn file(form: Form, name: &str, bytes: Vec<u8>) -> HttpResponse {
    let disposition = format!("attachment; filename=\"{name}.{}\"", form.as_str());
    HttpResponse::Ok()
        .content_type(form.media_type())
        .insert_header((CONTENT_DISPOSITION, disposition))
        .body(bytes)
}

/// Compile the disposal report of a site and period
///
/// Every line leads to entry numbers; head size and root are printed. The same head and period give
/// the same bytes. Nothing is recorded: issue the report to have it stand in the record.
#[utoipa::path(
    operation_id = "compileDisposalReport", tag = "reports",
    params(ReportQuery),
    responses((status = 200, description = "The report.", content(
        (serde_json::Value = "application/json"),
        (String = "text/csv"),
        (Vec<u8> = "application/pdf"),
    ))),
)]
#[get("/v1/reports/disposal")]
pub(super) async fn compile_disposal_report(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<ReportQuery>,
) -> Result<HttpResponse> {
    compile_of_period(&recorder, &caller, About::Disposal, &query).await
}

/// Compile the maintenance report of a site and period
///
/// Work that was done on time or late or is open, with the rate and its interval; deferrals, parts,
/// deviations and what they overrode, findings, signatures. Every line leads to entry numbers. The
/// same head and period give the same bytes. Nothing is recorded: issue the report to have it stand in
/// the record.
#[utoipa::path(
    operation_id = "compileMaintenanceReport", tag = "reports",
    params(ReportQuery),
    responses((status = 200, description = "The report.", content(
        (serde_json::Value = "application/json"),
        (String = "text/csv"),
        (Vec<u8> = "application/pdf"),
    ))),
)]
#[get("/v1/reports/maintenance")]
pub(super) async fn compile_maintenance_report(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<ReportQuery>,
) -> Result<HttpResponse> {
    compile_of_period(&recorder, &caller, About::Maintenance, &query).await
}

async fn compile_of_period(
    recorder: &web::Data<Recorder>,
    caller: &Caller,
    kind: fn(Period) -> About,
    query: &ReportQuery,
) -> Result<HttpResponse> {
    let (form, language) = (form(query.format.as_deref())?, language(query.lang.as_deref())?);
    let about = kind(of_period(caller, &query.site, &query.from, &query.to)?);
    let names = query.names == Some(true);
    if names {
        if form != Form::Pdf {
            return Err(Problem::parameter("names", "names stand in the printed form only"));
        }
        authz::may_see_names(caller)?;
        tracing::info!(subject = caller.subject, "a report with names is made");
    }
    compiled(recorder, about, form, language, names).await
}

/// A report as it would be issued now, as a file, in print with names where they are known and asked
/// for.
pub(crate) async fn compiled(
    recorder: &web::Data<Recorder>,
    about: About,
    form: Form,
    language: Language,
    names: bool,
) -> Result<HttpResponse> {
    let name = about.file_name();
    let shared = recorder.clone();
    let compile = move |log: &Log, still: &Still| -> Result<Vec<u8>> {
        let report = compile(log, still, &about)?;
        let known = if names { shared.names()? } else { BTreeMap::new() };
        let name = |person: &str| known.get(person).cloned();
        Ok(write(log, &report, form, language, names.then_some(&name))?)
    };
    Ok(file(form, &name, recorder.from_still(compile).await?))
}

/// In which form and language.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LotReportQuery {
    /// `json` (which is taken if it is left out), `csv` or `pdf`.
    pub format: Option<String>,
    /// Language of the printed words: `en` (which is taken if it is left out) or `de`.
    pub lang: Option<String>,
}

/// Compile the powder report of a lot, from its birth certificate to its last gram
///
/// Every line leads to entry numbers; head size and root are printed. The same head gives the same
/// bytes. For tokens of every site: powder crosses sites.
#[utoipa::path(
    operation_id = "compileLotReport", tag = "reports",
    params(("id" = String, Path, description = "Label of the lot."), LotReportQuery),
    responses((status = 200, description = "The report.", content(
        (serde_json::Value = "application/json"),
        (String = "text/csv"),
        (Vec<u8> = "application/pdf"),
    ))),
)]
#[get("/v1/reports/lots/{id}")]
pub(super) async fn compile_lot_report(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    query: web::Query<LotReportQuery>,
) -> Result<HttpResponse> {
    caller.demand_every_site()?;
    let (form, language) = (form(query.format.as_deref())?, language(query.lang.as_deref())?);
    let lot = super::answers::label(&id)?;
    compiled(&recorder, About::Lot(lot), form, language, false).await
}

/// The site and days a report is to be about, if it is a site of the one who asks.
///
/// # Errors
/// [`crate::problem::Kind::BadParameter`], [`crate::problem::Kind::NotFound`].
pub(crate) fn of_period(who: &Identity, site: &str, from: &str, to: &str) -> Result<Period> {
    let (from, to) = period(from, to)?;
    Ok(Period { site: own_site(who, site)?, from, to })
}

/// Issue the disposal report of a site and period
///
/// The report is compiled, kept in every form, and its digests are recorded. From then on it is
/// listed for everybody whom reports are for, authorities included.
#[utoipa::path(
    operation_id = "issueDisposalReport", tag = "reports",
    request_body = ReportOrder,
    responses((status = 201, description = "Issued and recorded.", body = IssuedReportView)),
)]
#[post("/v1/reports/disposal")]
pub(super) async fn issue_disposal_report(
    recorder: web::Data<Recorder>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse> {
    issue_of_period(&recorder, &caller, About::Disposal, &request, payload).await
}

/// Issue the maintenance report of a site and period
///
/// The report is compiled, kept in every form, and its digests are recorded. From then on it is
/// listed for everybody whom reports are for, authorities included.
#[utoipa::path(
    operation_id = "issueMaintenanceReport", tag = "reports",
    request_body = ReportOrder,
    responses((status = 201, description = "Issued and recorded.", body = IssuedReportView)),
)]
#[post("/v1/reports/maintenance")]
pub(super) async fn issue_maintenance_report(
    recorder: web::Data<Recorder>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse> {
    issue_of_period(&recorder, &caller, About::Maintenance, &request, payload).await
}

/// How the report of a lot is issued.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LotReportOrder {
    /// Language of the printed form: `en` (which is taken if it is left out) or `de`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lang: Option<String>,
}

/// Issue the powder report of a lot
///
/// The report is compiled, kept in every form, and its digests are recorded. For tokens of every
/// site: powder crosses sites.
#[utoipa::path(
    operation_id = "issueLotReport", tag = "reports",
    params(("id" = String, Path, description = "Label of the lot.")),
    request_body = LotReportOrder,
    responses((status = 201, description = "Issued and recorded.", body = IssuedReportView)),
)]
#[post("/v1/reports/lots/{id}")]
pub(super) async fn issue_lot_report(
    recorder: web::Data<Recorder>,
    caller: Caller,
    id: web::Path<String>,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse> {
    caller.demand_every_site()?;
    let order: LotReportOrder = body::json(&request, payload, OTHER_BODY_BYTES_MAX).await?;
    let language = language(order.lang.as_deref())?;
    let about = About::Lot(super::answers::label(&id)?);
    Ok(issued_now(&issue(&recorder, &caller, about, language).await?))
}

async fn issue_of_period(
    recorder: &web::Data<Recorder>,
    caller: &Caller,
    kind: fn(Period) -> About,
    request: &HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse> {
    let order: ReportOrder = body::json(request, payload, OTHER_BODY_BYTES_MAX).await?;
    let language = language(order.lang.as_deref())?;
    let about = kind(of_period(caller, &order.site, &order.from, &order.to)?);
    Ok(issued_now(&issue(recorder, caller, about, language).await?))
}

/// The answer to an order that was carried out.
fn issued_now(view: &IssuedReportView) -> HttpResponse {
    HttpResponse::Created()
        .insert_header(("location", format!("/v1/reports/{}", view.digest)))
        .json(view)
}

/// Issues a report: kept in every form, then told by the log.
pub(crate) async fn issue(
    recorder: &web::Data<Recorder>,
    who: &Identity,
    about: About,
    language: Language,
) -> Result<IssuedReportView> {
    let shared = recorder.clone();
    let issued = recorder
        .from_still(move |log, still| keep(log, &shared.reports, still, &about, language))
        .await?;
    let event = Event::ReportIssued(issued.clone());
    // The files are durable before the log tells of them.
    let receipt = recorder.log.record_own(&event, None).await?;
    tracing::info!(subject = who.subject, seq = receipt.seq, "a report was issued");
    Ok(IssuedReportView::from((receipt.seq, &issued)))
}

/// List reports that were issued
#[utoipa::path(
    operation_id = "listReports", tag = "reports",
    responses((status = 200, description = "Reports, newest first.", body = IssuedReportList)),
)]
#[get("/v1/reports")]
pub(super) async fn list_reports(
    recorder: web::Data<Recorder>,
    caller: Caller,
) -> Result<web::Json<IssuedReportList>> {
    let now = recorder.now();
    let list = recorder
        .ask(move |state| {
            let visible = |issued: &&IssuedReport| caller.may_see(issued.report.site.as_ref());
            let reports = state.record.reports().iter().rev().filter(visible);
            let items = reports.map(|issued| (issued.seq, &issued.report).into()).collect();
            Ok(IssuedReportList { as_of: state.as_of, now: stamp(now), items })
        })
        .await?;
    Ok(web::Json(list))
}

/// What was issued under a digest and by which entry, for those who may see its site.
pub(super) fn issued(
    recorder: &Recorder,
    who: &Identity,
    digest: &str,
) -> Result<(u64, ReportIssued)> {
    let digest = FileDigest::new(digest).map_err(|_| Problem::not_found())?;
    let found = recorder.log.ask(|state| {
        let found = state.record.reports().iter().find(|i| i.report.digest == digest);
        found.map(|issued| (issued.seq, issued.report.clone()))
    });
    let (seq, issued) = found.ok_or_else(Problem::not_found)?;
    authz::may_see(who, issued.site.as_ref())?;
    Ok((seq, issued))
}

/// In which form.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct FormQuery {
    /// `json` (which is taken if it is left out), `csv` or `pdf`.
    pub format: Option<String>,
}

/// Read a report as it was issued
///
/// The bytes are compared with the digest that the log holds before they are given out.
#[utoipa::path(
    operation_id = "readReport", tag = "reports",
    params(
        ("digest" = String, Path, description = "SHA-256 of the machine-readable form, 64 hexadecimal digits."),
        FormQuery,
    ),
    responses((status = 200, description = "The report.", content(
        (serde_json::Value = "application/json"),
        (String = "text/csv"),
        (Vec<u8> = "application/pdf"),
    ))),
)]
#[get("/v1/reports/{digest}")]
pub(super) async fn read_report(
    recorder: web::Data<Recorder>,
    caller: Caller,
    digest: web::Path<String>,
    query: web::Query<FormQuery>,
) -> Result<HttpResponse> {
    as_issued(&recorder, &caller, &digest, form(query.format.as_deref())?).await
}

/// A report as it was issued, as a file, for those who may see its site.
pub(crate) async fn as_issued(
    recorder: &web::Data<Recorder>,
    who: &Identity,
    digest: &str,
    form: Form,
) -> Result<HttpResponse> {
    let (seq, issued) = issued(recorder, who, digest)?;
    let digest = issued.digest.clone();
    let wanted = match form {
        Form::Json => Some(issued.digest.clone()),
        Form::Pdf => issued.pdf_digest.clone(),
        // The log holds no digest of the table; it follows from the machine-readable form.
        Form::Csv => None,
    };
    let shared = recorder.clone().into_inner();
    let bytes = recorder
        .blocking(move || Ok(shared.reports.get(&digest, form, wanted.as_ref())?))
        .await?
        .ok_or_else(Problem::not_found)?;
    Ok(file(form, &format!("{}-{seq}", issued.report), bytes))
}
