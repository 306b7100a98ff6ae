//! What may be called: the administrator's list of hosts and networks, held against the address that
//! a connection really goes to.

use std::collections::BTreeSet;
use std::net::{IpAddr, SocketAddr, ToSocketAddrs as _};
use std::sync::{Arc, LazyLock};

use ipnet::IpNet;
use reqwest::dns::{Addrs, Name, Resolve, Resolving};

/// Networks that lead nowhere, inside, or to many. Sources: IANA IPv4 Special-Purpose Address
/// Registry and IANA IPv6 Special-Purpose Address Registry (both by RFC 6890, values from memory),
/// multicast by RFC 5771 section 3 and RFC 4291 section 2.7.
const SPECIAL: &[&str] = &[
    "0.0.0.0/8",
    "10.0.0.0/8",
    "100.64.0.0/10",
    "127.0.0.0/8",
    "169.254.0.0/16",
    "172.16.0.0/12",
    "192.0.0.0/24",
    "192.0.2.0/24",
    "192.88.99.0/24",
    "192.168.0.0/16",
    "198.18.0.0/15",
    "198.51.100.0/24",
    "203.0.113.0/24",
    "224.0.0.0/4",
    "240.0.0.0/4",
    // Inside the unicast range of IPv6: protocol assignments (with Teredo), documentation, 6to4.
    "2001::/23",
    "2001:db8::/32",
    "2002::/16",
    "3fff::/20",
];

/// Where unicast addresses of the public internet lie in IPv6 (RFC 4291 section 2.4, IANA IPv6
/// Global Unicast Address Assignments). Loopback, link-local, local and translated ones lie outside.
const UNICAST_V6: &str = "2000::/3";

static SPECIAL_NETS: LazyLock<Vec<IpNet>> =
    LazyLock::new(|| SPECIAL.iter().filter_map(|net| net.parse().ok()).collect());
static UNICAST_V6_NET: LazyLock<Option<IpNet>> = LazyLock::new(|| UNICAST_V6.parse().ok());

/// The name was looked up, and every address it has is one that may not be called.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("its address is inside, and not on the list of what may be called")]
pub(super) struct Inside;

/// The list of what may be called.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Allow {
    hosts: BTreeSet<String>,
    networks: Vec<IpNet>,
}

impl Allow {
    /// Reads a list of host names, addresses and networks such as `10.20.0.0/16`.
    ///
    /// # Errors
    /// The entry that is none of them.
    pub(super) fn parse(list: &[String]) -> Result<Self, String> {
        let mut allow = Self::default();
        for entry in list {
            if let Ok(network) = entry.parse::<IpNet>() {
                allow.networks.push(network);
            } else if let Ok(address) = entry.parse::<IpAddr>() {
                allow.networks.push(IpNet::from(address));
            } else if is_host_name(entry) {
                allow.hosts.insert(entry.to_ascii_lowercase());
            } else {
                return Err(entry.clone());
            }
        }
        Ok(allow)
    }

    /// Whether the host of an address, as `Url::host_str` gives it, stands on the list: a name as it
    /// is, an address literal itself or by its network.
    pub(super) fn names(&self, host: &str) -> bool {
        match literal(host) {
            Some(address) => self.lists(address),
            None => self.hosts.contains(host),
        }
    }

    fn lists(&self, address: IpAddr) -> bool {
        let address = address.to_canonical();
        self.networks.iter().any(|network| network.contains(&address))
    }

    /// Of the addresses of a name those that may be called.
    fn choose(&self, addresses: impl Iterator<Item = IpAddr>) -> Result<Vec<IpAddr>, Inside> {
        let may = |address: &IpAddr| is_public(*address) || self.lists(*address);
        let chosen: Vec<IpAddr> = addresses.filter(may).collect();
        if chosen.is_empty() { Err(Inside) } else { Ok(chosen) }
    }
}

/// The address that a host is, if it is one.
pub(super) fn literal(host: &str) -> Option<IpAddr> {
    host.trim_start_matches('[').trim_end_matches(']').parse().ok()
}

/// Letters, digits, hyphens and dots (RFC 1123 section 2.1), and not all digits.
fn is_host_name(text: &str) -> bool {
    let label = |label: &str| {
        (1..=63).contains(&label.len())
            && label.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
            && !label.starts_with('-')
            && !label.ends_with('-')
    };
    text.len() <= 253
        && text.split('.').all(label)
        && text.rsplit('.').next().is_some_and(|last| !last.bytes().all(|b| b.is_ascii_digit()))
}

fn is_public(address: IpAddr) -> bool {
    let address = address.to_canonical();
    let special = SPECIAL_NETS.iter().any(|network| network.contains(&address));
    let unicast = address.is_ipv4()
        || UNICAST_V6_NET.as_ref().is_some_and(|network| network.contains(&address));
    unicast && !special
}

/// Looks names up for the HTTP client. The client connects to the addresses given here and to no
/// others: there is no second look-up whose answer could differ from what was checked.
#[derive(Debug, Clone)]
pub(super) struct Resolver(pub(super) Arc<Allow>);

impl Resolve for Resolver {
    fn resolve(&self, name: Name) -> Resolving {
        let allow = Arc::clone(&self.0);
        Box::pin(async move {
            let host = name.as_str().to_owned();
            let found = tokio::task::spawn_blocking(move || (host.as_str(), 0).to_socket_addrs());
            let chosen = allow.choose(found.await??.map(|address| address.ip()))?;
            // Port 0: the client puts in that of the address it was given.
            let addresses = chosen.into_iter().map(|address| SocketAddr::new(address, 0));
            Ok(Box::new(addresses) as Addrs)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn allow(list: &[&str]) -> Allow {
        let list: Vec<String> = list.iter().map(|&entry| entry.to_owned()).collect();
        Allow::parse(&list).unwrap()
    }

    #[test]
    fn every_table_row_is_a_network() {
        assert_eq!(SPECIAL_NETS.len(), SPECIAL.len());
        assert!(UNICAST_V6_NET.is_some());
    }

    #[test]
    fn only_addresses_of_the_public_internet_need_no_listing() {
        for (address, public) in [
            ("8.8.8.8", true),
            ("172.15.255.255", true),
            ("172.16.0.0", false),
            ("172.31.255.255", false),
            ("172.32.0.0", true),
            ("127.0.0.1", false),
            ("10.1.2.3", false),
            ("192.168.1.1", false),
            ("100.64.0.1", false),
            ("169.254.169.254", false),
            ("0.0.0.0", false),
            ("255.255.255.255", false),
            ("224.0.0.1", false),
            ("2600::1", true),
            ("::1", false),
            ("::", false),
            ("fe80::1", false),
            ("fd00::1", false),
            ("ff02::1", false),
            ("2001:db8::1", false),
            // The same places in the clothes of IPv6: mapped, translated (RFC 6052), 6to4, Teredo.
            ("::ffff:127.0.0.1", false),
            ("::ffff:10.0.0.1", false),
            ("::ffff:8.8.8.8", true),
            ("64:ff9b::7f00:1", false),
            ("2002:7f00:1::", false),
            ("2001::1", false),
        ] {
            assert_eq!(is_public(address.parse().unwrap()), public, "{address}");
        }
    }

    #[test]
    fn a_name_that_leads_inside_is_refused_unless_the_network_is_listed() {
        let addresses = |texts: &[&str]| {
            texts.iter().map(|text| text.parse().unwrap()).collect::<Vec<IpAddr>>().into_iter()
        };
        let plain = allow(&["mes.example.org"]);
        assert_eq!(plain.choose(addresses(&["127.0.0.1", "::1", "10.0.0.9"])), Err(Inside));
        // A name with a foot in both: the outer one is called, the inner one never.
        let chosen = plain.choose(addresses(&["10.0.0.9", "8.8.8.8"])).unwrap();
        assert_eq!(chosen, addresses(&["8.8.8.8"]).collect::<Vec<_>>());
        let inner = allow(&["mes.example.org", "10.0.0.0/24"]);
        assert!(inner.choose(addresses(&["10.0.0.9"])).is_ok());
        assert_eq!(inner.choose(addresses(&["10.0.1.9"])), Err(Inside));
        assert!(inner.choose(addresses(&["::ffff:10.0.0.9"])).is_ok());
    }

    #[test]
    fn hosts_are_listed_by_name_or_by_network() {
        let list = allow(&["MES.example.org", "127.0.0.1", "fd00::/8"]);
        for (host, listed) in [
            ("mes.example.org", true),
            ("a.mes.example.org", false),
            ("mes.example.org.evil.example", false),
            ("127.0.0.1", true),
            ("127.0.0.2", false),
            ("[fd00::7]", true),
            ("[::1]", false),
            // A public address is not listed by being public: targets are named.
            ("8.8.8.8", false),
        ] {
            assert_eq!(list.names(host), listed, "{host}");
        }
        for bad in ["", "a b", "https://a.example", "*.example.org", "10.0.0.0/33", "a_b", "1.2.3"]
        {
            assert_eq!(Allow::parse(&[bad.to_owned()]), Err(bad.to_owned()));
        }
    }
}
