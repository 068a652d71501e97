"""A record of some months ago, for a machine that is to archive: the demo's sensors, heard by the engine of that time.

    python tests/machine/old_record.py SITE SCENARIO --days-ago 60 [--minutes 20]

By hand and by `drill.py`, with the installed program and its simulator, while no service runs; the site file's journal
must not be there yet. Nothing in it is made up: each message goes through the engine, and what that said is committed
with it, so a service replays this record as its own; the sensors are then silent until today. Only the periods are
longer than the demo's five seconds, because all those days have their periods without a reading.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from motewatch.engine import Engine
from motewatch.engine.codec import encode_internal, internal_kind
from motewatch.engine.records import Heard, Input, Output, Repeated
from motewatch.journal.history import JournalHistory
from motewatch.journal.inputs import MESSAGE, what_of
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, InputRow
from motewatch.links.site_file import load_site
from motewatch.service.program import configured
from motewatch.site.instants import instant_us
from motewatch.wire.records import DAY_US
from motewatch.wire.topics import Topics

PERIOD_S: Final = 1200
GROUP: Final = 10


@dataclass(frozen=True, slots=True)
class Sent:
    """A message as it came."""

    at_us: int
    topic: str
    payload: bytes


def stream(site: Path, scenario: Path, start: datetime, seconds: int) -> Iterator[Sent]:
    """What the sensors of the scenario sent then."""
    simulator = Path(sys.executable).with_name("motewatch-simulator")
    asked: list[str | Path] = [simulator, "write", "--start", f"{start:%Y-%m-%dT%H:%M:%SZ}", "--seconds", str(seconds)]
    with TemporaryDirectory() as folder:
        out = Path(folder) / "stream.jsonl"
        subprocess.run([*asked, site, scenario, out], check=True, stdout=subprocess.DEVNULL)
        for line in out.read_text().splitlines():
            said = json.loads(line)
            payload = json.dumps(said["payload"], separators=(",", ":")).encode()
            yield Sent(instant_us(datetime.fromisoformat(said["at"])), said["topic"], payload)


def lay(site_path: Path, scenario: Path, start: datetime, seconds: int, now_us: int) -> tuple[int, int]:
    """Fill the journal; how many inputs and outputs it has then."""
    with TemporaryDirectory() as folder:
        longer = Path(folder) / "site.toml"
        longer.write_text(re.sub(r"^period_s = \d+", f"period_s = {PERIOD_S}", site_path.read_text(), flags=re.M))
        site = load_site(longer)
    path = site_path.parent / site.service.journal
    if path.exists():
        raise SystemExit(f"{path}: there is a journal already")
    topics = Topics(site.service.topic_root, site.site.id)
    with Journal(path, site=site.site.id) as journal:
        history = JournalHistory(journal)
        engine = Engine(history)
        at_us = instant_us(start)
        first = configured(site)
        said: list[tuple[int, Output]] = [(0, each) for each in engine.apply(Input(at_us, at_us, first))]
        rows = [InputRow(0, internal_kind(first), at_us, at_us, "", encode_internal(first))]
        for sent in stream(site_path, scenario, start, seconds):
            what = what_of(topics, sent.topic, sent.payload)
            assert what is not None, sent
            at_us = max(sent.at_us, engine.passed_us + 1)
            if len(rows) == GROUP:
                said += [(BY_TIME, each) for each in engine.advance(at_us - 1)]
                journal.commit(Batch(rows, said, engine_us=engine.passed_us))
                history.committed()
                rows, said = [], []
            outputs = engine.apply(Input(sent.at_us, at_us, what))
            if any(isinstance(each, Repeated) for each in outputs):
                # Sent again after a reconnection; what else was said was due by time.
                said += [(BY_TIME, each) for each in outputs if not isinstance(each, Repeated)]
                continue
            said += [(len(rows), each) for each in outputs]
            row = InputRow(0, MESSAGE, sent.at_us, at_us, sent.topic, sent.payload)
            if isinstance(what, Heard):
                key = what.reading
                row = InputRow(
                    0, MESSAGE, sent.at_us, at_us, sent.topic, sent.payload, key.sensor, key.boot, key.seq, key.start_us
                )
            rows.append(row)
        while at_us < now_us:
            at_us = min(at_us + DAY_US, now_us)
            said += [(BY_TIME, each) for each in engine.advance(at_us)]
            journal.commit(Batch(rows, said, engine_us=engine.passed_us))
            history.committed()
            rows, said = [], []
        return journal.last_input_id(), journal.last_output_id()


def main() -> int:
    """Lay the record; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("site", type=Path)
    parser.add_argument("scenario", type=Path)
    parser.add_argument("--days-ago", type=int, required=True)
    parser.add_argument("--minutes", type=int, default=20)
    given = parser.parse_args()
    now = datetime.now(UTC).replace(microsecond=0)
    start = now - timedelta(days=given.days_ago)
    inputs, outputs = lay(given.site, given.scenario, start, given.minutes * 60, instant_us(now))
    print(f"a record of {start:%Y-%m-%d %H:%M} UTC, {given.minutes} minutes: {inputs} inputs, {outputs} outputs")
    return 0


if __name__ == "__main__":
    sys.exit(main())
