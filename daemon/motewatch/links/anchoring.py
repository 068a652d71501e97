"""Anchors of the record on their way out and back: the job that makes them, their message, files that hold them, keys.

Rules: an anchor and the row that publishes it are committed together. Key files are read as other secrets are, and one
that others on the machine may read is refused: whoever has it can sign a record of his own making. Times are those of
`journal.anchors`; what an anchor proves is not decided here.
"""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from motewatch.journal.anchors import Anchor, Told
from motewatch.journal.journal import Journal
from motewatch.journal.rows import OutboxRow
from motewatch.journal.signature import SHAPE, SigningKey, public_key
from motewatch.links.clock import TimeSource
from motewatch.links.errors import LinkSettingsError
from motewatch.links.outbox import MQTT, fresh_row
from motewatch.links.secrets import CREDENTIAL, read_secret, secret_path
from motewatch.site.instants import instant, instant_us
from motewatch.site.record import Record
from motewatch.wire.messages import AnchorMessage
from motewatch.wire.records import MINUTE_US
from motewatch.wire.topics import Topics

KEY: Final = "record.signing_key_file"
PUBLIC: Final = ".public"
"""What the name of the file with the public key has at its end."""


class AnchorFileError(LinkSettingsError):
    """A file with anchors or a public key cannot be used."""


class Anchoring:
    """Makes an anchor when one is due. `look` is the whole work."""

    def __init__(self, journal: Journal, settings: Record, base_dir: Path, topics: Topics, clock: TimeSource) -> None:
        """Raises `LinkSettingsError` or `SecretFileError`."""
        self._journal = journal
        self._every_us = round(settings.anchor_every_min * MINUTE_US)
        self._topics = topics
        self._clock = clock
        self._key = None if settings.signing_key_file is None else signing_key(settings.signing_key_file, base_dir)

    @property
    def look_every_s(self) -> float:
        """How often to look: an anchor is then at most a tenth of its interval late, also after a restart."""
        return min(60.0, self._every_us / 10_000_000)

    def look(self) -> Anchor | None:
        """Make one if it is time and the chain has grown."""
        now_us = self._clock.now_us()
        last_us = self._journal.last_anchor_us()
        # A clock set back must not keep anchors away until it has caught up.
        if last_us is not None and last_us <= now_us < last_us + self._every_us:
            return None
        return self._journal.anchor(self._topics.site, now_us, self._key, self._rows)

    def _rows(self, anchor: Anchor) -> list[OutboxRow]:
        return [fresh_row(MQTT, f"anchor/{anchor.id}", self._topics.anchor, payload_of(anchor), False, anchor.at_us)]


def payload_of(anchor: Anchor) -> bytes:
    """The anchor as it travels."""
    return AnchorMessage(
        site=anchor.site,
        anchor=anchor.id,
        at=instant(anchor.at_us),
        seal=anchor.seal_id,
        input=anchor.input_id,
        output=anchor.output_id,
        hash=anchor.hash,
        public_key=anchor.public_key,
        signature=anchor.signature,
    ).to_payload()


def collected(file: Path) -> list[Told]:
    """The anchors in a file of JSON lines, as they were published. Raises `AnchorFileError`, `OSError`."""
    found = []
    for number, line in enumerate(file.read_bytes().splitlines(), start=1):
        if not line.strip():
            continue
        try:
            message = AnchorMessage.model_validate_json(line)
        except ValidationError as error:
            detail = error.errors(include_url=False)[0]
            raise AnchorFileError(
                f"{file}, line {number}",
                f"this is no anchor ({'.'.join(map(str, detail['loc'])) or 'JSON'}: {detail['msg']})",
                "give a file with one published anchor message on each line",
            ) from None
        found.append(
            Told(
                f"{file.name}, line {number}: anchor {message.anchor}",
                Anchor(
                    message.site,
                    message.anchor,
                    instant_us(message.at),
                    message.seal,
                    message.input,
                    message.output,
                    message.hash,
                    message.public_key,
                    message.signature,
                ),
            )
        )
    return found


def signing_key(name: str, base_dir: Path) -> SigningKey:
    """The site's private key. Raises `LinkSettingsError` or `SecretFileError`."""
    secret = read_secret(name, base_dir)
    file = secret_path(name, base_dir)
    # What the service manager hands over is its business.
    if file is not None and not name.startswith(CREDENTIAL) and file.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise LinkSettingsError(KEY, f"{file} may be used by others than its owner", f"run: chmod 600 {file}")
    try:
        return SigningKey.parse(secret.reveal())
    except ValueError as error:
        raise LinkSettingsError(
            KEY, f"{file} holds no key: {error}", "make one with: motewatch make-key FILE"
        ) from None


def read_public_key(file: Path) -> str:
    """The public key in a file that `make_key` wrote. Raises `AnchorFileError`, `OSError`."""
    try:
        return public_key(file.read_text("ascii"))
    except ValueError:
        raise AnchorFileError(str(file), f"this is no public key: {SHAPE}", "give the file ending in .public") from None


def make_key(file: Path) -> str:
    """Write a new private key, for its owner only, and the public key beside it; returns the public key.

    Raises `AnchorFileError` where either file is there already: a key is never replaced by accident.
    """
    public_file = file.with_name(file.name + PUBLIC)
    for each in (file, public_file):
        if each.exists():
            raise AnchorFileError(str(each), "this file is there already", "name another one; keys are never replaced")
    key = SigningKey.parse(secrets.token_hex(32))
    descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as out:
        out.write(f"{key.text}\n")
    public_file.write_text(f"{key.public}\n", encoding="ascii")
    return key.public
