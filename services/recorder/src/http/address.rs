//! Where a request comes from, behind proxies too. Only the rate of failed sign-ins rests on it.

use std::net::IpAddr;

use actix_web::http::header::{HeaderMap, HeaderName};

/// Each proxy appends the address it was called from (common practice, no source; RFC 7239 section 5.2 has
/// the same for `Forwarded`).
static FORWARDED_FOR: HeaderName = HeaderName::from_static("x-forwarded-for");

/// The address of a client. What a header says counts only as far as configured proxies wrote it: it is read
/// from the right, and the first address that is no proxy is the client's, whatever stands before it.
pub fn client(peer: Option<IpAddr>, headers: &HeaderMap, proxies: &[IpAddr]) -> Option<IpAddr> {
    let peer = peer?;
    if !proxies.contains(&peer) {
        return Some(peer);
    }
    let mut nearest = peer;
    let values: Vec<&str> =
        headers.get_all(&FORWARDED_FOR).filter_map(|value| value.to_str().ok()).collect();
    for text in values.iter().rev().flat_map(|value| value.rsplit(',')) {
        let Ok(address) = text.trim().parse() else { break };
        nearest = address;
        if !proxies.contains(&address) {
            break;
        }
    }
    Some(nearest)
}

#[cfg(test)]
mod tests {
    use actix_web::http::header::HeaderValue;

    use super::*;

    #[test]
    fn only_what_configured_proxies_wrote_counts() {
        let address = |text: &str| text.parse::<IpAddr>().unwrap();
        let proxies = [address("10.0.0.1"), address("10.0.0.2")];
        for (peer, values, told) in [
            ("192.0.2.7", &["203.0.113.9"][..], "192.0.2.7"),
            ("10.0.0.1", &[], "10.0.0.1"),
            ("10.0.0.1", &["203.0.113.9"], "203.0.113.9"),
            ("10.0.0.1", &["127.0.0.1, 203.0.113.9"], "203.0.113.9"),
            ("10.0.0.1", &["127.0.0.1", "203.0.113.9, 10.0.0.2"], "203.0.113.9"),
            ("10.0.0.1", &["203.0.113.9, x"], "10.0.0.1"),
            ("10.0.0.1", &["x, 2001:db8::9"], "2001:db8::9"),
            ("10.0.0.1", &["10.0.0.2"], "10.0.0.2"),
        ] {
            let mut headers = HeaderMap::new();
            for value in values {
                headers.append(FORWARDED_FOR.clone(), HeaderValue::from_static(value));
            }
            let client = client(Some(address(peer)), &headers, &proxies);
            assert_eq!(client, Some(address(told)), "{peer} {values:?}");
        }
        assert_eq!(client(None, &HeaderMap::new(), &proxies), None);
    }
}
