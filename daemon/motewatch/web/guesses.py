"""Who tries links that are none, and how fast anybody may go on. Counted here, for the audit trail and for back-off.

Rules: a genuine link is never held up by what others try from the same address (behind a proxy or a mobile network's
translation they share it): nobody may lock out the person on call. What is slowed down is wrong links, address by
address; and one link may be used only so often a minute. Memory is bounded whatever is tried. Time is handed in.
"""

from __future__ import annotations

import threading
from collections import OrderedDict, deque
from ipaddress import ip_address, ip_network
from typing import Final

FREE: Final = 5
"""So many wrong links cost nothing: a text message was cut, a finger slipped."""

FIRST_WAIT_S: Final = 1.0
LONGEST_WAIT_S: Final = 300.0
FORGOTTEN_S: Final = 3_600.0
ADDRESSES_KEPT: Final = 4_096


class Guesses:
    """Wrong links by address. For all threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._tries: OrderedDict[str, tuple[int, float, float]] = OrderedDict()
        """Address: how many, the last at, free again at."""
        self._count = 0
        self._addresses: set[str] = set()
        self._since_us = 0

    def wrong(self, address: str, now_s: float, now_us: int) -> float:
        """A wrong link was tried. How many seconds the address has to wait: 0, or what it has not waited out."""
        who = network(address)
        with self._lock:
            if self._count == 0:
                self._since_us = now_us
            self._count += 1
            if len(self._addresses) < ADDRESSES_KEPT:
                self._addresses.add(who)
            number, last_s, free_s = self._tries.pop(who, (0, now_s, 0.0))
            if now_s - last_s >= FORGOTTEN_S:
                number = 0
            number += 1
            waits_s = max(0.0, free_s - now_s)
            if number > FREE:
                free_s = now_s + min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(number - FREE - 1, 16))
            self._tries[who] = (number, now_s, free_s)
            if len(self._tries) > ADDRESSES_KEPT:
                self._tries.popitem(last=False)
            return waits_s

    def take(self) -> tuple[int, int, int] | None:
        """(wrong links, addresses, since when) since the last call, or None: there were none. Begins to count anew."""
        with self._lock:
            if self._count == 0:
                return None
            found = self._count, len(self._addresses), self._since_us
            self._count = 0
            self._addresses = set()
            return found


class Pace:
    """So many times in so many seconds, for each name; at most `names` of them are remembered."""

    def __init__(self, times: int, within_s: float, names: int = 4_096) -> None:
        self._times = times
        self._within_s = within_s
        self._names = names
        self._lock = threading.Lock()
        self._seen: OrderedDict[str, deque[float]] = OrderedDict()

    def wait_s(self, name: str, now_s: float) -> float:
        """0: go on, and it is counted; else how many seconds to wait, and it is not."""
        with self._lock:
            seen = self._seen.pop(name, None) or deque()
            while seen and now_s - seen[0] >= self._within_s:
                seen.popleft()
            self._seen[name] = seen
            if len(self._seen) > self._names:
                self._seen.popitem(last=False)
            if len(seen) >= self._times:
                return self._within_s - (now_s - seen[0])
            seen.append(now_s)
            return 0.0


def network(address: str) -> str:
    """What counts as one address: of IPv6 the 64 bits that one customer gets."""
    try:
        ip = ip_address(address)
    except ValueError:
        return address[:64]
    return str(ip_network((ip, 64), strict=False)) if ip.version == 6 else str(ip)
