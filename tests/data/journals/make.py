"""How `schema-N.db.gz` were made: by the motewatch of that time, so this is kept to be read, not to be run today.

    PYTHONPATH=<its daemon folder> python make.py schema-N.db site.toml && gzip -9n schema-N.db

Its engine is told 80 days of readings, three every second day, one of them far too high, and the journal of that schema
records what it says. `site.toml` is the site beside this file.
"""

from __future__ import annotations

import hashlib
import json
import sys
from datetime import UTC, datetime
from pathlib import Path

from motewatch.engine import Engine
from motewatch.engine.codec import encode_internal
from motewatch.engine.records import Configured, Input, What
from motewatch.journal.history import JournalHistory
from motewatch.journal.inputs import what_of  # until schema 4: motewatch.service.replay
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, InputRow
from motewatch.links.site_file import canonical_text, load_site
from motewatch.wire.topics import Topics

T0 = 1_767_225_600_000_000
MINUTE_US = 60_000_000


def iso(us: int) -> str:
    return datetime.fromtimestamp(us / 1e6, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def main(path: Path, site_file: Path) -> None:
    site = load_site(site_file)
    topics = Topics(site.service.topic_root, site.site.id)
    text = canonical_text(site)
    with Journal(path, site=site.site.id) as journal:
        history = JournalHistory(journal)
        engine = Engine(history)

        def apply(row: InputRow, what: What) -> None:
            outputs = [(0, each) for each in engine.apply(Input(row.received_us, row.applied_us, what))]
            journal.commit(Batch([row], outputs, engine_us=engine.passed_us))
            history.committed()

        def advance(to_us: int) -> None:
            if outputs := [(BY_TIME, each) for each in engine.advance(to_us)]:
                journal.commit(Batch(outputs=outputs, engine_us=engine.passed_us))
                history.committed()

        configured = Configured(hashlib.sha256(text.encode()).hexdigest(), text)
        apply(InputRow(0, "configured", T0, T0, "", encode_internal(configured)), configured)
        sensor, seq = site.sensors[0], 0
        for day in range(0, 80, 2):
            for minute in range(3):
                end_us = T0 + (day * 1440 + minute + 1) * MINUTE_US
                high = day == 40 and minute == 1
                message = {
                    "v": 1,
                    "sensor": sensor.id,
                    "boot": "boot-1",
                    "seq": seq,
                    "start": iso(end_us - MINUTE_US),
                    "duration_s": 60.0,
                    "volume_l": sensor.flow_l_min,
                    "counts": {
                        "kind": "cumulative",
                        "sizes_um": list(sensor.sizes_um),
                        "values": [90_000 if high else 3, 0],
                    },
                }
                payload, topic = json.dumps(message).encode(), topics.counts(sensor.id)
                key = (sensor.id, "boot-1", seq, end_us - MINUTE_US)
                row = InputRow(0, "message", end_us + 1000, end_us + 1000, topic, payload, *key)
                what = what_of(topics, topic, payload)
                assert what is not None
                apply(row, what)
                seq += 1
                advance(end_us + 2000)
        advance(T0 + 80 * 1440 * MINUTE_US)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
