"""Calls by e-mail: one SMTP conversation for each call, encrypted and checked, over when its deadline is.

Rules: a server's 4xx is worth another try, its 5xx is final (RFC 5321, 4.2.1), for each step and recipient; what cannot
be told apart after the content was sent may have arrived. The server's words are kept, shortened and without our
password. Where encryption was asked for, nothing is said without it. One recipient for each mail, so no delivery is
done half.
"""

from __future__ import annotations

import contextlib
import smtplib
import ssl
from base64 import b64encode
from collections.abc import Sequence
from typing import Any, Final

from motewatch.links.call_message import CallMessage
from motewatch.links.channels.letter import Letter, checked, compose
from motewatch.links.channels.line import Line, answers_of, too_late, trouble
from motewatch.links.clock import TimeSource
from motewatch.links.errors import ChannelAwayError, ChannelError, ChannelRefusedError
from motewatch.links.secrets import Secret, scrub
from motewatch.site import people

LONGEST_ANSWER: Final = 120
GOODBYE_S: Final = 1.0


class EmailChannel:
    """See the module. `tls` is the context to check the server with; `password` belongs to the settings' username."""

    def __init__(
        self, settings: people.EmailChannel, tls: ssl.SSLContext | None, password: Secret | None, clock: TimeSource
    ) -> None:
        self._settings = settings
        self._tls = tls
        self._password = password
        self._clock = clock
        self._where = f"{settings.host}:{settings.port}"
        # Given, so that smtplib does not look up the name of this machine, which can hang.
        self._our_name = checked(settings.sender, "the sender").domain

    def send(self, message: CallMessage, deadline_s: float) -> None:
        """See `links.channels.Channel`."""
        letter = compose(message, self._settings.sender)
        talk: _Talk | None = None
        with Line(self._clock, deadline_s) as line:
            try:
                talk = _Talk(line, self._settings, self._tls, self._our_name)
                self._prepare(talk, letter)
                self._hand_over(talk, letter)
            except ChannelError:
                raise
            except (OSError, smtplib.SMTPException, ValueError) as error:
                # `ValueError`: bytes of a server that cannot be read. Its text may hold what was sent: not kept.
                content_sent = talk is not None and talk.content_sent
                if line.expired:
                    raise too_late(self._where, deadline_s, may_have_arrived=content_sent) from None
                raise self._judge(error, letter, message, content_sent=content_sent) from None
            finally:
                if talk is not None:
                    talk.leave(line)

    def close(self) -> None:
        """Nothing is held open between calls."""

    def _prepare(self, talk: _Talk, letter: Letter) -> None:
        if self._settings.tls == "starttls":
            assert self._tls is not None
            talk.ehlo_or_helo_if_needed()
            if not talk.has_extn("starttls"):
                raise ChannelRefusedError(
                    f"{self._where} does not offer STARTTLS, and nothing is sent unencrypted; check port and tls "
                    '(port 465 usually needs tls = "tls")'
                )
            talk.starttls(context=self._tls)
        talk.ehlo_or_helo_if_needed()
        if self._password is not None:
            self._log_in(talk, self._settings.username or "", self._password.reveal())
        if letter.international and not talk.has_extn("smtputf8"):
            raise ChannelRefusedError(
                f"{self._where} takes no address with letters such as those of {letter.to}; give another address"
            )

    def _log_in(self, talk: _Talk, user: str, password: str) -> None:
        if not talk.has_extn("auth"):
            raise ChannelRefusedError(
                f"{self._where} offers no login{'' if self._settings.tls != 'none' else ' without encryption'}; "
                "remove username and password_file, or use its port for mail from users (usually 587 or 465)"
            )
        if user.isascii() and password.isascii():
            talk.login(user, password)
            return
        # RFC 4616: UTF-8. The library writes ASCII only.
        secret = b64encode(f"\0{user}\0{password}".encode()).decode("ascii")
        code, answer = talk.docmd("AUTH", f"PLAIN {secret}")
        if code not in (235, 503):
            raise smtplib.SMTPAuthenticationError(code, answer)

    def _hand_over(self, talk: _Talk, letter: Letter) -> None:
        options = ["SMTPUTF8", "BODY=8BITMIME"] if letter.international else []
        talk.sendmail(letter.sender, [letter.to], letter.content, mail_options=options)

    def _judge(self, error: Exception, letter: Letter, message: CallMessage, *, content_sent: bool) -> ChannelError:
        """What the failure means."""
        if isinstance(error, smtplib.SMTPRecipientsRefused):
            code, answer = error.recipients[letter.to]
            return self._answered(
                code, answer, f"refuses the address {letter.to}", "correct it in the site file, under persons"
            )
        if isinstance(error, smtplib.SMTPSenderRefused):
            mend = "check sender in the site file"
            if error.smtp_code == 530:
                mend = "it wants a login: give username and password_file"
            return self._answered(
                error.smtp_code, error.smtp_error, f"refuses the sender {self._settings.sender}", mend
            )
        if isinstance(error, smtplib.SMTPAuthenticationError):
            what = f"refuses the login of '{self._settings.username}'"
            return self._answered(error.smtp_code, error.smtp_error, what, "check username and password_file")
        if isinstance(error, smtplib.SMTPDataError):
            # Some servers name the link that they dislike.
            return self._answered(error.smtp_code, error.smtp_error, "refuses the message", "", answers_of(message))
        # Text instead of bytes: the library's own word for a line without end.
        if isinstance(error, smtplib.SMTPResponseException) and not isinstance(error.smtp_error, str):
            return self._answered(
                error.smtp_code, error.smtp_error, "does not take mail from us", "check host and port"
            )
        # The library's exceptions are OSErrors too.
        if isinstance(error, smtplib.SMTPServerDisconnected) or (
            isinstance(error, OSError) and not isinstance(error, smtplib.SMTPException)
        ):
            return trouble(error, self._where, may_have_arrived=content_sent)
        if type(error) is smtplib.SMTPException:
            return ChannelRefusedError(f"{self._where} offers no way to log in that we know; ask who runs it")
        return ChannelAwayError(f"{self._where} answers what is no SMTP; check host and port")

    def _answered(
        self, code: int, answer: bytes | str, what: str, mend: str, hidden: Sequence[str] = ()
    ) -> ChannelError:
        text = answer.decode("utf-8", "replace") if isinstance(answer, bytes) else answer
        said = scrub(text, [*self._secrets(), *hidden], LONGEST_ANSWER)
        final = code // 100 == 5
        sentence = f"{self._where} {'' if final else 'for now '}{what}: {code} {said}".rstrip()
        if final:
            return ChannelRefusedError(f"{sentence}; {mend}" if mend else sentence)
        return ChannelAwayError(sentence)

    def _secrets(self) -> list[Secret | str]:
        if self._password is None:
            return []
        plain = f"\0{self._settings.username}\0{self._password.reveal()}"
        return [self._password, b64encode(plain.encode()).decode()]


class _Talk(smtplib.SMTP):
    """An SMTP conversation over a line that is cut at the deadline."""

    def __init__(self, line: Line, settings: people.EmailChannel, tls: ssl.SSLContext | None, our_name: str) -> None:
        self._line = line
        self._tls = tls if settings.tls == "tls" else None
        self.content_sent = False
        super().__init__(settings.host, settings.port, local_hostname=our_name, timeout=line.left_s)

    def connect(self, host: str = "", port: int = 0, source_address: object = None) -> tuple[int, bytes]:
        """Connect within the deadline, encrypted from the first byte where that was asked for."""
        sock = self._line.connect(host, port)
        if self._tls is not None:
            sock = self._tls.wrap_socket(sock, server_hostname=host)
        self.sock = sock
        self.file = None
        return self.getreply()

    def data(self, msg: Any) -> tuple[int, bytes]:
        """Send the content; from here on it may have arrived."""
        self.content_sent = True
        code, answer = super().data(msg)
        # An answer came, so it is known what became of it.
        self.content_sent = False
        return code, answer

    def leave(self, line: Line) -> None:
        """Say goodbye, without waiting long for the answer."""
        with contextlib.suppress(OSError, smtplib.SMTPException, ValueError):
            if self.sock is not None and not line.expired:
                self.sock.settimeout(min(GOODBYE_S, line.left_s))
                self.quit()
        self.close()
