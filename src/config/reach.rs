//! How the pages are reached: address, names, certificate, and what goes together.

use std::net::SocketAddr;

use super::{Reader, text::SiteText};
use crate::web::{names, serve, tls};

/// Where the pages are served unless told otherwise.
const DEFAULT: ([u8; 4], u16) = ([127, 0, 0, 1], 8480);

impl Reader<'_> {
    /// What `[site]` says about it; what is wrong falls back to this computer alone.
    pub(super) fn reach(
        &mut self,
        site: &SiteText,
    ) -> (SocketAddr, Option<String>, serve::Settings) {
        let listen = site.listen.as_ref().and_then(|text| {
            self.spanned(text, |t| {
                t.parse::<SocketAddr>()
                    .map_err(|_| format!("`{t}` is no address and port, such as 127.0.0.1:8480"))
            })
        });
        let listen = listen.unwrap_or_else(|| SocketAddr::from(DEFAULT));
        let address = site
            .address
            .as_ref()
            .and_then(|text| self.spanned(text, names::address));
        let names = site
            .names
            .iter()
            .filter_map(|text| self.spanned(text, names::name));
        let names = names.collect();
        let tls = match (&site.tls_certificate, &site.tls_key) {
            (Some(certificate), Some(key)) => Some(tls::Files {
                certificate: self.folder.join(certificate.get_ref()),
                key: self.folder.join(key.get_ref()),
            }),
            (Some(alone), None) => {
                self.fault(
                    &alone.span(),
                    "a certificate needs its key: set `tls_key` as well",
                );
                None
            }
            (None, Some(alone)) => {
                self.fault(
                    &alone.span(),
                    "a key needs its certificate: set `tls_certificate` as well",
                );
                None
            }
            (None, None) => None,
        };
        let plain_http = site.plain_http.as_ref().is_some_and(|p| *p.get_ref());
        if let (Some(plain), true, Some(_)) = (&site.plain_http, plain_http, &tls) {
            self.fault(
                &plain.span(),
                "with a certificate nothing is sent plain: leave one of the two out",
            );
        }
        if let (Some(text), Some(address), Some(_)) = (&site.address, &address, &tls)
            && address.starts_with("http:")
        {
            self.fault(
                &text.span(),
                "with a certificate the address begins with https://",
            );
        }
        let half = site.tls_certificate.is_some() || site.tls_key.is_some();
        if let Some(text) = &site.listen
            && !listen.ip().is_loopback()
            && !plain_http
            && !half
        {
            let what = format!(
                "`{listen}` can be reached by others: set `tls_certificate` and `tls_key`, or `plain_http = true` on a network that is all your own"
            );
            self.fault(&text.span(), what);
        }
        let settings = serve::Settings {
            names,
            tls,
            plain_http,
        };
        (listen, address, settings)
    }
}
