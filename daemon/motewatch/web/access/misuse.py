"""When failed sign-ins are more than slips. Time is handed in.

Rules: so many within so long, over all users and addresses together, are told once; then counting begins anew, so that
one who goes on is told of again. Memory is bounded by that number. For all threads.
"""

from __future__ import annotations

import threading
from collections import Counter, deque

from motewatch.engine.records import SignInsFailed
from motewatch.web.guesses import network


class Misuse:
    """See the module."""

    def __init__(self, failures: int, within_s: float) -> None:
        self._failures = failures
        self._within_s = within_s
        self._lock = threading.Lock()
        self._seen: deque[tuple[float, int, str, str]] = deque()
        """Each failure: when (by both clocks), of whom, from where."""

    def failed(self, user: str, address: str, now_s: float, now_us: int) -> SignInsFailed | None:
        """One more failure; what is to be told, where they are too many."""
        with self._lock:
            seen = self._seen
            while seen and now_s - seen[0][0] >= self._within_s:
                seen.popleft()
            seen.append((now_s, now_us, user, network(address)))
            if len(seen) < self._failures:
                return None
            users = Counter(each[2] for each in seen)
            addresses = len({each[3] for each in seen})
            told = SignInsFailed(len(seen), len(users), addresses, users.most_common(1)[0][0], seen[0][1])
            seen.clear()
            return told
