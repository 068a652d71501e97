"""Which passwords are taken, and how they are kept: argon2id, with the library's own parameters.

Rules: length is what counts; no demands for kinds of characters. Refused is what is tried first by everybody who
guesses: not from a list copied from somewhere, but by rule: a common word, keyboard row, name or season, dressed up
with digits, signs and letters that look alike; few different characters; a run. Must not know users' rows.
"""

from __future__ import annotations

import threading
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

LONGEST: Final = 256
"""In characters; more is a mistake, or an attempt to keep the machine busy."""

AT_ONCE: Final = 2
"""So many hashes are made at a time: each takes 64 MiB."""

_LOOKS_LIKE: Final = str.maketrans("013457@$!", "oleastasi")
_ROWS: Final = (
    "qwertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "qwertzuiop",
    "azertyuiop",
    "1234567890",
    "abcdefghijklmnopqrstuvwxyz",
)
_COMMON: Final = """
password passwort passwd secret letmein welcome login admin administrator root user guest test demo master
default change changeme hello iloveyou love dragon monkey sunshine princess football baseball shadow access
cleanroom particle particles sensor monitor monitoring motewatch operator quality viewer production factory
company january february march april may june july august september october november december spring summer
autumn fall winter monday tuesday wednesday thursday friday saturday sunday please enter open sesame qwerty
qwertz azerty asdf the my is a one two three new old
"""
_WORDS: Final = frozenset(_COMMON.split())


def fault(password: str, shortest: int, about: tuple[str, ...] = ()) -> str:
    """Why this password is not taken, in a sentence; empty when it is. `about`: the user's and the site's names."""
    if len(password) < shortest:
        return f"it needs at least {shortest} characters; a few words in a row are fine"
    if len(password) > LONGEST:
        return f"it may have at most {LONGEST} characters"
    if not password.isprintable():
        return "it has characters that cannot be seen"
    if len(set(password.casefold())) < 5:
        return "it has too few different characters"
    bare = "".join(c for c in password.casefold() if c.isalnum())
    for name in about:
        for word in name.casefold().replace("-", " ").replace("_", " ").split():
            if len(word) >= 4 and word in bare:
                return "it holds a name of yours or of the site"
    if _is_run(bare) or _is_common(password.casefold(), bare):
        return "it is one of those that are guessed first"
    return ""


def _is_run(bare: str) -> bool:
    """A walk along a row of the keyboard, the alphabet or the digits, forwards or backwards, or repeats of a piece."""
    if any(bare in row * 4 or bare[::-1] in row * 4 for row in _ROWS):
        return True
    return any(len(bare) > size and bare == (bare[:size] * len(bare))[: len(bare)] for size in range(1, 5))


def _is_common(text: str, bare: str) -> bool:
    """Nothing but common words and pieces of rows, when digits are left out or read as letters."""
    letters = "".join(c for c in bare if not c.isdigit())
    # Signs at the ends are dress; signs within may be letters that look alike.
    stripped = "".join(c for c in text.strip("0123456789!?.-_ ").translate(_LOOKS_LIKE) if c.isalnum())
    candidates = {letters, bare.translate(_LOOKS_LIKE), stripped}
    # What is nearly all digits is a date or a number.
    return len(letters) < 3 or any(_all_common(each) for each in candidates)


def _all_common(text: str) -> bool:
    """Can it be cut into at most three common words or pieces of a row?"""
    reach: dict[int, int] = {0: 0}
    for start in range(len(text)):
        if start not in reach or reach[start] >= 3:
            continue
        for end in range(start + 1, len(text) + 1):
            piece = text[start:end]
            walk = len(piece) >= 4 and any(piece in row or piece[::-1] in row for row in _ROWS)
            if piece in _WORDS or walk:
                reach[end] = min(reach.get(end, 9), reach[start] + 1)
    return len(text) in reach


class Hashes:
    """Makes and checks hashes, a few at a time. For all threads."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = PasswordHasher() if hasher is None else hasher
        self._turn = threading.BoundedSemaphore(AT_ONCE)
        # Checked for users that there are not: the time taken must not tell which there are.
        self._nobody = self._hasher.hash("nobody has this password")

    def make(self, password: str) -> str:
        """The hash to keep."""
        with self._turn:
            return self._hasher.hash(password)

    def fits(self, kept: str | None, password: str) -> bool:
        """Is it the password? `None`: there is no such user, and the answer is no, after as long."""
        with self._turn:
            try:
                return self._hasher.verify(self._nobody if kept is None else kept, password) and kept is not None
            except (VerificationError, InvalidHashError):
                return False

    def outdated(self, kept: str) -> bool:
        """Was it made with other parameters than are used now?"""
        return self._hasher.check_needs_rehash(kept)
