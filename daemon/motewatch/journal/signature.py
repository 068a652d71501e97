"""Signatures of anchors: Ed25519 by the `cryptography` library, which is loaded only where a key is used.

Keys are texts of 64 hexadecimal digits (the 32 bytes of RFC 8032), signatures of 128. Rules: pure, reads no file; the
private key is in nothing that is printed. A key that cannot be one raises `ValueError`, saying what a key looks like.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

SHAPE: Final = "a key is one line of 64 hexadecimal digits (32 bytes)"


@dataclass(frozen=True, slots=True, repr=False)
class SigningKey:
    """The site's private key."""

    _seed: bytes
    public: str
    """The public key that belongs to it."""

    @classmethod
    def parse(cls, text: str) -> Self:
        """From the text of a key file."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        seed = _bytes(text, 32)
        return cls(seed, Ed25519PrivateKey.from_private_bytes(seed).public_key().public_bytes_raw().hex())

    @property
    def text(self) -> str:
        """What the key file holds."""
        return self._seed.hex()

    def sign(self, what: bytes) -> str:
        """The signature of these bytes."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        return Ed25519PrivateKey.from_private_bytes(self._seed).sign(what).hex()

    def __repr__(self) -> str:
        return f"SigningKey(public={self.public})"


def public_key(text: str) -> str:
    """A public key as it is written in anchors, from the text of a file."""
    return _bytes(text, 32).hex()


def is_signed(what: bytes, signature: str, public: str) -> bool:
    """Whether the holder of the key signed these bytes."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(_bytes(public, 32)).verify(_bytes(signature, 64), what)
    except (InvalidSignature, ValueError):
        return False
    return True


def _bytes(text: str, length: int) -> bytes:
    try:
        found = bytes.fromhex(text.strip())
    except ValueError:
        raise ValueError(SHAPE) from None
    if len(found) != length:
        raise ValueError(SHAPE)
    return found
