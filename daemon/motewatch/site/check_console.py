"""Cross checks of the console: an address that pages can be at, and passwords that do not travel in the clear."""

from __future__ import annotations

from motewatch.site.check_oidc import check_oidc
from motewatch.site.console import Console
from motewatch.site.findings import Findings
from motewatch.site.hosts import on_this_machine, url_parts


def check_console(findings: Findings) -> None:
    """Look at the table, if there is one."""
    console = findings.site.console
    if console is None:
        return
    _address(findings, console)
    if console.oidc is not None:
        check_oidc(findings, console.oidc)
    if (console.cert_file is None) != (console.cert_key_file is None):
        there, missing = ("cert_file", "cert_key_file") if console.cert_file else ("cert_key_file", "cert_file")
        findings.error(
            ("console", there), getattr(console, there), f"{there} is given without {missing}", f"Add {missing}."
        )
    elif console.cert_file is None and not on_this_machine(console.host):
        findings.error(
            ("console", "host"),
            console.host,
            "passwords would cross the network without TLS",
            'Give cert_file and cert_key_file, or write host = "127.0.0.1" and put a proxy with TLS before it.',
        )


def _address(findings: Findings, console: Console) -> None:
    path = ("console", "public_url")
    parts = url_parts(console.public_url)
    if parts is None:
        findings.error(
            path, console.public_url, "the URL names no host, or no valid port", 'Write "https://air.example.org".'
        )
    elif parts.username is not None or parts.query or parts.fragment or parts.path.rstrip("/"):
        findings.error(
            path,
            console.public_url,
            "the console is at the root of its address, so there can be no user, path, query or fragment",
            'Write only scheme, host and port, such as "https://air.example.org".',
        )
    elif parts.scheme == "http" and (console.cert_file is not None or not on_this_machine(parts.hostname)):
        findings.error(
            path,
            console.public_url,
            "browsers would send passwords without TLS",
            "Use https:// (with TLS here or in a proxy before it).",
        )
