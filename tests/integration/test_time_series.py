"""Points in a real time-series server: each once, with the right value, whatever happened to the server."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from motewatch.engine.records import SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch
from motewatch.links.clock import Clock
from motewatch.links.outbox import TimeSeriesWorker
from motewatch.links.publications import Directory, Publications
from motewatch.links.time_series import TimeSeriesLink
from motewatch.measure.samples import Channel, Quality, Sample, Spread
from motewatch.site.models import Site
from motewatch.wire.topics import Topics
from support.facility import site_dict
from support.links_fakes import outbox_row
from support.servers import TimeSeriesServer, running, wait_until

pytestmark = pytest.mark.timeseries

BEGIN_US = 1_780_000_020_000_000


def sample(number: int, *, location: str = "fill-1", revision: int = 1, count: int | None = None) -> Sample:
    """The sample of minute `number`; counts tell it apart."""
    start_us = BEGIN_US + number * 60_000_000
    counted = 100 + number if count is None else count
    return Sample(
        location=location,
        start_us=start_us,
        end_us=start_us + 60_000_000,
        revision=revision,
        channels=(Channel(500, counted, 28_300_000), Channel(5000, number % 3, 28_300_000)),
        sampled_us=60_000_000,
        readings=6,
        sensors=("pc-1",),
        quality=Quality.GOOD,
        occupancy="operational",
        humidity=Spread(6, 6 * 45_250, 45_000, 45_500),
    )


class Pipeline:
    """A journal, its rows for samples, and the worker that carries them."""

    def __init__(self, journal: Journal, link: TimeSeriesLink, **options: Any) -> None:
        self.journal = journal
        directory = Directory.of(Site.model_validate(site_dict()))
        self._publications = Publications(Topics("test", "testing"), directory, time_series=True)
        self.told: list[bool] = []
        self.worker = TimeSeriesWorker(
            journal, Clock(), link, lambda up, since_us, detail: self.told.append(up), idle_s=0.02, **options
        )

    def put(self, *samples: Sample) -> None:
        now_us = Clock().now_us()
        rows = self._publications.rows([SampleTaken(each) for each in samples], now_us)
        self.journal.commit(Batch(outbox=[row for row in rows if row.sink == "time-series"], engine_us=now_us))
        self.worker.notify()

    def delivered(self) -> None:
        """Wait until nothing is left, without waiting out the worker's pauses."""

        def empty() -> bool:
            self.worker.try_now()
            return self.journal.backlog("time-series") == 0

        wait_until(empty, "an empty outbox")


@contextmanager
def pipeline(server: TimeSeriesServer, folder: Path, **options: Any) -> Iterator[Pipeline]:
    with Journal(folder / "journal.db") as journal, TimeSeriesLink(server.settings()) as link:
        made = Pipeline(journal, link, **options)
        made.worker.start()
        try:
            yield made
        finally:
            assert made.worker.stop(10)


def series(server: TimeSeriesServer, name: str, **labels: str) -> dict[int, float]:
    """One series as {milliseconds: value}; fails when an instant is there twice."""
    match = ",".join(f'{key}="{value}"' for key, value in labels.items())
    found = server.export(f"{name}{{{match}}}")
    assert len(found) <= 1, found
    values = found[0][1] if found else []
    assert len({stamp for stamp, _ in values}) == len(values), "a point is there twice"
    return dict(values)


def end_ms(number: int) -> int:
    return BEGIN_US // 1000 + (number + 1) * 60_000


def test_samples_are_read_back_point_by_point(time_series_server: TimeSeriesServer, tmp_path: Path) -> None:
    with pipeline(time_series_server, tmp_path) as here:
        here.put(*[sample(number) for number in range(120)])
        here.put(*[sample(number, location="prep-1") for number in range(5)])
        here.delivered()
    server = time_series_server
    place = {"site": "testing", "room": "fill", "location": "fill-1"}
    small = {**place, "size_um": "0.5", "occupancy": "operational"}
    assert series(server, "concentration_count", **small) == {end_ms(n): 100 + n for n in range(120)}
    assert series(server, "concentration_per_m3", **small) == {
        end_ms(n): pytest.approx((100 + n) / 0.0283, rel=1e-12) for n in range(120)
    }
    assert series(server, "concentration_count", **{**small, "size_um": "5"}) == {end_ms(n): n % 3 for n in range(120)}
    assert series(server, "concentration_volume_l", **small) == {end_ms(n): 28.3 for n in range(120)}
    assert series(server, "sample_revision", **place) == {end_ms(n): 1 for n in range(120)}
    assert series(server, "sample_readings", **place) == {end_ms(n): 6 for n in range(120)}
    assert series(server, "climate_humidity_pct", **place) == {end_ms(n): 45.25 for n in range(120)}
    assert series(server, "climate_temperature_c", **place) == {}
    assert len(series(server, "sample_coverage", room="prep", location="prep-1")) == 5


def test_a_later_revision_takes_the_place_of_the_earlier(time_series_server: TimeSeriesServer, tmp_path: Path) -> None:
    labels = {"location": "fill-1", "size_um": "0.5"}
    with pipeline(time_series_server, tmp_path) as here:
        here.put(sample(0, count=500), sample(1, count=5))
        here.delivered()
        assert series(time_series_server, "concentration_count", **labels) == {end_ms(0): 500, end_ms(1): 5}
        here.put(sample(0, revision=2, count=7), sample(1, revision=2, count=700))
        here.delivered()
    assert series(time_series_server, "concentration_count", **labels) == {end_ms(0): 7, end_ms(1): 700}


def test_after_a_kill_each_point_is_there_once(time_series_server: TimeSeriesServer, tmp_path: Path) -> None:
    """The server loses what it acknowledged last; points of the time before are sent again by the worker itself."""
    server = time_series_server
    with pipeline(server, tmp_path, check_s=0.1) as here:
        here.put(*[sample(number) for number in range(100)])
        here.delivered()
        server.kill()  # within its first seconds: nothing of the 100 is on its disk
        here.put(*[sample(number) for number in range(100, 110)])
        wait_until(lambda: here.told[-1:] == [False], "the outage")
        server.start()
        here.delivered()
        wait_until(lambda: here.told[-1:] == [True], "the return")
        labels = {"location": "fill-1", "size_um": "0.5"}
        wait_until(lambda: len(series(server, "concentration_count", **labels)) == 110, "all points")
        here.delivered()
    assert series(server, "concentration_count", **labels) == {end_ms(n): 100 + n for n in range(110)}


def test_a_kill_and_restart_between_two_writes_is_noticed(time_series_server: TimeSeriesServer, tmp_path: Path) -> None:
    server = time_series_server
    labels = {"location": "fill-1", "size_um": "0.5"}
    with pipeline(server, tmp_path, check_s=0.1) as here:
        here.put(*[sample(number) for number in range(50)])
        here.delivered()
        with TimeSeriesLink(server.settings()) as other:
            first = wait_until(other.started_at, "the start time")
            server.kill()
            server.start()
            # It tells its start in whole seconds; one more restart makes sure that the second is another one.
            while other.started_at() == first:
                server.kill()
                server.start()
        wait_until(lambda: len(series(server, "concentration_count", **labels)) == 50, "all points")
        here.delivered()
    assert here.told == [True], "no write failed: only the start time told it"


def test_the_daemon_and_the_server_killed_together(tmp_path: Path) -> None:
    folder = tmp_path / "server"
    folder.mkdir()
    server = TimeSeriesServer(folder)
    labels = {"location": "fill-1", "size_um": "0.5"}
    with running(server):
        with pipeline(server, tmp_path) as here:
            here.put(*[sample(number) for number in range(50)])
            here.delivered()
            last_taken_us = here.journal.last_taken_us("time-series")
        server.kill()
        server.start()
        with pipeline(server, tmp_path, last_taken_us=last_taken_us) as here:
            wait_until(lambda: len(series(server, "concentration_count", **labels)) == 50, "all points")
            here.delivered()


def test_a_malformed_line_does_not_take_good_ones_with_it(time_series_server: TimeSeriesServer, tmp_path: Path) -> None:
    """This server answers 204 and drops a malformed line in silence, so it is found before it is sent."""
    with pipeline(time_series_server, tmp_path) as here:
        bad = replace(outbox_row("bad", b"sample,site=x readings=lots 1", sink="time-series"))
        here.journal.commit(Batch(outbox=[bad], engine_us=1))
        here.put(sample(0), sample(1))
        here.delivered()
        wait_until(lambda: here.worker.refused == 1, "the refusal")
    assert len(series(time_series_server, "sample_readings", location="fill-1")) == 2


def test_a_frozen_server_is_an_outage_that_ends(time_series_server: TimeSeriesServer, tmp_path: Path) -> None:
    server = time_series_server
    with (
        Journal(tmp_path / "journal.db") as journal,
        TimeSeriesLink(server.settings(timeout_s=1.0)) as link,
    ):
        here = Pipeline(journal, link)
        here.worker.start()
        server.freeze()
        here.put(sample(0))
        wait_until(lambda: here.told == [False], "the outage")
        server.thaw()
        here.delivered()
        assert here.worker.stop(10)
    assert here.told == [False, True]
