"""A call as an e-mail: headers and body, as bytes.

Rules: pure; the same call gives the same bytes, with a Message-ID made of the call's id, so that a repeat is known for
one. Headers are built from addresses that were checked and from words on one line, in which nothing can be read as a
header or as an encoded word of somebody else's (RFC 2047). It says that a machine wrote it (RFC 3834), so that
holiday notices do not answer.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from email.header import Header
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, quote
from hashlib import sha256
from typing import Final

from motewatch.links.call_message import CallMessage, one_line
from motewatch.links.errors import ChannelRefusedError
from motewatch.site.instants import instant
from motewatch.site.problems import printable

_ADDRESS: Final = re.compile(r"[^\s\x00-\x20\x7f@<>()\[\],;:\\\"]{1,64}@[^\s\x00-\x20\x7f@<>()\[\],;:\\\"]{1,253}")
_ID: Final = re.compile(r"[^A-Za-z0-9-]")


@dataclass(frozen=True, slots=True)
class Letter:
    """A mail, ready to be handed over."""

    sender: str
    to: str
    content: bytes
    international: bool
    """An address has letters outside ASCII before the @: the servers must know SMTPUTF8 (RFC 6531)."""


def compose(message: CallMessage, sender: str) -> Letter:
    """The call as a mail from `sender`. Raises `ChannelRefusedError` where an address cannot be one."""
    from_, to = checked(sender, "the sender"), checked(message.address, "the address")
    site, domain = _ID.sub("-", message.site), from_.domain
    headers = [
        ("From", f"{_display(message.site_name)}<{from_.username}@{domain}>"),
        ("To", f"{to.username}@{to.domain}"),
        ("Subject", _encoded("Subject", header_words(message.subject))),
        ("Date", format_datetime(instant(message.at_us))),
        ("Message-ID", f"<{_ID.sub('-', message.id)}.{site}@{domain}>"),
    ]
    if message.facts:
        # Mail programs show what belongs to one alarm together.
        first = message.facts[0]
        thread = sha256(f"{first.alarm} {first.since_us}".encode()).hexdigest()[:20]
        headers.append(("References", f"<alarm-{thread}.{site}@{domain}>"))
    headers.append(("Auto-Submitted", "auto-generated"))
    if message.urgent:
        headers += [("Importance", "high"), ("X-Priority", "1")]
    head = "".join(f"{name}: {value}\r\n" for name, value in headers).encode()
    return Letter(
        sender=f"{from_.username}@{domain}",
        to=f"{to.username}@{to.domain}",
        content=head + _body(message),
        international=not (from_.username.isascii() and to.username.isascii()),
    )


def _body(message: CallMessage) -> bytes:
    """Text and mail page, with the headers that belong to them."""
    mail = EmailMessage(SMTP)
    mail.set_content(message.text, charset="utf-8", cte="quoted-printable")
    if message.html is not None:
        mail.add_alternative(message.html, subtype="html", charset="utf-8", cte="quoted-printable")
        mail.set_boundary(f"=_{sha256(message.id.encode()).hexdigest()[:30]}")
    for name, kind, content in message.files:
        main, _, sub = kind.partition(";")[0].partition("/")
        mail.add_attachment(content, maintype=main, subtype=sub, filename=name)
    if message.files:
        mail.set_boundary(f"=_{sha256(f'files {message.id}'.encode()).hexdigest()[:30]}")
    return mail.as_bytes()


def _encoded(name: str, words: str) -> str:
    """Words as a header has them, folded. Not by the message class: it loses blanks where it folds."""
    return Header(words, "us-ascii" if words.isascii() else "utf-8", 76, name).encode(linesep="\r\n")


def _display(words: str) -> str:
    """The name before an address."""
    plain = header_words(words)
    if not plain:
        return ""
    return f'"{quote(plain)}" ' if plain.isascii() else f"{_encoded('From', plain)} "


def checked(address: str, which: str) -> Address:
    """The parts of an address, its domain in ASCII (IDNA). Raises `ChannelRefusedError`."""
    if _ADDRESS.fullmatch(address) and address.isprintable():
        user, _, domain = address.partition("@")
        try:
            return Address("", user, domain.encode("idna").decode("ascii"))
        except (UnicodeError, ValueError, IndexError):
            pass
    raise ChannelRefusedError(
        f"{which} '{printable(address)}' is no e-mail address; write it alone, such as ada@example.org"
    )


def header_words(text: str) -> str:
    """Words for a header: on one line, and with nothing that a mail program would decode as an encoded word."""
    return one_line(text).replace("=?", "= ?").replace("?=", "? =")
