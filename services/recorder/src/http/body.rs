//! Bodies: read once, within limits of size and time, plain or gzip.

use std::io::Read as _;

use actix_web::http::header::{CONTENT_ENCODING, CONTENT_LENGTH};
use actix_web::{HttpMessage as _, HttpRequest, web};
use chain::canon;
use chain::limits::EVENT_DEPTH_MAX;
use flate2::read::MultiGzDecoder;
use serde::de::DeserializeOwned;

use crate::limits::BODY_TIME_MAX;
use crate::problem::{Kind, Problem, Result, echo};

/// How the body is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Packing {
    Plain,
    Gzip,
}

/// The body, unpacked, of at most `bytes_max` bytes before and after unpacking.
///
/// # Errors
/// [`Kind::UnsupportedEncoding`], [`Kind::BodyTooLarge`], [`Kind::BodyTooSlow`],
/// [`Kind::BadEncoding`].
pub async fn read(
    request: &HttpRequest,
    payload: web::Payload,
    bytes_max: usize,
) -> Result<web::Bytes> {
    let packing = packing(request)?;
    let too_large = || {
        let detail = format!("the body may have {bytes_max} bytes, unpacked");
        Problem::new(Kind::BodyTooLarge, detail)
    };
    // Refused before a byte is read, so that an honest client learns it early.
    let announced =
        request.headers().get(CONTENT_LENGTH).and_then(|v| v.to_str().ok()?.parse().ok());
    if announced.is_some_and(|length: u64| length > bytes_max as u64) {
        return Err(too_large());
    }
    let received = tokio::time::timeout(BODY_TIME_MAX, payload.to_bytes_limited(bytes_max))
        .await
        .map_err(|_| {
        let detail = format!("the body did not arrive in {} s", BODY_TIME_MAX.as_secs());
        Problem::new(Kind::BodyTooSlow, detail)
    })?;
    let bytes = received
        .map_err(|_| too_large())?
        .map_err(|_| Problem::new(Kind::BadEncoding, "the body ended early"))?;
    match packing {
        Packing::Plain => Ok(bytes),
        Packing::Gzip => unpack(&bytes, bytes_max)?.map(web::Bytes::from).ok_or_else(too_large),
    }
}

/// Unpacks gzip; `None` if more than `bytes_max` bytes come out. A bomb is stopped at the limit,
/// whatever its size would be.
fn unpack(bytes: &[u8], bytes_max: usize) -> Result<Option<Vec<u8>>> {
    let mut out = Vec::with_capacity(bytes.len().saturating_mul(4).min(bytes_max));
    MultiGzDecoder::new(bytes)
        .take(bytes_max as u64 + 1)
        .read_to_end(&mut out)
        .map_err(|_| Problem::new(Kind::BadEncoding, "the body is no valid gzip"))?;
    Ok((out.len() <= bytes_max).then_some(out))
}

fn packing(request: &HttpRequest) -> Result<Packing> {
    let mut all = request.headers().get_all(CONTENT_ENCODING);
    let coding = match (all.next(), all.next()) {
        (None, _) => return Ok(Packing::Plain),
        (Some(value), None) => value.to_str().unwrap_or("?").trim().to_ascii_lowercase(),
        (Some(_), Some(_)) => "several".to_owned(),
    };
    match coding.as_str() {
        "" | "identity" => Ok(Packing::Plain),
        "gzip" | "x-gzip" => Ok(Packing::Gzip),
        other => {
            let detail =
                format!("content encoding `{}` is not understood, only `gzip` is", echo(other));
            Err(Problem::new(Kind::UnsupportedEncoding, detail))
        }
    }
}

/// Reads a small JSON body of our own form, as strictly as an event.
///
/// # Errors
/// As [`read`]; [`Kind::UnsupportedMediaType`], [`Kind::MalformedJson`] and the 422 kinds, with a
/// pointer to the member at fault.
pub async fn json<T: DeserializeOwned>(
    request: &HttpRequest,
    payload: web::Payload,
    bytes_max: usize,
) -> Result<T> {
    if media_type(request)? != "application/json" {
        let detail = "this operation takes `application/json`";
        return Err(Problem::new(Kind::UnsupportedMediaType, detail));
    }
    let bytes = read(request, payload, bytes_max).await?;
    let limits = canon::Limits { max_depth: EVENT_DEPTH_MAX, max_bytes: bytes_max };
    let value = canon::parse_with(&bytes, limits)?;
    let canonical = canon::to_bytes(&value);
    let mut reader = serde_json::Deserializer::from_slice(&canonical);
    serde_path_to_error::deserialize(&mut reader).map_err(|error| {
        let path = shopfloor::catalogue::pointer(error.path());
        let detail = error.inner().to_string();
        let kind = match detail.split(" `").next() {
            Some("unknown field") => Kind::UnknownMember,
            Some("missing field") => Kind::MissingMember,
            Some(start) if start.starts_with("invalid type") => Kind::WrongType,
            Some(_) | None => Kind::InvalidValue,
        };
        let words = detail.split(" at line ").next().unwrap_or_default();
        Problem::new(kind, echo(words)).at(path)
    })
}

/// The media type of the body without parameters, lower case. The only parameter allowed is
/// `charset=utf-8`.
///
/// # Errors
/// [`Kind::UnsupportedMediaType`].
pub fn media_type(request: &HttpRequest) -> Result<String> {
    let refuse = |what: &str| Err(Problem::new(Kind::UnsupportedMediaType, what));
    if request.headers().get_all(actix_web::http::header::CONTENT_TYPE).count() > 1 {
        return refuse("`Content-Type` is there twice");
    }
    let Ok(Some(mime)) = request.mime_type() else {
        return refuse("`Content-Type` is missing or cannot be read");
    };
    for (name, value) in mime.params() {
        if name != "charset" || !value.as_str().eq_ignore_ascii_case("utf-8") {
            return refuse("`Content-Type` may have no parameter but `charset=utf-8`");
        }
    }
    Ok(mime.essence_str().to_ascii_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;
    use flate2::Compression;
    use flate2::write::GzEncoder;
    use std::io::Write as _;

    fn gzip(bytes: &[u8]) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
        encoder.write_all(bytes).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn a_bomb_is_stopped_at_the_limit() {
        let bomb = gzip(&vec![b' '; 64 << 20]);
        assert!(bomb.len() < 100_000);
        assert_eq!(unpack(&bomb, 1_000).unwrap(), None);
        assert_eq!(unpack(&gzip(&[b' '; 1_000]), 1_000).unwrap().map(|b| b.len()), Some(1_000));
        assert_eq!(unpack(&gzip(&[b' '; 1_001]), 1_000).unwrap(), None);
    }

    #[test]
    fn broken_gzip_is_refused() {
        let whole = gzip(b"{}");
        for bad in [&whole[..whole.len() - 1], b"{}", &[], &[&whole[..], b"x"].concat()] {
            assert_eq!(unpack(bad, 1_000).unwrap_err().kind, Kind::BadEncoding);
        }
        assert_eq!(unpack(&[&whole[..], &whole].concat(), 9).unwrap().unwrap(), b"{}{}");
    }
}
