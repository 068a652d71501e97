"""A process to be killed: commits batches for ever and says after each commit how many there are.

Run as `python journal_victim.py JOURNAL`. Each batch holds 20 readings, a sample for each, and two outbox rows; the
outbox is worked off beside it, so that the kill also falls into other transactions.
"""

from __future__ import annotations

import sys
from pathlib import Path

# Run by path, not as a module: the folder above is not on the path by itself.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, SnapshotRow
from support.journal_records import fact, outbox_row, reading_row, taken

GROUP = 20


def main() -> None:
    with Journal(sys.argv[1]) as journal:
        number = journal.last_input_id() // GROUP
        while True:
            seqs = range(number * GROUP, (number + 1) * GROUP)
            outputs = [(place, taken((seq + 1) * 60)) for place, seq in enumerate(seqs)]
            rows = [reading_row(seq, at_us=number) for seq in seqs]
            outbox = [outbox_row(f"k{number}", sink) for sink in ("mqtt", "time-series")]
            journal.commit(Batch(rows, [*outputs, (BY_TIME, fact(f"step {number}"))], [], outbox, number))
            number += 1
            print(number, flush=True)
            journal.delivered([row.id for row in journal.due("mqtt", number, 10)], number)
            if number % 10 == 0:
                journal.save_snapshot(SnapshotRow(number * GROUP, number, journal.last_output_id(), 1, b"x" * 10_000))
                journal.prune(number - 5)


if __name__ == "__main__":
    main()
