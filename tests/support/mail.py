"""A real SMTP server on loopback, with TLS and logins where asked for. Remembers what it took."""

from __future__ import annotations

import ssl
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from types import SimpleNamespace
from typing import Any, Literal

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

from support.certificates import Certificates
from support.servers import free_port


@dataclass
class MailServer:
    """Use as a context. `refuse` maps a recipient to the answer it gets; `after_content` answers every message."""

    tls: Literal["none", "starttls", "tls"] = "none"
    certificates: Certificates | None = None
    accounts: dict[str, str] = field(default_factory=dict)
    refuse: dict[str, str] = field(default_factory=dict)
    after_content: str = "250 taken"
    login_answer: str = "535 5.7.8 no"
    envelopes: list[Any] = field(default_factory=list)
    logins: list[tuple[str, str]] = field(default_factory=list)
    port: int = 0

    def __enter__(self) -> MailServer:
        context = None
        if self.certificates is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(self.certificates.server, self.certificates.key)
        self.port = free_port()
        # Not `self`: the library looks at every member of its handler for every connection, and so would parse `mails`.
        hooks = SimpleNamespace(
            handle_MAIL=self.handle_MAIL, handle_RCPT=self.handle_RCPT, handle_DATA=self.handle_DATA
        )
        self._controller = Controller(
            hooks,
            hostname="127.0.0.1",
            port=self.port,
            ready_timeout=30,
            ssl_context=context if self.tls == "tls" else None,
            tls_context=context if self.tls == "starttls" else None,
            require_starttls=self.tls == "starttls",
            authenticator=self._login if self.accounts else None,
            auth_require_tls=False,
            enable_SMTPUTF8=True,
        )
        self._controller.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._controller.stop()

    @property
    def mails(self) -> list[EmailMessage]:
        """What was taken, parsed."""
        return [message_from_bytes(each.content, policy=default) for each in self.envelopes]

    def _login(self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        user, password = data.login.decode(), data.password.decode()
        self.logins.append((user, password))
        good = self.accounts.get(user) == password
        return AuthResult(success=good, handled=good, message=None if good else self.login_answer)

    async def handle_MAIL(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        # Here, since the library warns where it is to ask for a login without STARTTLS.
        if self.accounts and not session.authenticated:
            return "530 5.7.0 Authentication required"
        envelope.mail_from = address
        envelope.mail_options.extend(options)
        return "250 OK"

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        answer = self.refuse.get(address)
        if answer is not None:
            return answer
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.after_content.startswith("250"):
            self.envelopes.append(envelope)
        return self.after_content
