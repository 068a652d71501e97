"""Cross checks of the callout channels and of the dead-man signal: secrets that would travel in the open, and URLs.

That a person's channel exists is `site.check_people`; that a secret's file is there is `links.secret_checks`.
"""

from __future__ import annotations

from motewatch.site.findings import Findings
from motewatch.site.hosts import on_this_machine, url_parts
from motewatch.site.people import EmailChannel, WebhookChannel
from motewatch.site.problems import KeyPath


def check_channels(findings: Findings) -> None:
    """Look at each channel."""
    for number, channel in enumerate(findings.site.channels):
        path = ("channels", number)
        if isinstance(channel, EmailChannel):
            _email(findings, path, channel)
        elif isinstance(channel, WebhookChannel):
            _webhook(findings, path, channel)


def _email(findings: Findings, path: KeyPath, channel: EmailChannel) -> None:
    if channel.tls == "none" and channel.ca_file is not None:
        findings.error(
            (*path, "ca_file"),
            channel.ca_file,
            'a CA file is given, but tls is "none": the connection would not be encrypted',
            'Write tls = "starttls" or tls = "tls", or remove ca_file.',
        )
    if (channel.username is None) != (channel.password_file is None):
        there, missing = ("username", "password_file") if channel.username else ("password_file", "username")
        findings.error(
            (*path, there), getattr(channel, there), f"{there} is given without {missing}", f"Add {missing}."
        )
    if channel.tls == "none" and not on_this_machine(channel.host):
        what = "calls" if channel.password_file is None else "the password and the calls"
        findings.warning(
            (*path, "tls"),
            channel.tls,
            f"{what} would travel to {channel.host} unencrypted",
            'Write tls = "starttls" (usual with port 587) or tls = "tls" (usual with port 465).',
        )
    if channel.sender.count("@") != 1 or any(each.isspace() for each in channel.sender):
        findings.error(
            (*path, "sender"),
            channel.sender,
            "this is no e-mail address",
            'Write the address alone, such as "air@example.org".',
        )


def _webhook(findings: Findings, path: KeyPath, channel: WebhookChannel) -> None:
    key = (*path, "url")
    parts = url_parts(channel.url)
    if parts is None:
        findings.error(
            key, channel.url, "the URL names no host, or no valid port", 'Write "https://calls.example.org/in".'
        )
    elif parts.username is not None:
        findings.error(
            key,
            channel.url,
            "the URL holds a user name or password",
            "Leave it out: a call is signed with the key in key_file.",
        )
    elif parts.scheme == "http" and not on_this_machine(parts.hostname):
        findings.warning(key, channel.url, f"the calls would travel to {parts.hostname} unencrypted", "Use https://.")
    elif parts.scheme == "http" and channel.ca_file is not None:
        findings.error(
            (*path, "ca_file"),
            channel.ca_file,
            "a CA file is given, but the URL begins with http: the connection would not be encrypted",
            "Write https:// in url, or remove ca_file.",
        )
