//! Style sheet and scripts, part of the program. Their names carry a digest of their content, so
//! that browsers may keep them for good.

use std::sync::LazyLock;

use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG};
use actix_web::{HttpResponse, web};
use chain::Digest;

struct Asset {
    name: &'static str,
    media_type: &'static str,
    bytes: &'static [u8],
}

const SCRIPT: &str = "text/javascript; charset=utf-8";

const ASSETS: &[Asset] = &[
    Asset {
        name: "icon.svg",
        media_type: "image/svg+xml",
        bytes: include_bytes!("../../assets/icon.svg"),
    },
    Asset {
        name: "pages.css",
        media_type: "text/css; charset=utf-8",
        bytes: include_bytes!("../../assets/pages.css"),
    },
    Asset { name: "pages.js", media_type: SCRIPT, bytes: include_bytes!("../../assets/pages.js") },
    Asset {
        name: "camera.js",
        media_type: SCRIPT,
        bytes: include_bytes!("../../assets/camera.js"),
    },
    Asset { name: "queue.js", media_type: SCRIPT, bytes: include_bytes!("../../assets/queue.js") },
    Asset {
        name: "verify.js",
        media_type: SCRIPT,
        bytes: include_bytes!("../../assets/verify.js"),
    },
    Asset { name: "audit.js", media_type: SCRIPT, bytes: include_bytes!("../../assets/audit.js") },
];

/// Digest over all assets, short: it stands in every address and changes with any of them.
static VERSION: LazyLock<String> = LazyLock::new(|| {
    let all: Vec<u8> = ASSETS.iter().flat_map(|asset| asset.bytes.iter().copied()).collect();
    Digest::of(&all).to_string()[..12].to_owned()
});

/// The address under which all assets lie. Scripts find each other relative to it.
pub(crate) fn root() -> String {
    format!("/assets/{}", *VERSION)
}

/// Serves the script that runs beside the pages. It must lie at the root to stand in for any page.
pub(crate) async fn offline() -> HttpResponse {
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, SCRIPT))
        .insert_header((CACHE_CONTROL, "no-cache"))
        .body(include_str!("../../assets/offline.js"))
}

/// Serves an asset. An address of an older version gets the present content, uncached.
pub(crate) async fn serve(path: web::Path<(String, String)>) -> HttpResponse {
    let (version, name) = path.into_inner();
    let Some(asset) = ASSETS.iter().find(|asset| asset.name == name) else {
        return HttpResponse::NotFound().finish();
    };
    let keep = if version == *VERSION { "public, max-age=31536000, immutable" } else { "no-cache" };
    HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, asset.media_type))
        .insert_header((CACHE_CONTROL, keep))
        .insert_header((ETAG, format!("\"{}\"", *VERSION)))
        .body(asset.bytes)
}
