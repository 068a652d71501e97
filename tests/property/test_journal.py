"""The journal against a model in memory: whatever is done to both, both give the same answers."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from motewatch.engine.codec import canonical
from motewatch.engine.records import Output
from motewatch.journal.errors import JournalDefectError
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, InputRow
from motewatch.measure.samples import Sample
from support.journal_records import fact, outbox_row, plain_row, reading_row, taken

SINKS = st.sampled_from(["mqtt", "time-series"])
LOCATIONS = ("l1", "l2")
TIMES = st.integers(0, 300)


class JournalMachine(RuleBasedStateMachine):
    """`self.*` is the model; `self.journal` is the real thing."""

    @initialize()
    def begin(self) -> None:
        self.directory = Path(tempfile.mkdtemp(prefix="journal-"))
        self.journal = Journal(self.directory / "journal.db")
        self.inputs: list[InputRow] = []
        self.outputs: list[tuple[int, Output]] = []  # (input id or 0, output)
        self.samples: list[tuple[int, Sample]] = []  # (last input id when it was given, sample)
        self.outbox: dict[int, dict[str, object]] = {}
        self.made = 0

    def teardown(self) -> None:
        if hasattr(self, "journal"):
            self.journal.close()
            shutil.rmtree(self.directory)

    @rule(data=st.data(), count=st.integers(0, 4), tell=st.lists(st.tuples(SINKS, TIMES), max_size=4))
    def commit(self, data: st.DataObject, count: int, tell: list[tuple[str, int]]) -> None:
        first = len(self.inputs) + 1
        rows: list[InputRow] = []
        for place in range(count):
            sensor = data.draw(st.sampled_from(["s1", "s2", None]))
            rows.append(plain_row() if sensor is None else reading_row(first + place, sensor))
        outputs: list[tuple[int, Output]] = []
        for place in range(count):
            outputs += [(place, self._output(data, first + place)) for _ in range(data.draw(st.integers(0, 2)))]
        last = len(self.inputs) + count
        outputs += [(BY_TIME, self._output(data, last)) for _ in range(data.draw(st.integers(0, 2)))]
        batch = Batch(rows, outputs, engine_us=first)
        for sink, at_us in tell:
            self.made += 1
            row_id = self.made
            batch.outbox.append(outbox_row(f"k{row_id}", sink, at_us))
            self.outbox[row_id] = {"sink": sink, "next": at_us, "attempts": 0, "delivered": None}

        assert self.journal.commit(batch) == list(range(first, first + count))

        self.inputs += rows
        self.outputs += [(0 if index == BY_TIME else first + index, output) for index, output in outputs]

    def _output(self, data: st.DataObject, input_id: int) -> Output:
        location = data.draw(st.sampled_from([*LOCATIONS, None]))
        if location is None:
            return fact()
        end_us = data.draw(st.integers(1, 4)) * 60
        revision = 1 + sum(one.location == location and one.end_us == end_us for _, one in self.samples)
        output = taken(end_us, revision, location, count=len(self.samples))
        self.samples.append((input_id, output.sample))
        return output

    @precondition(lambda self: any(row.seq is not None for row in self.inputs))
    @rule(data=st.data())
    def commit_a_repeat(self, data: st.DataObject) -> None:
        row = data.draw(st.sampled_from([row for row in self.inputs if row.seq is not None]))
        with pytest.raises(JournalDefectError):
            self.journal.commit(Batch([plain_row(), row], [(0, fact())], outbox=[outbox_row("new")], engine_us=10**6))

    @rule(data=st.data(), now_us=TIMES)
    def deliver(self, data: st.DataObject, now_us: int) -> None:
        for row_id in (ids := self._some(data)):
            if self.outbox[row_id]["delivered"] is None:
                self.outbox[row_id]["delivered"] = now_us
        self.journal.delivered(ids, now_us)

    @rule(data=st.data(), next_us=TIMES)
    def retry(self, data: st.DataObject, next_us: int) -> None:
        for row_id in (ids := self._some(data)):
            row = self.outbox[row_id]
            if row["delivered"] is None:
                row["next"] = next_us
                row["attempts"] = int(str(row["attempts"])) + 1
        self.journal.retry(ids, next_us, "no")

    def _some(self, data: st.DataObject) -> list[int]:
        if not self.outbox:
            return []
        return data.draw(st.lists(st.sampled_from(sorted(self.outbox)), unique=True, max_size=4))

    @rule(sink=SINKS, since_us=TIMES, now_us=TIMES)
    def resend(self, sink: str, since_us: int, now_us: int) -> None:
        count = 0
        for row in self.outbox.values():
            if row["sink"] == sink and row["delivered"] is not None and int(str(row["delivered"])) >= since_us:
                row |= {"delivered": None, "next": now_us, "attempts": 0}
                count += 1
        assert self.journal.resend(sink, since_us, now_us) == count

    @rule(before_us=TIMES, page=st.integers(1, 3))
    def prune(self, before_us: int, page: int) -> None:
        old = [
            row_id
            for row_id, row in self.outbox.items()
            if row["delivered"] is not None and int(str(row["delivered"])) < before_us
        ]
        for row_id in old:
            del self.outbox[row_id]
        assert self.journal.prune(before_us, page) == len(old)

    @rule(sink=SINKS, now_us=TIMES, limit=st.integers(1, 5))
    def due(self, sink: str, now_us: int, limit: int) -> None:
        waiting = [
            (int(str(row["next"])), row_id, row["attempts"])
            for row_id, row in self.outbox.items()
            if row["sink"] == sink and row["delivered"] is None and int(str(row["next"])) <= now_us
        ]
        found = self.journal.due(sink, now_us, limit)
        assert [(row.next_try_us, row.id, row.attempts) for row in found] == sorted(waiting)[:limit]
        assert all(row.key == f"k{row.id}" and row.sink == sink for row in found)

    @rule(data=st.data(), location=st.sampled_from(LOCATIONS), first=st.integers(0, 300), span=st.integers(0, 300))
    def ask_samples(self, data: st.DataObject, location: str, first: int, span: int) -> None:
        before = data.draw(st.none() | st.integers(0, len(self.inputs) + 1))
        latest: dict[int, Sample] = {}
        for input_id, sample in self.samples:
            known = before is None or input_id < before
            if known and sample.location == location and first <= sample.end_us <= first + span:
                latest[sample.end_us] = sample
        found = self.journal.samples(location, first, first + span, before)
        assert found == [latest[end_us] for end_us in sorted(latest)]

    @rule(data=st.data(), sensor=st.sampled_from(["s1", "s2"]))
    def ask_readings(self, data: st.DataObject, sensor: str) -> None:
        input_id = data.draw(st.integers(1, len(self.inputs) + 1))
        before = data.draw(st.none() | st.integers(0, len(self.inputs) + 1))
        # A reading's sequence number is its input id here.
        there = input_id <= len(self.inputs) and self.inputs[input_id - 1].sensor == sensor
        known = there and (before is None or input_id < before)
        assert self.journal.reading_start_us(sensor, "b1", input_id, before) == (input_id * 60 if known else None)
        ids = [place for place, row in enumerate(self.inputs, 1) if row.sensor == sensor]
        assert self.journal.knows_boot(sensor, "b1", before) == any(before is None or one < before for one in ids)

    @rule(data=st.data(), limit=st.integers(1, 5))
    def replay(self, data: st.DataObject, limit: int) -> None:
        after = data.draw(st.integers(0, len(self.outputs)))
        meant = [
            (output_id, cause, canonical(output))
            for output_id, (cause, output) in enumerate(self.outputs, 1)
            if output_id > after
        ]
        assert self.journal.outputs_after(after, limit) == meant[:limit]
        after = data.draw(st.integers(0, len(self.inputs)))
        keys = [(row.id, row.sensor, row.seq) for row in self.journal.inputs_after(after, limit)]
        assert keys == [(n, row.sensor, row.seq) for n, row in enumerate(self.inputs, 1) if n > after][:limit]

    @rule()
    def reopen(self) -> None:
        self.journal.close()
        self.journal = Journal(self.directory / "journal.db")
        if not self.outbox:
            # Ids of pruned rows may be given again after a reopening; nobody holds them any more.
            self.made = 0
        else:
            self.made = max(self.outbox)

    @rule()
    def verify(self) -> None:
        # Delivery times are drawn at random here and may lie before the row was made: no finding of ours.
        assert [found for found in self.journal.verify() if "before it was made" not in found] == []

    @invariant()
    def counts_agree(self) -> None:
        if hasattr(self, "journal"):
            assert self.journal.last_input_id() == len(self.inputs)
            assert self.journal.last_output_id() == len(self.outputs)
            for sink in ("mqtt", "time-series"):
                waiting = [row for row in self.outbox.values() if row["sink"] == sink and row["delivered"] is None]
                assert self.journal.backlog(sink) == len(waiting)


TestJournal = JournalMachine.TestCase
TestJournal.settings = settings(
    max_examples=25,
    stateful_step_count=25,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
