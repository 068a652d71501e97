"""Brings the engine back from the record and proves that it is the same engine.

The last snapshot is restored, every later input is applied again at its recorded time, and the outputs must be those
on record, one by one. A difference is a defect (or a change of the software between two runs): it is reported, never
hidden, and the record stays as it was written.
"""

from __future__ import annotations

import json
import logging
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import zip_longest

from motewatch.engine import Engine, OlderStateError
from motewatch.engine.codec import canonical
from motewatch.engine.core import STATE_VERSION, require_version
from motewatch.engine.records import Output, Repeated
from motewatch.journal.history import JournalHistory
from motewatch.journal.inputs import input_of
from motewatch.journal.journal import Journal
from motewatch.journal.rows import SnapshotRow
from motewatch.service import collector
from motewatch.wire.topics import Topics

_log = logging.getLogger("motewatch.replay")

PAGE = 2_000


@dataclass(frozen=True, slots=True)
class Restored:
    """An engine brought back, and how that went."""

    engine: Engine
    inputs: int
    outputs: int
    difference: str
    """The first difference between replay and record in words; empty where there is none."""


def snapshot_row(engine: Engine, journal: Journal) -> SnapshotRow:
    """The engine's state as a journal row. Only right after a commit: nothing may be pending."""
    with collector.not_now():
        # Readings wait meanwhile. At 2,000 locations the collector alone would look four times through all those lists.
        text = engine.snapshot_text()
    return SnapshotRow(
        input_id=journal.last_input_id(),
        engine_us=engine.passed_us,
        output_id=journal.last_output_id(),
        version=STATE_VERSION,
        body=zlib.compress(text, 1),
    )


def restore(
    journal: Journal, history: JournalHistory, topics: Topics, give_way: Callable[[], None] = lambda: None
) -> Restored:
    """The engine as it was at the last commit. Raises `NewerStateError` for a snapshot of a newer version.

    A snapshot of an older version is put aside: all inputs are on record, so they are replayed from the first one.
    `give_way` is called before each page of inputs; what it raises ends the replay, which has written nothing.
    """
    snapshot = journal.latest_snapshot()
    if snapshot is not None:
        try:
            require_version(snapshot.version)
        except OlderStateError as error:
            _log.warning("%s; doing so, which takes longer than usual", error)
            snapshot = None
    if snapshot is None:
        engine, input_id, output_id = Engine(history), 0, 0
    else:
        engine = Engine.restore(json.loads(zlib.decompress(snapshot.body)), history)
        input_id, output_id = snapshot.input_id, snapshot.output_id
    # The history must answer as it did then. What the record gained after the snapshot is heard again in the replay.
    history.as_of(input_id + 1, output_id + 1)
    counted = _Counter()
    replayed = _replay(journal, topics, engine, input_id, counted, give_way)
    difference = ""
    outputs = 0
    for recorded, again in zip_longest(_recorded(journal, output_id), replayed):
        if again is not None:
            outputs += 1
        if recorded != again:
            difference = f"record has {_shown(recorded)}, replay gives {_shown(again)}"
            break
    # The generator is drained whatever was found: the engine must arrive where the record ends.
    for _ in replayed:
        outputs += 1
    history.as_of(None)
    return Restored(engine, counted.inputs, outputs, difference)


@dataclass(slots=True)
class _Counter:
    inputs: int = 0


def _shown(text: str | None) -> str:
    return "nothing more" if text is None else text[:200]


def _recorded(journal: Journal, output_id: int) -> Iterator[str]:
    while page := journal.outputs_after(output_id, PAGE):
        for _, _, text in page:
            yield text
        output_id = page[-1][0]


def _replay(
    journal: Journal,
    topics: Topics,
    engine: Engine,
    input_id: int,
    counted: _Counter,
    give_way: Callable[[], None],
) -> Iterator[str]:
    while page := journal.inputs_after(input_id, PAGE):
        give_way()
        for row in page:
            yield from _said(engine.apply(input_of(topics, row)))
            counted.inputs += 1
        input_id = page[-1].id
    engine_us = journal.engine_us()
    if engine_us is not None:
        yield from _said(engine.advance(engine_us))


def _said(outputs: list[Output]) -> Iterator[str]:
    for output in outputs:
        if not isinstance(output, Repeated):
            yield canonical(output)
