"""Cross checks of sign-in by an outside identity provider: a name that can be one, groups that say one thing."""

from __future__ import annotations

from motewatch.site.findings import Findings
from motewatch.site.hosts import on_this_machine, url_parts
from motewatch.site.oidc import Oidc

TABLE = ("console", "oidc")


def check_oidc(findings: Findings, oidc: Oidc) -> None:
    """Look at the table."""
    _issuer(findings, oidc)
    seen: set[str] = set()
    for number, each in enumerate(oidc.roles):
        if each.group in seen:
            findings.error(
                (*TABLE, "roles", number, "group"),
                each.group,
                "this group is listed twice; only the first would count",
                "Leave one of the two.",
            )
        seen.add(each.group)
    if oidc.ca_file is not None and oidc.issuer.startswith("http:"):
        findings.error(
            (*TABLE, "ca_file"), oidc.ca_file, "a provider at http:// shows no certificate", "Remove ca_file."
        )


def _issuer(findings: Findings, oidc: Oidc) -> None:
    path = (*TABLE, "issuer")
    parts = url_parts(oidc.issuer)
    if parts is None:
        findings.error(path, oidc.issuer, "the URL names no host, or no valid port", 'Write "https://id.example.org".')
    elif parts.username is not None or "?" in oidc.issuer or "#" in oidc.issuer:
        # OpenID Connect Core 1.0, 2 (iss): scheme, host, and perhaps port and path; no query or fragment.
        findings.error(
            path,
            oidc.issuer,
            "the name of a provider has no user, query or fragment",
            "Copy `issuer` from the provider's discovery document.",
        )
    elif parts.path.endswith("/.well-known/openid-configuration"):
        findings.error(
            path,
            oidc.issuer,
            "this is the address of the discovery document, not the provider's name",
            "Leave /.well-known/openid-configuration away: it is added.",
        )
    elif parts.scheme == "http" and not on_this_machine(parts.hostname):
        findings.error(
            path,
            oidc.issuer,
            "who signs in could be forged on the way without TLS",
            "Use https:// (OpenID Connect asks for it).",
        )
