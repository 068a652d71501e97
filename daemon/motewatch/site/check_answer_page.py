"""Cross checks of the answer page: an address that a link can begin with, and a page that is not open to listeners."""

from __future__ import annotations

from motewatch.site.findings import Findings
from motewatch.site.hosts import on_this_machine, url_parts
from motewatch.site.people import AnswerPage


def check_answer_page(findings: Findings) -> None:
    """Look at the table, if there is one."""
    page = findings.site.callout.answer_page
    if page is None:
        return
    _address(findings, page)
    path = ("callout", "answer_page")
    if (page.cert_file is None) != (page.cert_key_file is None):
        there, missing = ("cert_file", "cert_key_file") if page.cert_file else ("cert_key_file", "cert_file")
        findings.error((*path, there), getattr(page, there), f"{there} is given without {missing}", f"Add {missing}.")
    elif page.cert_file is None and not on_this_machine(page.host):
        findings.warning(
            (*path, "host"),
            page.host,
            "the page would be open to the network without TLS: whoever listens can use the links",
            'Give cert_file and cert_key_file, or write host = "127.0.0.1" and put a proxy with TLS before it.',
        )


def _address(findings: Findings, page: AnswerPage) -> None:
    path = ("callout", "answer_page", "public_url")
    parts = url_parts(page.public_url)
    if parts is None:
        findings.error(
            path, page.public_url, "the URL names no host, or no valid port", 'Write "https://air.example.org/a".'
        )
    elif parts.username is not None or parts.query or parts.fragment:
        findings.error(
            path,
            page.public_url,
            "a link is this URL with a token behind it, so it cannot have a user, a query or a fragment",
            'Write only host and path, such as "https://air.example.org/a".',
        )
    elif parts.scheme == "http" and not on_this_machine(parts.hostname):
        findings.warning(
            path,
            page.public_url,
            f"the links would travel to {parts.hostname} unencrypted and could be used by others",
            "Use https://.",
        )
