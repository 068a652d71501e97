"""The answer page as a part of the service: its keys, its server, and the way of an answer to the engine and back.

What can be wrong with its settings is found in the constructor and in `start`, with the key of the site file. Must not
know what is on the page or what an answer does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final, Protocol

from motewatch.callout.answers import AnswerKeyError, Keys, LinkSigner
from motewatch.engine.codec import Internal
from motewatch.engine.records import Answered, Output, Replied
from motewatch.links.clock import TimeSource
from motewatch.links.errors import LinkSettingsError
from motewatch.links.housekeeping import Job
from motewatch.links.site_file import read_secret
from motewatch.site.models import Site
from motewatch.site.people import AnswerPage as Settings
from motewatch.web.answer_page import AnswerPage, Record
from motewatch.web.server import PageServer
from motewatch.web.sheet import Place

GUESSES_S: Final = 60.0
"""How often tried links that were none are put on record, when there were any."""


class Poster(Protocol):
    """`Service.post`."""

    def __call__(self, what: Internal, done: Callable[[Sequence[Output]], object] | None = None) -> None: ...


class Answering:
    """Keys, page and server of one site. `signer` makes the links that lead here."""

    def __init__(
        self, site: Site, settings: Settings, base_dir: Path, record: Record, post: Poster, clock: TimeSource
    ) -> None:
        """Raises `SecretFileError` or `LinkSettingsError`."""
        try:
            keys = Keys.parse(read_secret(settings.key_file, base_dir).reveal())
        except AnswerKeyError as error:
            problem, _, mend = str(error).partition("; ")
            raise LinkSettingsError("callout.answer_page.key_file", problem, mend) from None
        self.signer = LinkSigner.of(keys, settings, site.callout.test_calls)
        self._post = post
        self._place = Place.of(site)
        certificate = [
            None if name is None else base_dir / name for name in (settings.cert_file, settings.cert_key_file)
        ]
        self._page = AnswerPage(
            keys,
            record,
            self._hand_over,
            lambda: self._place,
            clock,
            settings.public_url,
            https=settings.cert_file is not None,
        )
        self._server = PageServer(self._page.app, settings.host, settings.port, *certificate)

    @property
    def port(self) -> int:
        """The port it listens on, once started."""
        return self._server.port

    @property
    def job(self) -> Job:
        """What the housekeeping has to do for it."""
        return Job("links-guessed", GUESSES_S, self.tell_of_guesses)

    def know(self, site: Site) -> None:
        """The site file was read again: names, rights and lengths of shelving as they are now."""
        self._place = Place.of(site)

    def start(self) -> None:
        """Serve. Raises `LinkSettingsError`."""
        self._server.start()

    def renew_certificate(self) -> None:
        """Its file has changed: new connections get the new one."""
        self._server.renew_certificate()

    def stop(self, timeout_s: float) -> None:
        """End; nobody waits for a reply any more."""
        self._page.stop()
        self._server.stop(timeout_s)

    def tell_of_guesses(self) -> None:
        """Put tried links that were none on record."""
        guessed = self._page.guessed()
        if guessed is not None:
            self._post(guessed)

    def _hand_over(self, answered: Answered, done: Callable[[Replied], None]) -> None:
        def said(outputs: Sequence[Output]) -> None:
            for output in outputs:
                if isinstance(output, Replied) and output.command_id == answered.id:
                    done(output)

        self._post(answered, said)
