"""Calls by e-mail, against a real SMTP server: what is taken, what is worth another try, what is final."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from motewatch.callout.records import Cause
from motewatch.links.channels import Channel, open_channel
from motewatch.links.channels.letter import compose
from motewatch.links.clock import Clock
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError, LinkSettingsError
from motewatch.links.logs import LineFormatter
from motewatch.site.people import EmailChannel
from motewatch.wire.topics import Topics
from support.calls import LINK, NOBODY, message
from support.certificates import Certificates, make_certificates
from support.mail import MailServer
from support.rude import Rude, dripping, in_turn, silent
from support.servers import free_port

SECRET = "correct horse battery"
ENOUGH_S = 30.0
SOON_S = 0.5


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    secret = tmp_path / "mail.secret"
    secret.write_text(SECRET + "\n")
    secret.chmod(0o600)
    return tmp_path


def channel(port: int, folder: Path, **settings: Any) -> Channel:
    table = {
        "id": "mail", "kind": "e-mail", "host": "127.0.0.1", "port": port, "tls": "none", "sender": "air@example.org",
    }  # fmt: skip
    return open_channel(
        EmailChannel.model_validate({**table, **settings}), folder, NOBODY, Clock(), Topics("motewatch/v1", "hall-3")
    )


@pytest.fixture
def server() -> Iterator[MailServer]:
    with MailServer() as server:
        yield server


def test_a_call_arrives_as_a_mail(server: MailServer, folder: Path) -> None:
    call = message(urgent=True)
    channel(server.port, folder).send(call, ENOUGH_S)
    (mail,) = server.mails
    (envelope,) = server.envelopes
    assert (envelope.mail_from, envelope.rcpt_tos) == ("air@example.org", ["ada@example.org"])
    assert mail["From"].addresses[0].addr_spec == "air@example.org"
    assert mail["From"].addresses[0].display_name == "Hall 3"
    assert mail["To"] == "ada@example.org"
    assert mail["Subject"] == call.subject
    assert mail["Message-ID"] == "<call-1.hall-3@example.org>"
    assert mail["Date"].datetime.timestamp() == call.at_us // 1_000_000
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Importance"] == "high"
    plain, html = mail.get_body(("plain",)), mail.get_body(("html",))
    assert plain is not None
    assert html is not None
    assert plain.get_content().splitlines() == call.text.splitlines()
    assert html.get_content().splitlines() == str(call.html).splitlines()


def test_a_repeat_is_the_same_mail_and_known_by_its_id(server: MailServer, folder: Path) -> None:
    way = channel(server.port, folder)
    way.send(message(), ENOUGH_S)
    way.send(message(), ENOUGH_S)
    first, second = server.envelopes
    assert first.content == second.content
    assert "Importance" not in server.mails[0]


def test_what_belongs_to_one_alarm_is_one_thread() -> None:
    def thread(cause: Cause, **changes: Any) -> bytes:
        content = compose(message(cause=cause, **changes), "air@example.org").content
        return next(line for line in content.splitlines() if line.startswith(b"References:"))

    assert thread(Cause.RAISED) == thread(Cause.TAKEN, id="call-2")
    other = replace(message().facts[0], since_us=message().facts[0].since_us + 1)
    assert thread(Cause.RAISED) != thread(Cause.RAISED, facts=(other,))


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        ("550 5.1.1 no such mailbox", ChannelRefusedError),
        ("553 mailbox name not allowed", ChannelRefusedError),
        ("451 4.7.1 greylisted, come back", ChannelAwayError),
        ("452 4.2.2 mailbox full", ChannelAwayError),
        ("421 4.3.2 shutting down", ChannelAwayError),
    ],
)
def test_a_refused_recipient(server: MailServer, folder: Path, answer: str, error: type[Exception]) -> None:
    server.refuse["ada@example.org"] = answer
    with pytest.raises(error, match=answer[:3]) as caught:
        channel(server.port, folder).send(message(), ENOUGH_S)
    assert answer.split(" ", 1)[1] in str(caught.value)
    assert "ada@example.org" in str(caught.value)
    assert server.envelopes == []


@pytest.mark.parametrize(
    ("answer", "error"),
    [("554 5.7.1 looks like spam", ChannelRefusedError), ("451 4.3.0 disk full", ChannelAwayError)],
)
def test_a_refused_message(server: MailServer, folder: Path, answer: str, error: type[Exception]) -> None:
    server.after_content = answer
    with pytest.raises(error, match=answer) as caught:
        channel(server.port, folder).send(message(), ENOUGH_S)
    # An answer came: nothing is in doubt.
    assert not getattr(caught.value, "may_have_arrived", False)


def test_a_server_that_names_the_link_does_not_get_it_onto_the_record(server: MailServer, folder: Path) -> None:
    server.after_content = f"554 5.7.1 <{LINK}> is listed"
    with pytest.raises(ChannelRefusedError) as caught:
        channel(server.port, folder).send(message(), ENOUGH_S)
    assert str(caught.value).endswith("refuses the message: 554 5.7.1 <*****> is listed")


@pytest.mark.parametrize("tls", ["starttls", "tls"])
def test_encrypted_with_a_login(certificates: Certificates, folder: Path, tls: Any) -> None:
    with MailServer(tls=tls, certificates=certificates, accounts={"air": SECRET}) as server:
        good = channel(
            server.port, folder, tls=tls, ca_file=str(certificates.ca), username="air", password_file="mail.secret"
        )
        good.send(message(), ENOUGH_S)
        assert server.logins == [("air", SECRET)]
        assert len(server.mails) == 1


def test_a_password_beyond_ascii(certificates: Certificates, folder: Path) -> None:
    secret = "Übermäßig geheim"
    (folder / "mail.secret").write_text(secret)
    with MailServer(tls="starttls", certificates=certificates, accounts={"air": secret}) as server:
        settings = {"tls": "starttls", "ca_file": str(certificates.ca), "username": "air"}
        channel(server.port, folder, password_file="mail.secret", **settings).send(message(), ENOUGH_S)
        assert server.logins == [("air", secret)]
        assert len(server.mails) == 1


@pytest.mark.parametrize("secret", ["not the password", "nicht das Paßwort"])
def test_a_wrong_password_is_final_and_shown_nowhere(
    certificates: Certificates, folder: Path, caplog: pytest.LogCaptureFixture, secret: str
) -> None:
    (folder / "mail.secret").write_text(secret)
    caplog.set_level(logging.DEBUG)
    echo = f"535 5.7.8 '{secret}' is wrong".encode().decode("ascii", "replace")
    with MailServer(tls="starttls", certificates=certificates, accounts={"air": SECRET}, login_answer=echo) as server:
        way = channel(
            server.port, folder, tls="starttls", ca_file=str(certificates.ca), username="air",
            password_file="mail.secret",
        )  # fmt: skip
        with pytest.raises(ChannelRefusedError, match="refuses the login of 'air': 535") as caught:
            way.send(message(), ENOUGH_S)
    logging.getLogger("motewatch.test").debug("%s", way, exc_info=caught.value)
    assert "check username and password_file" in str(caught.value)
    # The server of the test writes a log of its own.
    ours = "\n".join(LineFormatter().format(record) for record in caplog.records if record.name != "mail.log")
    assert "check username and password_file" in ours
    for text in (str(caught.value), repr(vars(caught.value)), ours):
        assert secret not in text


def test_a_login_that_cannot_be_checked_now_is_tried_again(certificates: Certificates, folder: Path) -> None:
    with MailServer(
        tls="tls", certificates=certificates, accounts={"air": "x"}, login_answer="454 4.7.0 try later"
    ) as server:
        way = channel(
            server.port, folder, tls="tls", ca_file=str(certificates.ca), username="air", password_file="mail.secret"
        )
        with pytest.raises(ChannelAwayError, match="454"):
            way.send(message(), ENOUGH_S)


def test_a_server_that_wants_a_login(folder: Path) -> None:
    with MailServer(accounts={"air": SECRET}) as strict, pytest.raises(ChannelRefusedError, match="wants a login"):
        channel(strict.port, folder).send(message(), ENOUGH_S)
    # And one that offers none.
    with Rude(in_turn(GREETING, OK)) as open_to_all, pytest.raises(ChannelRefusedError, match="offers no login"):
        channel(open_to_all.port, folder, username="air", password_file="mail.secret").send(message(), ENOUGH_S)


@pytest.mark.parametrize("tls", ["starttls", "tls"])
def test_a_certificate_of_another_authority_ends_it(
    certificates: Certificates, folder: Path, tmp_path: Path, tls: Any
) -> None:
    other = make_certificates(tmp_path, name="other")
    with MailServer(tls=tls, certificates=certificates) as server:
        with pytest.raises(ChannelRefusedError, match=r"certificate that does not hold.*ca_file"):
            channel(server.port, folder, tls=tls, ca_file=str(other.ca)).send(message(), ENOUGH_S)
        assert server.envelopes == []


def test_nothing_is_said_unencrypted_where_encryption_was_asked_for(server: MailServer, folder: Path) -> None:
    with pytest.raises(ChannelRefusedError, match="does not offer STARTTLS"):
        channel(server.port, folder, tls="starttls").send(message(), ENOUGH_S)
    with pytest.raises(ChannelRefusedError, match="does not speak TLS"):
        channel(server.port, folder, tls="tls").send(message(), ENOUGH_S)
    assert server.envelopes == []


def test_nobody_there(folder: Path) -> None:
    with pytest.raises(ChannelAwayError, match="refuses connections") as caught:
        channel(free_port(), folder).send(message(), ENOUGH_S)
    assert not caught.value.may_have_arrived
    with pytest.raises(ChannelAwayError, match=r"the name 'mail\.invalid' is not known"):
        channel(25, folder, host="mail.invalid").send(message(), ENOUGH_S)


def test_a_host_with_several_addresses_is_reached_by_the_one_that_answers(server: MailServer, folder: Path) -> None:
    # Where this machine has IPv6, `localhost` is ::1 first, and nobody listens there.
    channel(server.port, folder, host="localhost").send(message(), ENOUGH_S)
    assert len(server.mails) == 1


GREETING, OK = b"220 mail.example.org\r\n", b"250 ok\r\n"


@pytest.mark.parametrize(
    "script",
    [
        silent,
        dripping(),
        dripping(b"220-mail.example.org\r\n", b"220-more\r\n"),
        in_turn(GREETING),
        in_turn(GREETING, OK, OK),
    ],
    ids=["silent", "dripping", "greeting-without-end", "hangs-at-ehlo", "hangs-at-recipient"],
)
def test_a_server_that_holds_us_is_left_at_the_deadline(folder: Path, script: Any) -> None:
    with Rude(script) as server:
        with pytest.raises(ChannelAwayError, match=r"did not answer within 0\.5 s") as caught:
            channel(server.port, folder).send(message(), SOON_S)
        assert not caught.value.may_have_arrived


def test_a_handshake_without_end_is_left_at_the_deadline(folder: Path) -> None:
    with Rude(silent) as server, pytest.raises(ChannelAwayError, match=r"within 0\.5 s"):
        channel(server.port, folder, tls="tls").send(message(), SOON_S)


@pytest.mark.parametrize("vanishes", [False, True])
def test_no_answer_to_the_content_means_it_may_have_arrived(folder: Path, vanishes: bool) -> None:
    received_all = threading.Event()

    def script(connection: Any, over: Any) -> None:
        connection.settimeout(10)
        for number, answer in enumerate((GREETING, OK, OK, OK, b"354 go on\r\n")):
            if number:
                connection.recv(65_536)
            connection.sendall(answer)
        received = b""
        while not received.endswith(b"\r\n.\r\n"):
            received += connection.recv(65_536)
        received_all.set()
        if not vanishes:
            over.wait()

    # On a busy machine the conversation may not come so far within the first of these.
    for deadline_s in (SOON_S, 4.0, ENOUGH_S):
        with Rude(script) as server, pytest.raises(ChannelAwayError) as caught:
            channel(server.port, folder).send(message(), deadline_s)
        if received_all.is_set():
            break
    assert received_all.is_set()
    assert caught.value.may_have_arrived


def test_a_server_that_talks_nonsense(folder: Path) -> None:
    for nonsense in (b"\xff\xfe\x00 hello\r\n", b"HTTP/1.1 400 Bad Request\r\n\r\n", b"x" * 20_000 + b"\r\n"):
        with Rude(in_turn(nonsense)) as server, pytest.raises(ChannelAwayError):
            channel(server.port, folder).send(message(), SOON_S)


@pytest.mark.parametrize(
    "address",
    ["ada", "ada@", "@example.org", "a b@example.org", "ada@example.org\r\nRCPT TO:<eve@example.org>", "a@b@c",
     "<ada@example.org>", "ada@example.org, eve@example.org", "ada@ex..ample.org", ""],
)  # fmt: skip
def test_what_is_no_address_is_refused_before_anything_is_sent(folder: Path, address: str) -> None:
    with pytest.raises(ChannelRefusedError, match="is no e-mail address"):
        channel(free_port(), folder).send(replace(message(), address=address), ENOUGH_S)


def test_addresses_in_other_scripts(server: MailServer, folder: Path) -> None:
    way = channel(server.port, folder)
    way.send(replace(message(), address="ada@bücher.example"), ENOUGH_S)
    way.send(replace(message(), address="žofie@example.org"), ENOUGH_S)
    assert [each.rcpt_tos for each in server.envelopes] == [["ada@xn--bcher-kva.example"], ["žofie@example.org"]]
    with Rude(in_turn(GREETING, OK)) as old, pytest.raises(ChannelRefusedError, match="takes no address with letters"):
        channel(old.port, folder).send(replace(message(), address="žofie@example.org"), ENOUGH_S)


def test_settings_that_cannot_be_used(folder: Path) -> None:
    with pytest.raises(LinkSettingsError, match=r"none\.pem' cannot be used"):
        channel(25, folder, tls="tls", ca_file="none.pem")
    with pytest.raises(LinkSettingsError, match=r"none\.secret"):
        channel(25, folder, username="air", password_file="none.secret")
