"""Room on the journal's disk: told when it becomes little, and when there is enough again."""

from __future__ import annotations

from pathlib import Path

from motewatch.links.space import MB, SpaceWatch, free_at
from support.links_fakes import FakeClock


def test_a_change_is_told_once_and_a_disk_at_the_edge_does_not_tell_on_and_on() -> None:
    clock, free, told = FakeClock(), [2_000 * MB], []

    def report(enough: bool, since_us: int, detail: str) -> None:
        assert since_us == clock.now_us()
        told.append((enough, detail))

    watch = SpaceWatch(lambda: free[0], 1_000, report, clock)
    for megabytes in (2_000, 1_500, 1_000, 999, 1_001, 990, 1_199, 1_200, 1_100, 1_000, 3):
        free[0] = megabytes * MB
        watch.look()
        clock.go(30)
    assert told == [
        (True, "2000 MB are free, 1000 are wanted"),
        (False, "999 MB are free, 1000 are wanted"),
        (True, "1200 MB are free, 1000 are wanted"),
        (False, "3 MB are free, 1000 are wanted"),
    ]


def test_what_is_free_is_asked_of_the_disk(tmp_path: Path) -> None:
    assert free_at(tmp_path)() > 0
