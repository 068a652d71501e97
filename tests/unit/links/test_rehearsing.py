"""A rehearsal on a journal: its stretch, its limits, the command, and the same in a process of its own."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.records import Audited, Configured
from motewatch.engine.rehearsal import Change
from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.journal.trail_check import check_trail
from motewatch.links.aside import Aside
from motewatch.links.clock import Clock
from motewatch.links.rehearsing import RehearsalError, from_plain, plain, rehearse
from motewatch.wire.records import SECOND_US
from support.command_line import run, write_site
from support.facility import T0, configured, site_dict
from support.servers import wait_until
from support.writer_bench import Bench, Step, count, event, tamper

S = SECOND_US
HIGH = "location/fill-1/0.5um/action"


def site(action: int) -> dict[str, Any]:
    return site_dict(levels=[{"room": "fill", "size_um": 0.5, "action_per_m3": action}])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of eight minutes; in the second minute six readings of 17 particles: 3 604 per m3."""
    path = tmp_path / "journal.db"
    with Bench(path) as bench:
        steps: list[Step] = []
        for n in range(48):
            steps += [
                lambda: bench.clock.go(10),
                count("pc-1", n, T0 + 10 * (n + 1) * S, (17 if 6 <= n < 12 else 1, 0)),
            ]
        bench.run_script(event("up"), event("drained"), *steps, lambda: bench.clock.go(7))
    return path


class Impatient(Clock):
    """Each look at it takes a minute."""

    def __init__(self) -> None:
        self._s = 0.0

    def monotonic_s(self) -> float:
        self._s += 60
        return self._s


def played(path: Path, other: Configured, from_us: int = T0, until_us: int = T0 + 3600 * S) -> list[tuple[Change, str]]:
    with Journal.open_reader(path) as journal:
        found = rehearse(journal, other, from_us, until_us, Clock())
        assert from_plain(json.loads(json.dumps(plain(found)))) == found
        assert not found.cut
        return [(one.change, one.alarm) for one in found.outcome.differing]


ALERT = "location/fill-1/0.5um/alert"


def test_a_journal_is_played_with_another_configuration(path: Path) -> None:
    assert played(path, configured(site_dict())) == []
    # Without the alert level nothing comes of it; with a tight action level the alarm comes before.
    assert played(path, configured(site_dict(levels=[]))) == [(Change.NOT_RAISED, ALERT)]
    assert (Change.OTHERWISE, HIGH) in played(path, configured(site(100)))
    # What lies outside the stretch is not told of.
    assert played(path, configured(site_dict(levels=[])), T0 + 240 * S) == []
    assert played(path, configured(site_dict(levels=[])), T0, T0 + 60 * S) == []


def test_it_says_how_far_the_limit_let_it_come(path: Path) -> None:
    with Journal.open_reader(path) as journal:
        found = rehearse(journal, configured(site_dict()), T0, T0 + 3600 * S, Impatient(), 1)
        assert found.cut
        assert found.reached_us <= T0 + 490 * S


@pytest.mark.parametrize(
    ("from_us", "until_us", "says"),
    [
        (T0, T0, "nothing lies between"),
        (T0 - 3600 * S, T0 - 1800 * S, "it begins at 2026-05-28 20:27 UTC"),
        (T0 + 90_000 * S, T0 + 99_000 * S, "nothing came in at that time"),
        (0, T0, "31 days"),
    ],
)
def test_what_cannot_be_rehearsed_is_said(path: Path, from_us: int, until_us: int, says: str) -> None:
    with Journal.open_reader(path) as journal, pytest.raises(RehearsalError, match=says):
        rehearse(journal, configured(site_dict()), from_us, until_us, Clock())


def test_an_input_that_cannot_be_read_any_more_is_left_out(path: Path) -> None:
    with tamper(path) as connection:
        connection.execute("UPDATE inputs SET kind = 'nonsense' WHERE id = 20")
    with Journal.open_reader(path) as journal:
        assert rehearse(journal, configured(site_dict()), T0, T0 + 600 * S, Clock()).unreadable == 1


def test_a_configuration_that_cannot_be_read_is_refused(path: Path) -> None:
    with Journal.open_reader(path) as journal, pytest.raises(RehearsalError, match="cannot be read by this version"):
        rehearse(journal, Configured("d", "{}"), T0, T0 + 600 * S, Clock())


def test_the_command(path: Path) -> None:
    other = write_site(path.parent, site_dict(levels=[], service={"journal": str(path)}))
    begin, until = "2026-05-28T20:27Z", "2026-05-28T21:27Z"
    done = run("rehearse", other, "--from", begin, "--until", until)
    assert done.exit_code == 0
    assert "not raised" in done.output
    assert ALERT in done.output
    assert "3 alarms as configured then, 2 with this file" in done.output
    told = json.loads(run("rehearse", other, "--from", begin, "--until", until, "--json").output)
    assert told["counts"] == {"raised": 0, "not-raised": 1, "otherwise": 0}
    assert "is no time" in run("rehearse", other, "--from", "soon").output
    assert "nothing came in" in run("rehearse", other, "--from", "2020-01-01", "--until", "2020-01-02").output


def test_in_a_process_of_its_own(path: Path) -> None:
    stopping = threading.Event()
    aside = Aside(stopping, Clock())
    assert aside.told is None
    digest = configured(site_dict()).digest
    words = ["rehearse", str(path), digest, str(T0), str(T0 + 600 * S)]
    assert aside.ask("mine", words, 240)
    assert not aside.ask("another", words, 60)
    told = wait_until(lambda: aside.told if aside.told and aside.told.over else None, "the end", 300)
    assert (told.about, told.trouble) == ("mine", "")
    assert from_plain(told.lines[0]).outcome.was == 3

    assert aside.ask("unknown", ["rehearse", str(path), "0" * 64, "0", "1"], 60)
    told = wait_until(lambda: aside.told if aside.told and aside.told.over else None, "the end", 300)
    assert told.trouble == "there is no configuration of this digest on record"

    assert aside.ask("chain", ["chain", str(path)], 60)
    told = wait_until(lambda: aside.told if aside.told and aside.told.over else None, "the end", 300)
    trail, record = told.lines
    assert (trail["rows"], trail["trouble"], record["problems"]) == (1, "", [])

    # When the service ends, so does the child.
    assert aside.ask("ended", words, 60)
    stopping.set()
    told = wait_until(lambda: aside.told if aside.told and aside.told.over else None, "the end", 300)
    assert not aside.ask("too late", words, 60)


def test_a_broken_chain_names_the_first_row(path: Path) -> None:
    with Journal(path) as journal:
        facts = [Audited(T0 + n, "ada", "note", "room/fill", str(n)) for n in range(5)]
        journal.commit(Batch(outputs=[(BY_TIME, fact) for fact in facts], engine_us=T0 + 10**9))
        whole = check_trail(journal.store)
        assert (whole.rows, whole.trouble, whole.last_us) == (6, "", T0 + 4)
    with tamper(path) as connection:
        connection.execute("UPDATE audit SET who = 'eve' WHERE id = 4")
    with Journal.open_reader(path) as journal:
        broken = check_trail(journal.store)
    assert broken.rows == 3
    assert broken.trouble == "audit: row 4 was changed after it was written"
