"""The engine's long memory on top of the journal: what is on record, and over it what is about to be.

Rules: the engine runs ahead of the commit, and must see its own consequences at once: readings and samples of the
batch in work are kept here until `committed`. In a replay the record holds the future too: after `as_of` it is asked
only up to there, and what the replay makes again is the overlay. For one thread, the one that runs the engine.

The newest readings stay in memory after their commit: sensors send again what they sent last whenever their broker was
away, thousands at once, and a look-up on disk for each would hold up the readings behind them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import islice
from typing import Final

from motewatch.journal.journal import Journal
from motewatch.measure.samples import Sample
from motewatch.wire.records import Reading

RECENT: Final = 40_000
"""Readings on record that stay in memory: some 10 MB."""


@dataclass(slots=True)
class JournalHistory:
    """`engine.records.History` from a journal."""

    journal: Journal
    _before_input_id: int | None = None
    _before_output_id: int | None = None
    _samples: dict[str, dict[int, Sample]] = field(default_factory=dict)
    _starts: dict[tuple[str, str, int], int] = field(default_factory=dict)
    _boots: set[tuple[str, str]] = field(default_factory=set)
    _recent: dict[tuple[str, str, int], int] = field(default_factory=dict)

    def as_of(self, before_input_id: int | None, before_output_id: int | None = None) -> None:
        """Answer from what was on record before that input and that output; (None, None): from all of it.

        A replay from a snapshot says `as_of(snapshot.input_id + 1, snapshot.output_id + 1)` once and then feeds the
        engine; the overlay grows by what it makes. Forgets the overlay.
        """
        self._before_input_id = before_input_id
        self._before_output_id = before_output_id
        self._recent.clear()
        self._starts.clear()
        self.committed()

    def committed(self) -> None:
        """The batch in work is on record now: forget the overlay. Not for one whose commit failed."""
        recent = self._recent
        recent.update(self._starts)
        if len(recent) > RECENT:
            for key in list(islice(recent, len(recent) - RECENT)):
                del recent[key]
        self._samples.clear()
        self._starts.clear()
        self._boots.clear()

    def heard(self, reading: Reading) -> None:
        """The engine accepted this reading."""
        self._starts[(reading.sensor, reading.boot, reading.seq)] = reading.start_us
        self._boots.add((reading.sensor, reading.boot))

    def taken(self, sample: Sample) -> None:
        """The engine put out this sample (or revision)."""
        self._samples.setdefault(sample.location, {})[sample.end_us] = sample

    def samples(self, location: str, first_end_us: int, last_end_us: int) -> list[Sample]:
        """Latest revisions with `first_end_us <= end_us <= last_end_us`, oldest first, pending ones included."""
        on_record = self.journal.samples(
            location, first_end_us, last_end_us, self._before_input_id, self._before_output_id
        )
        pending = self._samples.get(location)
        if not pending:
            return on_record
        merged = {sample.end_us: sample for sample in on_record}
        merged.update((end, sample) for end, sample in pending.items() if first_end_us <= end <= last_end_us)
        return [merged[end] for end in sorted(merged)]

    def reading_start_us(self, sensor: str, boot: str, seq: int) -> int | None:
        """Start of the accepted reading under this key, or None."""
        key = (sensor, boot, seq)
        start = self._starts.get(key)
        if start is None:
            start = self._recent.get(key)
        if start is not None:
            return start
        return self.journal.reading_start_us(sensor, boot, seq, self._before_input_id)

    def knows_boot(self, sensor: str, boot: str) -> bool:
        """Was any reading of this boot of this sensor accepted?"""
        return (sensor, boot) in self._boots or self.journal.knows_boot(sensor, boot, self._before_input_id)
