"""Memory that runs out anywhere ends the program at once; anything else does not."""

from __future__ import annotations

import errno
import logging
import subprocess
import sys
import threading
from collections.abc import Callable
from textwrap import dedent

import pytest

from motewatch.service.memory_watch import LOOKS, SAID, MemoryWatch
from support.servers import wait_until

log = logging.getLogger("motewatch.test")

OF_MEMORY = [
    MemoryError(),
    OSError(errno.ENOMEM, "Cannot allocate memory"),
    RuntimeError("can't start new thread"),
    ImportError("_rust.so: failed to map segment from shared object"),
]
OTHER = [ValueError("memory"), OSError(errno.ENOSPC, "full"), RuntimeError("no"), ImportError("no module")]


class Stuck(threading.Thread):
    """Its beginning fails in the interpreter, as without memory: nobody is told, and whoever starts it waits."""

    def __init__(self, name: str) -> None:
        super().__init__(name=name, daemon=True)
        self._gate = threading.Event()

    def _bootstrap(self) -> None:
        self._gate.wait()
        super()._bootstrap()  # type: ignore[misc]

    def let_go(self) -> None:
        self._gate.set()
        wait_until(lambda: self.ident is not None, "a thread that begins after all")
        self.join(20)


def raises(error: BaseException, cause: BaseException | None = None) -> Callable[[], None]:
    def act() -> None:
        raise error from cause

    return act


def ends(act: Callable[[], object]) -> int:
    """How often the program would have been ended."""
    ended: list[bool] = []
    with MemoryWatch(lambda: ended.append(True)):
        act()
    return len(ended)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.parametrize("error", [*OF_MEMORY, *OTHER])
def test_in_a_thread_that_nobody_waits_for(error: Exception) -> None:
    def act() -> None:
        thread = threading.Thread(target=raises(error))
        thread.start()
        thread.join()

    assert ends(act) == (error in OF_MEMORY)


@pytest.mark.parametrize("error", [*OF_MEMORY, *OTHER])
def test_in_what_is_logged_with_a_trace_and_as_the_cause_of_another(error: Exception) -> None:
    def act() -> None:
        for cause in (None, error):
            try:
                raises(error if cause is None else ValueError("a job failed"), cause)()
            except Exception:
                log.exception("it goes on")
        log.error("without a trace: %s", error)

    assert ends(act) == 2 * (error in OF_MEMORY)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_where_it_cannot_be_raised() -> None:
    class Falls:
        def __del__(self) -> None:
            raise MemoryError

    def act() -> None:
        Falls()

    assert ends(act) == 1


def test_where_it_ends_the_program() -> None:
    ended: list[bool] = []
    with pytest.raises(MemoryError), MemoryWatch(lambda: ended.append(True)):
        raise MemoryError
    assert ended
    assert ends(lambda: None) == 0


def test_the_hooks_are_those_from_before_afterwards() -> None:
    before = threading.excepthook, sys.unraisablehook, list(logging.getLogger().handlers)
    ends(lambda: None)
    assert (threading.excepthook, sys.unraisablehook, logging.getLogger().handlers) == before


def test_a_thread_that_never_begins_to_run_is_found() -> None:
    looks, ended = [0], []
    stuck = Stuck(name="call-hook")
    threading.Thread(target=stuck.start, daemon=True).start()
    try:
        wait_until(lambda: stuck in threading.enumerate(), "a thread that is started and does not run")
        with MemoryWatch(lambda: ended.append(looks[0])) as watch:
            while looks[0] < LOOKS:
                looks[0] += 1
                watch.look()
        assert ended == [LOOKS]
    finally:
        stuck.let_go()


def test_a_thread_that_should_last_and_has_gone_is_found_and_others_may_go() -> None:
    ended: list[str] = []
    over, tried = threading.Event(), threading.Event()
    lasting = threading.Thread(target=over.wait, name="outbox-mqtt")
    passing = threading.Thread(target=tried.wait, name="call-hook")
    with MemoryWatch(lambda: ended.append("ended")) as watch:
        for thread in (lasting, passing):
            thread.start()
        watch.begin()
        watch.look()
        tried.set()
        passing.join()
        watch.look()
        assert not ended
        over.set()
        lasting.join()
        watch.look()
    assert ended == ["ended"]


def test_a_program_ends_although_its_main_thread_waits_for_ever() -> None:
    program = """
        import threading
        from motewatch.service.memory_watch import MemoryWatch

        def fail():
            raise MemoryError

        with MemoryWatch():
            threading.Thread(target=fail).start()
            threading.Event().wait()
    """
    done = subprocess.run([sys.executable, "-c", dedent(program)], capture_output=True, timeout=300, check=False)
    assert done.returncode == 1
    assert done.stderr == SAID
