"""How long somebody who gave a wrong password has to wait. Time is handed in.

Rules: waits grow for one user from one address, up to a quarter of an hour, so guessing is slow. Over all addresses
together a user waits for seconds at most: nobody can lock somebody else out, let alone everybody, by trying wrong
passwords from elsewhere. Memory is bounded. Names of users that there are not count as one user.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Final

from motewatch.web.guesses import network

FREE: Final = 3
FIRST_WAIT_S: Final = 2.0
LONGEST_WAIT_S: Final = 900.0
FREE_IN_ALL: Final = 20
LONGEST_WAIT_IN_ALL_S: Final = 5.0
FORGOTTEN_S: Final = 3_600.0
KEPT: Final = 4_096


@dataclass(slots=True)
class _Tries:
    number: int
    last_s: float
    free_s: float


class Waits:
    """Failures of users, by address and in all. For all threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._tries: OrderedDict[tuple[str, str], _Tries] = OrderedDict()

    def attempt(self, user: str, address: str, now_s: float) -> float:
        """0: go on, and it counts as a failure until `succeeded` says otherwise; else how many seconds to wait.

        Counted beforehand, so that a hundred tries at the same moment are a hundred.
        """
        here, everywhere = (user, network(address)), (user, "")
        with self._lock:
            wait_s = max(
                (self._tries[key].free_s - now_s for key in (here, everywhere) if key in self._tries), default=0.0
            )
            if wait_s > 0:
                return wait_s
            self._note(here, FREE, LONGEST_WAIT_S, now_s)
            self._note(everywhere, FREE_IN_ALL, LONGEST_WAIT_IN_ALL_S, now_s)
            return 0.0

    def succeeded(self, user: str, address: str) -> None:
        """The right password was given: this address begins anew."""
        with self._lock:
            self._tries.pop((user, network(address)), None)
            everywhere = self._tries.get((user, ""))
            if everywhere is not None:
                everywhere.number -= 1

    def _note(self, key: tuple[str, str], free: int, longest_s: float, now_s: float) -> None:
        tries = self._tries.pop(key, None)
        if tries is None or now_s - tries.last_s >= FORGOTTEN_S:
            tries = _Tries(0, now_s, now_s)
        tries.number += 1
        tries.last_s = now_s
        if tries.number >= free:
            tries.free_s = now_s + min(longest_s, FIRST_WAIT_S * 2.0 ** min(tries.number - free, 16))
        self._tries[key] = tries
        if len(self._tries) > KEPT:
            self._tries.popitem(last=False)
