"""No name, place or comment can become a header of a mail, or another recipient."""

from __future__ import annotations

from dataclasses import replace
from email import message_from_bytes
from email.policy import SMTP, SMTPUTF8
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.links.call_text import render
from motewatch.links.channels.letter import compose, header_words
from motewatch.links.errors import ChannelRefusedError
from support.calls import CALL, LINK, NAMES, message

HEADERS = [
    "From", "To", "Subject", "Date", "Message-ID", "References", "Auto-Submitted", "Content-Type", "MIME-Version",
]  # fmt: skip
PIECES = st.one_of(
    st.text(st.characters(codec=None), max_size=60),
    st.sampled_from(
        [
            "\r\nBcc: eve@example.org\r\n",
            "=?utf-8?q?a=0D=0ABcc:_eve=40example.org?=",
            "=?utf-8?b?DQpCY2M6IGV2ZUBleGFtcGxlLm9yZw==?=",
            '", <eve@example.org>, "',
            "a, b; c: <d>",
            "x" * 200,
        ]
    ),
)
WORDS = st.lists(PIECES, max_size=3).map("".join)


@given(WORDS, WORDS, WORDS, st.sampled_from(["ada@example.org", "žofie@bücher.example"]))
def test_headers_are_ours_whatever_people_wrote(site: str, what: str, note: str, address: str) -> None:
    told = replace(
        CALL, facts=(replace(CALL.facts[0], what=what, where=note),), note=note, urgent=False, address=address
    )
    call = render(told, replace(NAMES, name=site, persons={"ada": site}), LINK, ZoneInfo("Europe/Berlin"))
    letter = compose(call, "air@example.org")
    head, _, _ = letter.content.partition(b"\r\n\r\n")
    assert b"\r" not in head.replace(b"\r\n", b"")
    assert b"\n" not in head.replace(b"\r\n", b"")
    mail = message_from_bytes(letter.content, policy=SMTPUTF8 if letter.international else SMTP)
    assert sorted(mail.keys()) == sorted(HEADERS)
    assert [each.addr_spec for each in mail["From"].addresses] == ["air@example.org"]
    to = [each.addr_spec.encode("utf-8", "surrogateescape").decode() for each in mail["To"].addresses]
    assert to == [letter.to]
    # What was written arrives as it was written, but for line breaks and what looks encoded already.
    assert mail["Subject"].split() == header_words(call.subject).split()
    # The library's reader puts blanks where a name was folded.
    (sender,) = mail["From"].addresses
    assert "".join(sender.display_name.split()) == "".join(header_words(call.site_name).split())
    plain = mail.get_body(("plain",))
    assert plain is not None
    assert plain.get_content().replace("\r\n", "\n") == call.text
    assert compose(call, "air@example.org") == letter


@given(st.text(st.characters(codec=None), max_size=80))
def test_an_address_is_one_or_is_refused(address: str) -> None:
    call = replace(message(), address=address)
    try:
        letter = compose(call, "air@example.org")
    except ChannelRefusedError:
        with pytest.raises(ChannelRefusedError) as caught:
            compose(call, "air@example.org")
        assert str(caught.value).isprintable()
        return
    assert letter.to.count("@") == 1
    assert not any(char.isspace() or char in "<>,;" for char in letter.to)


@pytest.mark.parametrize("address", ["a@b", "a.b+c@example.org", "o'neill@example.org", "žofie@example.org"])
def test_ordinary_addresses_are_taken(address: str) -> None:
    assert compose(replace(message(), address=address), "air@example.org").to == address
