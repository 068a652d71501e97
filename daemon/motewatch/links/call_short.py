"""The short form of a call: one line for SMS and for what is read aloud.

Rules: at most 160 characters, in the alphabet of SMS (GSM 03.38) wherever the words can be written in it; one letter
outside it halves what fits, so signs such as `≥` and `µ` are spelled. A name in another script stays as it is: a
person reads it better than question marks. Pure.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

LONGEST: Final = 160
LINK_ROOM: Final = 60
"""A link goes into the short form only where at least so many characters are left for the words."""

_BASIC: Final = frozenset(
    "@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿"
    "abcdefghijklmnopqrstuvwxyzäöñüà"
)
_EXTENDED: Final = frozenset("^{}\\[~]|€")
"""Take two places each."""
_SPELLED: Final = {
    "≥": ">=", "≤": "<=", "µ": "u", "μ": "u", "³": "3", "²": "2", "−": "-", "–": "-", "—": "-", "…": "...", "×": "x",
    "°": "", "“": '"', "”": '"', "„": '"', "«": '"', "»": '"', "‘": "'", "’": "'", "·": "-",
}  # fmt: skip
_GROUPED: Final = re.compile(r"(?<=\d)\u202f(?=\d)")


def spelled(text: str) -> str:
    """The text in the alphabet of SMS, as far as it can be. A grouped number is joined: read aloud it would be two."""
    out = []
    for char in _GROUPED.sub("", text):
        if char in _BASIC or char in _EXTENDED:
            out.append(char)
        elif char in _SPELLED:
            out.append(_SPELLED[char])
        elif char.isspace():
            out.append(" ")
        else:
            plain = "".join(each for each in unicodedata.normalize("NFKD", char) if not unicodedata.combining(each))
            out.append(plain if plain and all(each in _BASIC for each in plain) else char)
    return "".join(out)


def places(text: str) -> int:
    """How many places of an SMS the text takes; signs outside its alphabet count as UTF-16 does."""
    return sum(2 if char in _EXTENDED or ord(char) > 0xFFFF else 1 for char in text)


def fit(text: str, room: int) -> str:
    """The text, cut at a word where it is longer than `room` places."""
    if places(text) <= room:
        return text
    while text and places(text) > room - 3:
        text = text[:-1]
    words = text.rsplit(" ", 1)
    # A word is not worth a third of the room.
    kept = words[0] if len(words) == 2 and len(words[1]) <= room // 3 else text
    return kept.rstrip(" ,;:.(-") + "..."


def short_form(words: str, link: str | None) -> str:
    """The words, and the link behind them where there is room for both."""
    line = spelled(words)
    if link is not None and LONGEST - places(link) - 1 >= LINK_ROOM:
        return f"{fit(line, LONGEST - places(link) - 1)} {link}"
    return fit(line, LONGEST)
