"""How a connection to the broker is encrypted: whom we trust, and the certificate by which the broker knows us.

Rules: the files are read for each connection anew where they have changed, so that a renewed authority or certificate
is taken by the next try, without a restart. What cannot be used is named with its key of the site file. This module
must not know when a connection is made.
"""

from __future__ import annotations

import ssl
from pathlib import Path

from motewatch.links.errors import LinkSettingsError
from motewatch.site.models import Broker

Stamp = tuple[int, int, int]


class BrokerTls:
    """`context` from one thread at a time. Made once, it raises `LinkSettingsError` for what cannot be used now."""

    def __init__(self, settings: Broker, base_dir: Path) -> None:
        self._settings = settings
        self._base_dir = base_dir
        self._files = [
            base_dir / name
            for name in (settings.ca_file, settings.cert_file, settings.cert_key_file)
            if settings.tls and name is not None
        ]
        self._stamps = self._look()
        self._context = tls_context(settings, base_dir)

    def context(self) -> ssl.SSLContext | None:
        """What the next connection is made with; None: unencrypted. Raises `LinkSettingsError`."""
        stamps = self._look()
        if stamps != self._stamps:
            # Noted only once it could be used: a file that is just being written is read again by the next try.
            self._context = tls_context(self._settings, self._base_dir)
            self._stamps = stamps
        return self._context

    def _look(self) -> list[Stamp | None]:
        return [stamp_of(path) for path in self._files]


def stamp_of(path: Path) -> Stamp | None:
    """Changes when the file does; None where there is none."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size, status.st_ino


def tls_context(settings: Broker, base_dir: Path) -> ssl.SSLContext | None:
    """The TLS context, certificates and host name checked. Raises `LinkSettingsError`."""
    if not settings.tls:
        for name, file in (("ca_file", settings.ca_file), ("cert_file", settings.cert_file)):
            if file is not None:
                raise LinkSettingsError(
                    f"service.broker.{name}", "given, but tls is off", f"set service.broker.tls = true or remove {name}"
                )
        return None
    ca_file = None if settings.ca_file is None else base_dir / settings.ca_file
    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise LinkSettingsError(
            "service.broker.ca_file", f"'{ca_file}' cannot be used ({error})", "give a PEM file with the broker's CA"
        ) from error
    if settings.cert_file is not None and settings.cert_key_file is not None:
        certificate, key = base_dir / settings.cert_file, base_dir / settings.cert_key_file
        try:
            # An encrypted key would ask for its password on the terminal, where nobody sits.
            context.load_cert_chain(certificate, key, password=lambda: b"")
        except (OSError, ssl.SSLError) as error:
            raise LinkSettingsError(
                "service.broker.cert_file",
                f"'{certificate}' with the key '{key}' cannot be used ({error})",
                "give a PEM file with our certificate (and its chain), and its key, not encrypted, in cert_key_file",
            ) from error
    return context
