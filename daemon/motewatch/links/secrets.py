"""Secrets: read from files or from the service manager's credentials, printed as stars.

    LinkSettingsError (links.errors)
    +-- SecretFileError     a file with a password, key or token cannot be used

A name is a path (relative ones from the folder of the site file) or `credential:NAME`: then the file `NAME` in the
folder that the service manager hands over in `$CREDENTIALS_DIRECTORY` (systemd: `LoadCredential=`).

Rules: a secret is never part of a message, a log line or a traceback; only `reveal` gives it away. What came back from
outside may repeat a secret that we sent there, so it goes through `scrub` before it is kept or shown.
"""

from __future__ import annotations

import logging
import os
import stat
from base64 import b64encode
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import quote, quote_plus

from motewatch.links.errors import LinkSettingsError
from motewatch.site.problems import STARS, printable

log = logging.getLogger(__name__)

MAX_SECRET_BYTES: Final = 64 * 1024
CREDENTIAL: Final = "credential:"
DIRECTORY: Final = "CREDENTIALS_DIRECTORY"
_SHORTEST: Final = 4
"""Shorter texts are not looked for: stars instead of every "a" would make an answer unreadable and hide nothing."""


class SecretFileError(LinkSettingsError):
    """A file with a secret cannot be used. The text names the file, never its content."""


@dataclass(frozen=True, slots=True, repr=False)
class Secret:
    """A password or token. Prints as stars; only `reveal` gives it away, so every use can be found."""

    _text: str

    def reveal(self) -> str:
        """The secret itself, for the one call that needs it."""
        return self._text

    def __repr__(self) -> str:
        return STARS

    __str__ = __repr__


def secret_path(name: str | Path, base_dir: Path, credentials: str | None = None) -> Path | None:
    """The file that a name of the site file means; None for a credential where nobody hands over credentials.

    `credentials` is the folder with the credentials; absent, that of this process.
    """
    text = str(name)
    if not text.startswith(CREDENTIAL):
        return base_dir / name
    folder = os.environ.get(DIRECTORY) if credentials is None else credentials
    part = text.removeprefix(CREDENTIAL)
    # A name, not a path: it must not lead out of the folder.
    if not part or part != Path(part).name:
        raise SecretFileError(text, "this is no name of a credential", f"write {CREDENTIAL} and a file name without /")
    return None if not folder else Path(folder) / part


def read_secret(
    name: str | Path,
    base_dir: Path,
    warn: Callable[[str], None] = log.warning,
    *,
    credentials: str | None = None,
) -> Secret:
    """The secret behind a name of the site file; `base_dir` is the folder of the site file.

    The line break at the end is not part of it. Raises SecretFileError. A file that everyone on the machine may read
    is used, and told to `warn`.
    """
    file = secret_path(name, base_dir, credentials)
    if file is None:
        raise SecretFileError(
            str(name),
            f"the service manager handed over no credentials (${DIRECTORY} is not set)",
            f"start the service with LoadCredential={str(name).removeprefix(CREDENTIAL)}:FILE, or name a file",
        )
    try:
        content = file.read_bytes()
        mode = file.stat().st_mode
    except OSError as error:
        raise SecretFileError(
            str(file), f"the file with the secret cannot be read: {error.strerror}", "create it for the service's user"
        ) from None
    try:
        text = content.decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError:
        raise SecretFileError(str(file), "the file with the secret is not UTF-8 text", "save it as UTF-8") from None
    if not text or len(content) > MAX_SECRET_BYTES:
        raise SecretFileError(
            str(file), "the file with the secret is empty or far too long", "write the secret into it, on one line"
        )
    if "\n" in text or "\r" in text:
        raise SecretFileError(str(file), "the file with the secret has several lines", "leave one line in it")
    if mode & stat.S_IROTH:
        warn(f"{file} holds a secret and everyone on this machine may read it; run: chmod o-r {file}")
    return Secret(text)


def scrub(text: str, secrets: Iterable[Secret | str], longest: int = 200) -> str:
    """The text on one line, shortened, with stars for every secret in it, also where it is percent-encoded or base64.

    A secret is looked for before the text is cut, so that no half of one is left at the end.
    """
    words: set[str] = set()
    for secret in secrets:
        plain = secret.reveal() if isinstance(secret, Secret) else secret
        if len(plain) >= _SHORTEST:
            words |= {plain, quote(plain, safe=""), quote(plain), quote_plus(plain)}
            words |= {b64encode(plain.encode()).decode(), repr(plain)[1:-1]}
    for word in sorted(words, key=len, reverse=True):
        text = text.replace(word, STARS)
    return printable(" ".join(text.split()), longest)
