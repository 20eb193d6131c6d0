//! Under which names the pages are asked for, and which scheme goes with each.

use std::net::{IpAddr, SocketAddr};

use axum::http::Uri;

/// The names that are answered. A page elsewhere may give its own name our address (DNS rebinding);
/// such a name is none of these.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Names {
    /// Others can reach the pages, not this computer alone.
    pub beyond: bool,
    /// The pages are served over TLS.
    pub tls: bool,
    /// What this computer calls itself.
    pub own: Option<String>,
    /// Names in the configuration.
    pub named: Vec<String>,
    /// The `address` of the configuration, as [`address`] gives it.
    pub address: Option<String>,
}

/// The name or IP literal of a `Host` field, without port and brackets, in small letters; `None` where
/// what stands behind the name is no port (RFC 9110, 7.2).
fn host_name(host: &str) -> Option<String> {
    if host.contains(['@', '/', '?', '#']) {
        return None;
    }
    let uri: Uri = format!("http://{host}/").parse().ok()?;
    let name = uri.host()?;
    let behind = uri.authority()?.as_str().strip_prefix(name)?;
    // An empty port is none (RFC 3986, 3.2.3).
    let port = behind.strip_prefix(':').unwrap_or(behind);
    if !port.bytes().all(|b| b.is_ascii_digit()) || !port.is_empty() && port.parse::<u16>().is_err()
    {
        return None;
    }
    let bare = name.trim_start_matches('[').trim_end_matches(']');
    Some(bare.to_ascii_lowercase())
}

/// `localhost` or a loopback address, with or without a port.
pub fn is_here(host: &str) -> bool {
    host_name(host).is_some_and(|name| {
        name == "localhost" || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
    })
}

impl Names {
    /// Whether a `Host` is one of ours.
    pub fn answer(&self, host: &str) -> bool {
        let Some(name) = host_name(host) else {
            return false;
        };
        let is = |known: &String| known.eq_ignore_ascii_case(&name);
        is_here(host)
            || self.named.iter().any(is)
            || self.address_host().is_some_and(|h| is(&h))
            // Nobody beyond this computer can give a name to an address without naming it.
            || self.beyond
                && (name.parse::<IpAddr>().is_ok()
                    || name.strip_suffix(".local").is_some_and(|n| !n.is_empty())
                    || self.own.iter().any(is))
    }

    fn address_host(&self) -> Option<String> {
        let (_, authority) = self.address.as_deref()?.split_once("://")?;
        host_name(authority)
    }

    /// The origin a page of ours has that was asked for under `host` (RFC 6454). A proxy in front may
    /// add TLS: then `address` says so.
    pub fn origin(&self, host: &str) -> String {
        let host = host.to_ascii_lowercase();
        match &self.address {
            Some(address) if address.split_once("://").is_some_and(|(_, a)| a == host) => {
                address.clone()
            }
            _ => format!("{}://{host}", self.scheme()),
        }
    }

    /// `http` or `https`.
    pub fn scheme(&self) -> &'static str {
        if self.tls { "https" } else { "http" }
    }

    /// Whether what a browser sends to `host` is encrypted on its way.
    pub fn encrypted(&self, host: &str) -> bool {
        self.origin(host).starts_with("https://")
    }

    /// What stands before the path of a link for phones: `address`, else the name the page was asked
    /// for under, else where it is served.
    pub fn base(&self, asked: Option<&str>, served: SocketAddr) -> String {
        match (&self.address, asked) {
            (Some(address), _) => address.clone(),
            (None, Some(host)) if !is_here(host) && self.answer(host) => self.origin(host),
            _ => format!("{}://{served}", self.scheme()),
        }
    }
}

/// The address of `[site]` as it is used: scheme, host and port in small letters, nothing behind.
pub fn address(text: &str) -> Result<String, String> {
    let bad = || {
        format!(
            "`{text}` is no address such as http://store.lan:8480: a scheme, a name and perhaps a port, no path"
        )
    };
    let low = text.trim().to_ascii_lowercase();
    let (scheme, rest) = low.split_once("://").ok_or_else(bad)?;
    let authority = rest.strip_suffix('/').unwrap_or(rest);
    if !matches!(scheme, "http" | "https") || authority.ends_with(':') {
        return Err(bad());
    }
    let host = host_name(authority).ok_or_else(bad)?;
    if host.parse::<IpAddr>().is_err() {
        name(&host).map_err(|_| bad())?;
    }
    // Browsers leave the usual port out.
    let usual = if scheme == "http" { ":80" } else { ":443" };
    let authority = authority.strip_suffix(usual).unwrap_or(authority);
    Ok(format!("{scheme}://{authority}"))
}

/// One of `names`: a host name without scheme and port (RFC 1123, 2.1).
pub fn name(text: &str) -> Result<String, String> {
    let low = text.to_ascii_lowercase();
    let label = |l: &str| {
        !l.is_empty()
            && l.len() <= 63
            && l.bytes()
                .all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
    };
    if low.len() <= 253 && low.split('.').all(label) {
        Ok(low)
    } else {
        Err(format!(
            "`{text}` is no name of a computer, such as store.lan; without http:// and port"
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(beyond: bool) -> Names {
        Names {
            beyond,
            tls: false,
            own: Some("Shed".to_owned()),
            named: vec!["store.lan".to_owned()],
            address: Some("https://tubers.example:8443".to_owned()),
        }
    }

    #[test]
    fn only_our_own_names_are_answered() {
        let (here, beyond) = (names(false), names(true));
        for good in [
            "localhost",
            "LOCALHOST:8480",
            "127.0.0.1:1",
            "[::1]:8480",
            "store.lan",
            "Store.LAN:8480",
            "tubers.example:8443",
            "tubers.example",
        ] {
            assert!(here.answer(good) && beyond.answer(good), "{good}");
        }
        for far in [
            "192.0.2.7:8480",
            "[2001:db8::1]:8480",
            "store.local",
            "shed",
            "SHED:8480",
        ] {
            assert!(beyond.answer(far) && !here.answer(far), "{far}");
        }
        for bad in [
            "",
            "example.org",
            "127.0.0.1.example.org",
            "localhost.evil:80",
            "a b",
            ".local",
            "store.lan.evil",
            "x@localhost",
            "evil/localhost",
            "shed.evil",
            "store.lan@evil",
            "localhost:80a",
            "localhost:evil",
            "localhost:65536",
            "localhost:80:80",
            "127.0.0.1:-1",
            "[::1]evil",
        ] {
            assert!(!here.answer(bad) && !beyond.answer(bad), "{bad}");
        }
    }

    #[test]
    fn the_origin_is_the_scheme_and_the_host_asked_for() {
        let names = names(true);
        assert_eq!(names.origin("Store.lan:8480"), "http://store.lan:8480");
        assert_eq!(
            names.origin("tubers.example:8443"),
            "https://tubers.example:8443"
        );
        assert_eq!(names.origin("tubers.example"), "http://tubers.example");
        let tls = Names { tls: true, ..names };
        assert_eq!(tls.origin("192.0.2.7"), "https://192.0.2.7");
    }

    #[test]
    fn links_lead_where_phones_can_go() {
        let served = SocketAddr::from(([192, 0, 2, 7], 8480));
        let mut names = names(true);
        assert_eq!(
            names.base(Some("localhost"), served),
            "https://tubers.example:8443"
        );
        names.address = None;
        assert_eq!(
            names.base(Some("localhost:8480"), served),
            "http://192.0.2.7:8480"
        );
        assert_eq!(
            names.base(Some("store.lan:8480"), served),
            "http://store.lan:8480"
        );
        assert_eq!(
            names.base(Some("evil.example"), served),
            "http://192.0.2.7:8480"
        );
    }

    #[test]
    fn an_address_is_a_scheme_a_name_and_a_port() {
        for (text, is) in [
            ("http://store.lan:8480", "http://store.lan:8480"),
            ("HTTPS://Store.LAN/", "https://store.lan"),
            ("https://store.lan:443", "https://store.lan"),
            ("http://192.0.2.7:80/", "http://192.0.2.7"),
            ("http://[2001:db8::1]:8480", "http://[2001:db8::1]:8480"),
        ] {
            assert_eq!(address(text).as_deref(), Ok(is));
        }
        for bad in [
            "",
            "store.lan",
            "ftp://store.lan",
            "http://",
            "http://a/b",
            "http://u@a",
            "http://a:b",
            "http://a:65536",
            "http://a:+80",
            "http://[::1",
            "http://a?x",
            "http://a:",
            "http://a b",
        ] {
            assert!(address(bad).is_err(), "{bad}");
        }
        for bad in ["", "http://a", "a:1", "a..b", "a b", "ä"] {
            assert!(name(bad).is_err(), "{bad}");
        }
    }
}
