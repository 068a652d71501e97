"""How much of what cannot be used is kept: its bodies are somebody else's bytes, and must not fill the disk.

Rules, for each hour by the clock:
- of one source (a sensor, or a topic where no sensor is known) so many messages are kept whole; of all together ten
  times that, and so many bytes;
- beyond that a message that cannot be read is counted and acknowledged. One a while stands for all since the last: a
  line with the reason and the number, without the body. So the alarm stands while it goes on, and the count is on
  record.
Whatever is kept here starts anew with the service. Pure: told the time. It must not know what is in a message.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from motewatch.site.models import Service
from motewatch.wire.records import HOUR_US, MINUTE_US, SECOND_US, Refusal

ALL_SOURCES: Final = 10
MOST_SOURCES: Final = 1_000
OTHERS: Final = "(others)"
"""Who may invent topics could invent very many: beyond that they share one budget."""


class Keep(Enum):
    """What to keep of a message that cannot be used."""

    WHOLE = "whole"
    LINE = "line"
    """The reason and a number, without the body."""
    COUNT = "count"


@dataclass(frozen=True, slots=True)
class Untold:
    """Messages of a source that were only counted, since an instant; the last one's topic and reason stand for them."""

    count: int
    since_us: int
    topic: str
    refusal: Refusal

    @property
    def words(self) -> str:
        """For the dead letter that stands for them."""
        return f"{self.count} more like this were not kept; the last: {self.refusal.detail}"


@dataclass(slots=True)
class _Source:
    whole: int = 0
    told_us: int = 0
    untold: Untold | None = None


@dataclass(slots=True)
class LetterBudget:
    """Counts by source. Of one thread."""

    whole_per_h: int
    bytes_per_h: int
    line_every_us: int = MINUTE_US
    _hour: int = -1
    _whole: int = 0
    _bytes: int = 0
    _sources: dict[str, _Source] = field(default_factory=dict)

    def whole(self, topic: str, refusal: Refusal, size: int, now_us: int) -> bool:
        """Whether there is room for the body; then it is taken. Nothing is counted where there is none."""
        self._turn_hour(now_us)
        source = self._source(refusal.sensor or topic)
        if (
            source.whole >= self.whole_per_h
            or self._whole >= self.whole_per_h * ALL_SOURCES
            or self._bytes + size > self.bytes_per_h
        ):
            return False
        source.whole += 1
        source.told_us = now_us
        self._whole += 1
        self._bytes += size
        return True

    def judge(self, topic: str, refusal: Refusal, size: int, now_us: int) -> tuple[Keep, Untold | None]:
        """What to keep of this message; for a line, what it also stands for."""
        if self.whole(topic, refusal, size, now_us):
            return Keep.WHOLE, None
        source = self._source(refusal.sensor or topic)
        if not 0 <= now_us - source.told_us < self.line_every_us:
            untold, source.untold, source.told_us = source.untold, None, now_us
            return Keep.LINE, untold
        before = source.untold
        source.untold = Untold(
            1 if before is None else before.count + 1, now_us if before is None else before.since_us, topic, refusal
        )
        return Keep.COUNT, None

    def due(self, now_us: int, everything: bool = False) -> list[Untold]:
        """What was only counted and has waited long enough for a message that stands for it (or all of it)."""
        due = []
        for source in self._sources.values():
            untold = source.untold
            if untold is not None and (everything or not 0 <= now_us - source.told_us < self.line_every_us):
                due.append(untold)
                source.untold, source.told_us = None, now_us
        return due

    def _turn_hour(self, now_us: int) -> None:
        hour = now_us // HOUR_US
        if hour == self._hour:
            return
        self._hour, self._whole, self._bytes = hour, 0, 0
        # What is not told yet stays, and with it when its source was told of last.
        self._sources = {name: source for name, source in self._sources.items() if source.untold is not None}
        for source in self._sources.values():
            source.whole = 0

    def _source(self, name: str) -> _Source:
        source = self._sources.get(name)
        if source is None:
            if len(self._sources) >= MOST_SOURCES:
                name = OTHERS
            source = self._sources.setdefault(name, _Source())
        return source


def letter_budget(settings: Service) -> LetterBudget:
    """As the site file has it. A line comes often enough that the alarm stands while it goes on."""
    return LetterBudget(
        settings.dead_letters_kept_per_h,
        settings.dead_letters_kept_mb_per_h * 1_000_000,
        min(MINUTE_US, round(settings.dead_letters_window_s * SECOND_US / 2)),
    )
