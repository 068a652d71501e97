"""The log: one line an event, no secrets, and nothing a hostile message could forge."""

from __future__ import annotations

import io
import logging
import sys
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motewatch.links.logs import LONGEST, MOST, WINDOW_S, BoundedHandler, LineFormatter, set_up


def record(message: str, *args: object, level: int = logging.INFO, **fields: object) -> logging.LogRecord:
    made = logging.LogRecord("motewatch.test", level, "file.py", 1, message, args, None)
    made.created = 1_780_000_020.123
    made.__dict__.update(fields)
    return made


def line(message: str, *args: object, level: int = logging.INFO, **fields: object) -> str:
    return LineFormatter().format(record(message, *args, level=level, **fields))


def test_time_level_name_words_and_fields() -> None:
    said = line("dead letter", level=logging.WARNING, topic="a/b", reason="not-json", bytes=12)
    assert said == "2026-05-28T20:27:00.123Z WARNING motewatch.test dead letter topic=a/b reason=not-json bytes=12"


def test_values_with_blanks_quotes_or_equals_signs_are_quoted() -> None:
    said = line("m", a="two words", b='say "x"', c="k=v", d="", e=None, f=1.5)
    assert said.endswith(r' m a="two words" b="say \"x\"" c="k=v" d="" e=None f=1.5')


@pytest.mark.parametrize("key", ["password", "broker_password", "Token", "token_file", "client_secret"])
def test_a_field_that_sounds_like_a_secret_is_starred(key: str) -> None:
    said = LineFormatter().format(record("connecting", **{key: "hunter2"}))  # type: ignore[arg-type]
    assert "hunter2" not in said
    assert said.endswith(f"{key}=***")


def test_a_long_value_is_shortened_and_says_how_long_it_was() -> None:
    said = line("m", detail="x" * 5_000)
    assert "x" * LONGEST in said
    assert "x" * (LONGEST + 1) not in said
    assert said.endswith('... (5000 characters)"')


def test_a_long_message_is_shortened_too() -> None:
    assert len(line("it will never take %s", "x" * 100_000)) < 5_000


def test_control_characters_reach_no_terminal() -> None:
    hostile = "\x1b[31mred\x07\x9b2J\u2028\u202ereversed\r\x00"
    for said in (line("m", detail=hostile), line("said: %s", hostile)):
        assert said.isprintable(), said


def test_a_line_break_does_not_forge_a_line() -> None:
    forged = "x\n2026-05-28T20:27:00.123Z INFO motewatch.test all is well"
    for said in (line("m", detail=forged), line(f"said {forged}"), line("m", detail=forged + "\r" + forged)):
        assert len(said.splitlines()) == 1
        assert "\\n2026" in said


@given(st.text(max_size=400), st.text(max_size=400))
def test_one_line_whatever_it_holds(message: str, value: str) -> None:
    said = line("%s", message, detail=value)
    assert len(said.splitlines()) == 1
    assert said.isprintable()


def test_of_a_long_trace_the_end_is_kept() -> None:
    def deeper(n: int) -> None:
        if n == 0:
            raise ValueError("the reason")
        # Two lines that take turns, or the trace would be folded.
        if n % 2:
            deeper(n - 1)
        else:
            deeper(n - 1)

    made = record("it failed")
    try:
        deeper(200)
    except ValueError:
        made.exc_info = sys.exc_info()
    said = LineFormatter().format(made)
    assert "ValueError: the reason" in said
    assert len(said) < 6_000


def test_a_trace_is_one_line_as_well() -> None:
    try:
        raise ValueError("two\nlines")
    except ValueError:
        made = record("it failed")
        made.exc_info = sys.exc_info()
    said = LineFormatter().format(made)
    assert len(said.splitlines()) == 1
    assert "trace=" in said
    assert "ValueError: two\\n" in said


@pytest.fixture
def own_logging() -> Iterator[None]:
    """The root logger as it was, afterwards."""
    root, ours = logging.getLogger(), logging.getLogger("motewatch")
    before = (root.handlers[:], root.level, ours.level)
    yield
    root.handlers[:], root.level, ours.level = before[0], before[1], before[2]


@pytest.mark.usefixtures("own_logging")
def test_ours_at_the_level_asked_for_and_others_from_warning_on(monkeypatch: pytest.MonkeyPatch) -> None:
    caught = io.StringIO()
    set_up("info")
    (handler,) = logging.getLogger().handlers
    assert isinstance(handler, logging.StreamHandler)
    assert handler.stream is sys.stderr
    handler.setStream(caught)
    logging.getLogger("motewatch.x").debug("ours, debug")
    logging.getLogger("motewatch.x").info("ours, info")
    logging.getLogger("another.library").info("theirs, info")
    logging.getLogger("another.library").warning("theirs, warning")
    words = [text.split(" ", 3)[3] for text in caught.getvalue().splitlines()]
    assert words == ["ours, info", "theirs, warning"]


# ---- the volume is bounded


class Bounded:
    """A bounded log into memory, fed with records of one place at instants of our choice."""

    def __init__(self) -> None:
        self.stream = io.StringIO()
        self.handler = BoundedHandler(self.stream)
        self.handler.setFormatter(LineFormatter())

    def say(self, at_s: float, words: str = "dead letter", place: int = 1, level: int = logging.WARNING) -> None:
        made = logging.LogRecord("motewatch.test", level, "file.py", place, words, (), None)
        made.created = at_s
        self.handler.handle(made)

    @property
    def lines(self) -> list[str]:
        return [text.split(" ", 3)[3] for text in self.stream.getvalue().splitlines()]


def test_a_sensor_that_floods_the_log_for_a_day_leaves_a_bounded_log() -> None:
    log = Bounded()
    day_s, each_s = 86_400, 10
    for n in range(day_s * each_s):
        log.say(n / each_s)
    minutes = day_s // 60
    assert len(log.lines) == minutes * MOST + minutes - 1
    assert len(log.stream.getvalue()) < 5_000_000
    left_out = sum(int(said.split("lines=")[1].split()[0]) for said in log.lines if "lines=" in said)
    # The last minute's are told at the end.
    log.handler.close()
    assert left_out + (60 * each_s - MOST) == day_s * each_s - minutes * MOST
    last = f"lines={60 * each_s - MOST} within_s=60"
    assert log.lines[-1] == f'more lines of one kind were left out {last} last="dead letter"'


def test_what_was_left_out_is_told_with_the_next_line_of_any_place() -> None:
    log = Bounded()
    for n in range(MOST + 7):
        log.say(n / 100)
    log.say(WINDOW_S - 1, "the broker is away", place=2)
    log.say(WINDOW_S + 1, "the broker is back", place=3)
    assert log.lines[MOST:] == [
        "the broker is away",
        'more lines of one kind were left out lines=7 within_s=60 last="dead letter"',
        "the broker is back",
    ]


def test_a_flood_of_one_place_hides_no_other_and_nothing_critical() -> None:
    log = Bounded()
    for n in range(1_000):
        log.say(n / 100)
    log.say(11, "the record cannot be written", place=2, level=logging.ERROR)
    log.say(11, "the writer failed", level=logging.CRITICAL)
    assert log.lines[MOST:] == ["the record cannot be written", "the writer failed"]


def test_a_clock_that_is_set_back_does_not_silence_the_log() -> None:
    log = Bounded()
    for _ in range(MOST + 1):
        log.say(1_000_000)
    log.say(1_000, "after the step")
    assert log.lines[-1] == "after the step"
