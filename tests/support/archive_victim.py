"""A process to be killed: makes archives and lets rows go, and ends by itself. Run as `archive_victim.py JOURNAL`."""

from __future__ import annotations

import sys
from pathlib import Path

# Run by path, not as a module: the folder above is not on the path by itself.
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from motewatch.journal.archiving import make_all
from motewatch.journal.journal import Journal
from motewatch.journal.leaving import let_go
from support.archive_journal import FULL, STAY


def main() -> None:
    with Journal(sys.argv[1], site="demo") as journal:
        print("begun", flush=True)
        make_all(journal.store, "demo", STAY, 1, made=lambda made: print(made.name, flush=True), full=FULL)
        let_go(journal.store, 2, lambda: print("turn", flush=True) or True)
        print("done", flush=True)


if __name__ == "__main__":
    main()
