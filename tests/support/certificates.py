"""Certificates for tests: one authority, and a server certificate for loopback, made by the `openssl` command."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from support.missing import find_program

EXTENSIONS = "subjectAltName=DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n"
CA_EXTENSIONS = ["-addext", "basicConstraints=critical,CA:TRUE", "-addext", "keyUsage=critical,keyCertSign"]


@dataclass(frozen=True, slots=True)
class Certificates:
    """Paths of PEM files."""

    ca: Path
    server: Path
    key: Path


def make_certificates(directory: Path, *, name: str = "server") -> Certificates:
    """A fresh authority and a server certificate for `localhost` and 127.0.0.1, valid for 400 days."""
    openssl = find_program("openssl")
    ca, ca_key = directory / f"{name}-ca.crt", directory / f"{name}-ca.key"
    key, request, certificate = (directory / f"{name}.{ending}" for ending in ("key", "csr", "crt"))
    extensions = directory / f"{name}.ext"
    extensions.write_text(EXTENSIONS)
    new_key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]

    def run(*arguments: str | Path) -> None:
        subprocess.run([openssl, *arguments], check=True, capture_output=True)

    run("req", "-x509", *new_key, "-days", "400", "-subj", "/CN=test authority", *CA_EXTENSIONS,
        "-keyout", ca_key, "-out", ca)  # fmt: skip
    run("req", *new_key, "-subj", "/CN=localhost", "-keyout", key, "-out", request)
    run("x509", "-req", "-days", "400", "-in", request, "-CA", ca, "-CAkey", ca_key, "-CAcreateserial",
        "-extfile", extensions, "-out", certificate)  # fmt: skip
    return Certificates(ca=ca, server=certificate, key=key)
