"""Long questions to the record, each in a process of its own: low in priority, one at a time, with an end.

What it is for: a rehearsal or a check of the whole chain takes a processor for minutes, and the interpreter's lock
would make the live service wait. The child is this module run as a program: it opens the journal for reading, prints
lines of JSON, and is killed when its time is over or the service ends. Must not know who asks.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final

from motewatch.links.clock import Clock, TimeSource

PATIENCE: Final = 10
"""Added to the child's niceness: beside a busy service it gets about a tenth, and still comes to an end."""

POLL_S: Final = 0.2
GRACE_S: Final = 15.0
"""More than the child itself was given: it ends by itself and says how far it came."""


@dataclass(frozen=True, slots=True)
class Told:
    """How a question stands. `over` with `lines` and no `trouble`: it was answered."""

    about: Any
    since_us: int
    over: bool = False
    lines: list[dict[str, Any]] = field(default_factory=list)
    trouble: str = ""


class Aside:
    """One question at a time; the last answer is kept until the next question."""

    def __init__(self, stopping: threading.Event, clock: TimeSource) -> None:
        self._stopping = stopping
        self._clock = clock
        self._lock = threading.Lock()
        self._told: Told | None = None

    @property
    def told(self) -> Told | None:
        """The latest question; None before the first."""
        with self._lock:
            return self._told

    def ask(
        self, about: Any, words: Sequence[str], limit_s: float, then: Callable[[Told], object] = lambda _: None
    ) -> bool:
        """Begin; False where another one is still running. `about` is kept for whoever looks at the answer; `then` is
        called with the answer, in a thread of its own."""
        with self._lock:
            if self._stopping.is_set() or (self._told is not None and not self._told.over):
                return False
            begun = Told(about, self._clock.now_us())
            self._told = begun
        command = [sys.executable, "-m", "motewatch.links.aside", *words, f"{limit_s:g}"]
        threading.Thread(target=self._run, args=(begun, command, limit_s, then), name="aside", daemon=True).start()
        return True

    def _run(self, begun: Told, command: Sequence[str], limit_s: float, then: Callable[[Told], object]) -> None:
        trouble, out, said = "", b"", b""
        deadline_s = self._clock.monotonic_s() + limit_s + GRACE_S
        try:
            with subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE
            ) as child:
                while True:
                    try:
                        out, said = child.communicate(timeout=POLL_S)
                        break
                    except subprocess.TimeoutExpired:
                        late = self._clock.monotonic_s() >= deadline_s
                        if self._stopping.is_set() or late:
                            trouble = f"It did not end within {limit_s:g} s." if late else "The service ended."
                            child.kill()
                if child.returncode and not trouble:
                    last = said.decode(errors="replace").strip().splitlines()
                    trouble = last[-1] if last else f"It ended with status {child.returncode}."
        except OSError as error:
            trouble = f"It could not be started: {error.strerror}."
        lines = []
        for line in out.splitlines():
            with suppress(ValueError):
                lines.append(json.loads(line))
        told = Told(begun.about, begun.since_us, True, lines, trouble)
        with self._lock:
            self._told = told
        then(told)


def _chain(path: str, limit_s: float) -> None:
    from motewatch.journal.journal import Journal
    from motewatch.journal.seal_check import broken_seals
    from motewatch.journal.trail_check import check_trail

    with Journal.open_reader(path) as journal:
        _say(check_trail(journal.store).plain())
        chain = journal.chain()
        found = {"found_inputs": chain.found_inputs, "found_outputs": chain.found_outputs}
        _say({"seals": chain.seals, **found, "problems": broken_seals(journal.store)})


def _rehearse(path: str, digest: str, from_us: str, until_us: str, limit_s: float) -> None:
    from motewatch.journal.configurations import configuration
    from motewatch.journal.journal import Journal
    from motewatch.links.rehearsing import RehearsalError, plain, rehearse

    with Journal.open_reader(path) as journal:
        other = configuration(journal.store, digest)
        if other is None:
            raise RehearsalError("there is no configuration of this digest on record")
        _say(plain(rehearse(journal, other, int(from_us), int(until_us), Clock(), limit_s)))


def _say(line: dict[str, Any]) -> None:
    print(json.dumps(line), flush=True)


TASKS: Final[dict[str, Callable[..., None]]] = {"chain": _chain, "rehearse": _rehearse}


def _end_with(parent: int) -> None:
    """End when the service has ended, even if it was killed and could not say so."""
    wait = threading.Event()
    while not wait.wait(1.0):
        if os.getppid() != parent:
            os._exit(1)


def main(words: Sequence[str]) -> int:
    """The child: a task, its words, and how long it may take. What is expected to go wrong is one line."""
    from motewatch.journal.errors import JournalError
    from motewatch.links.errors import LinkError

    os.nice(PATIENCE)
    threading.Thread(target=_end_with, args=(os.getppid(),), name="parent", daemon=True).start()
    task, *arguments, limit_s = words
    try:
        TASKS[task](*arguments, float(limit_s))
    except (JournalError, LinkError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
