"""Viewers of the console for `console.py`: many streams of `Right now` in one process that takes as little as it can.

Rules: raw sockets and one epoll; what comes is counted and thrown away, so that on a machine of few cores those who
look do not push away those who are measured. A second role fetches the whole page now and then. Linux only. Must not
know the daemon.
"""

from __future__ import annotations

import http.client
import json
import select
import socket
import statistics
import sys
import time
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

STREAM = "/events?view=now"
PAGE_EVERY_S = 3.0
PAGES = 5
BUFFER = 1 << 18


@dataclass(slots=True)
class Stream:
    """One viewer. `heard_s`: when it last heard something; `gap_s`: the longest silence after the first word."""

    line: socket.socket
    bytes: int = 0
    heard_s: float | None = None
    gap_s: float = 0.0
    ended: bool = False

    def hear(self, buffer: bytearray, now_s: float) -> int:
        """Read once; how many bytes, 0 at its end."""
        count = self.line.recv_into(buffer)
        if self.heard_s is not None:
            self.gap_s = max(self.gap_s, now_s - self.heard_s)
        self.heard_s = now_s
        self.bytes += count
        self.ended = not count
        return count


def watch(host: str, port: int, cookies: list[str]) -> dict[str, float]:
    """Open a stream for each session; when a line comes on the standard input, say what they saw.

    `news_s`: between two changes of the page on the first stream, the median and the longest.
    """
    poll = select.epoll()
    streams: dict[int, Stream] = {}
    # As browsers do; the first one takes them plain, to tell a change of the page from the clock.
    accept = ""
    for cookie in cookies:
        line = socket.create_connection((host, port))
        line.sendall(f"GET {STREAM} HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\n{accept}\r\n".encode())
        accept = "Accept-Encoding: gzip\r\n"
        streams[line.fileno()] = Stream(line)
        poll.register(line.fileno(), select.EPOLLIN)
    poll.register(sys.stdin.fileno(), select.EPOLLIN)
    first = next(iter(streams))
    news_s: list[float] = []
    buffer = bytearray(BUFFER)
    began_s = time.monotonic()
    asked = False
    while not asked:
        for descriptor, _ in poll.poll():
            if descriptor == sys.stdin.fileno():
                asked = True
                continue
            now_s = time.monotonic()
            stream = streams[descriptor]
            count = stream.hear(buffer, now_s)
            if stream.ended:
                poll.unregister(descriptor)
            elif descriptor == first and b"event: now\n" in buffer[:count]:
                news_s.append(now_s)
    seconds = time.monotonic() - began_s
    gaps = [after - before for before, after in pairwise(news_s)] or [seconds]
    seen = {
        "streams": sum(not stream.ended for stream in streams.values()),
        "kB/s": statistics.median(stream.bytes for stream in streams.values()) / seconds / 1000,
        "gap s": max(stream.gap_s for stream in streams.values()),
        "news s": statistics.median(gaps),
        "news max": max(gaps),
        "seer %": 100 * time.process_time() / seconds,
    }
    for stream in streams.values():
        stream.line.close()
    return seen


def look(host: str, port: int, cookie: str, number: int = PAGES) -> dict[str, float]:
    """Fetch the page so many times, a while apart: the median in milliseconds, and its size."""
    took, size = [], 0
    for _ in range(number):
        time.sleep(PAGE_EVERY_S)
        asked_s = time.monotonic()
        line = http.client.HTTPConnection(host, port, timeout=30)
        line.request("GET", "/", headers={"Cookie": cookie})
        answer = line.getresponse()
        size = len(answer.read())
        took.append(1000 * (time.monotonic() - asked_s))
        line.close()
        if answer.status != 200:
            raise RuntimeError(f"the page answers {answer.status}")
    return {"page ms": statistics.median(took), "page max": max(took), "page kB": size / 1000}


def main() -> None:
    """`watch` or `look`, host, port, and a file with the cookies, one a line."""
    role, host, port, file = sys.argv[1:]
    cookies = Path(file).read_text().splitlines()
    seen = watch(host, int(port), cookies) if role == "watch" else look(host, int(port), cookies[0])
    print(json.dumps(seen), flush=True)


if __name__ == "__main__":
    main()
