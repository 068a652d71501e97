"""An authority of a test that makes certificates of any span of time, for faults that `support.certificates` has not.

Files are put in place whole (written beside, then renamed), as a careful administrator does.
"""

from __future__ import annotations

import ipaddress
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

LONG: Final = timedelta(days=40_000)
"""Outlasts clocks that are years off."""


class Authority:
    """`certificate`: its own, as PEM, valid long before and after."""

    def __init__(self, name: str = "test authority") -> None:
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        now = datetime.now(UTC)
        usage = x509.KeyUsage(
            key_cert_sign=True, crl_sign=True, digital_signature=False, content_commitment=False,
            key_encipherment=False, data_encipherment=False, key_agreement=False, encipher_only=False,
            decipher_only=False,
        )  # fmt: skip
        made = (
            self._builder(self._name, self._key, now - timedelta(days=20_000), now + LONG)
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .add_extension(usage, critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        self.certificate = made.public_bytes(serialization.Encoding.PEM)

    def issue(
        self,
        certificate: Path,
        key: Path,
        *,
        since: timedelta = timedelta(days=-20_000),
        until: timedelta = LONG,
        name: str = "localhost",
    ) -> datetime:
        """Put a certificate for this machine with a new key in place, valid from now + since to now + until (whole
        seconds); returns when it ends."""
        own, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC).replace(microsecond=0)
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        names = x509.SubjectAlternativeName(
            [x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
        )
        made = (
            self._builder(subject, own, now + since, now + until)
            .add_extension(names, critical=False)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key()), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        secret = own.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        put(key, secret)
        put(certificate, made.public_bytes(serialization.Encoding.PEM))
        return now + until

    def _builder(
        self, subject: x509.Name, key: ec.EllipticCurvePrivateKey, since: datetime, until: datetime
    ) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(since)
            .not_valid_after(until)
        )


def put(path: Path, content: bytes) -> None:
    """Put the file in place whole, readable for its owner."""
    beside = path.with_name(f"{path.name}.new")
    beside.write_bytes(content)
    beside.chmod(0o600)
    os.replace(beside, path)
