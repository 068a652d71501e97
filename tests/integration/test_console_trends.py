"""The pages of rooms and locations over a journal with a day of samples: shown, exported, refused in words."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from xml.etree import ElementTree

import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest

from motewatch.engine.records import Output, SampleTaken
from motewatch.journal.journal import Journal
from motewatch.journal.rollups import Rollups
from motewatch.journal.rows import BY_TIME, Batch
from motewatch.links.publications import iso
from motewatch.measure.samples import Quality
from motewatch.wire.records import HOUR_US
from support.console import Person, administrator, user
from support.sample_streams import revised
from support.trend_console import trend_console
from support.trend_journal import START_US, configure, minutes, site_of

Ground = tuple[Person, Journal]


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """A viewer in front of it; one sample was revised by late data."""
    folder = tmp_path_factory.mktemp("trends")
    with (
        trend_console(folder) as (url, journal),
        administrator(folder, url) as admin,
        user(admin, url, "vic", "viewer") as vic,
    ):
        first = next(iter(minutes("bench", START_US, 1440)))
        late: list[tuple[int, Output]] = [(BY_TIME, SampleTaken(revised(first, (70_000, 9, 9))))]
        journal.commit(Batch(outputs=late, engine_us=journal.engine_us() or 0))
        yield vic, journal


DAY = "from=2026-03-05T00:00:00Z&until=2026-03-06T00:00:00Z"


def test_the_list_leads_to_every_room_and_location(ground: Ground) -> None:
    page = ground[0].http.get("/rooms").text
    assert '<a href="/room/prep">Preparation</a>' in page
    assert "Bench &lt;left&gt;" in page
    for path in ("/room/prep", "/location/bench", "/location/sink"):
        assert ground[0].http.get(path).status_code == 200


def test_a_location_tells_in_words_what_it_draws(ground: Ground) -> None:
    page = ground[0].http.get(f"/location/bench?{DAY}").text
    assert page.count('<svg xmlns="http://www.w3.org/2000/svg" class="trend"') == 2
    assert "Above the action level" in page
    assert "of the action level 3 520" in page
    assert "not measured" in page
    assert "Door &lt;b&gt;held&lt;/b&gt; open" in page
    assert "returned to normal after 30 min" in page
    assert " style=" not in page.replace('<p class="wrong"', "")
    assert "<b>held</b>" not in page
    nothing = ground[0].http.get("/location/sink").text
    assert "Cannot tell" in nothing
    assert "No sample is on record" in nothing


def test_a_level_that_changed_is_shown_as_it_was_from_when_it_was(ground: Ground) -> None:
    vic, journal = ground
    location = {"location": "bench", "size_um": 0.5, "occupancy": "at-rest"}
    configure(journal, site_of(levels=[location | {"action_per_m3": 3000}]), START_US + 24 * HOUR_US, "b" * 64)
    answer = vic.http.get("/api/v1/locations/bench/series?from=2026-03-05T20:00:00Z&until=2026-03-06T00:00:00Z").json()
    levels = [each["sizes"][0]["action_per_m3"] for each in answer["buckets"] if each["sizes"]]
    assert set(levels[:-1]) == {3520}
    # The last sample ended when the new level began to hold.
    assert levels[-1] == 3000


def test_it_is_compared_with_another_location_or_week(ground: Ground) -> None:
    assert "Dotted: Sink." in ground[0].http.get(f"/location/bench?{DAY}&with=sink").text
    assert "Dotted: the week before." in ground[0].http.get(f"/location/bench?{DAY}&with=last-week").text
    assert ground[0].http.get(f"/location/bench?{DAY}&with=nobody").status_code == 422


def test_the_table_has_every_sample_once_and_marks_the_revised(ground: Ground) -> None:
    found: list[str] = []
    path = f"/location/bench?{DAY}"
    pages = 0
    while path:
        page = ground[0].http.get(path).text
        found += [part.split('"')[0] for part in page.split('href="/record/sample?location=bench&amp;end=')[1:]]
        pages += 1
        path = page.split('<a class="button" href="/location/bench?from')[-1] if "Older samples" in page else ""
        if path:
            path = "/location/bench?from" + path.split('"')[0].replace("&amp;", "&")
    assert pages == 15
    assert len(found) == len(set(found)) == 1440
    assert "revised (2)" in page
    assert "missing" in ground[0].http.get("/location/bench?from=2026-03-05T05:00Z&until=2026-03-05T06:00Z").text


def test_programs_get_the_same(ground: Ground) -> None:
    vic, journal = ground
    places = vic.http.get("/api/v1/locations").json()["locations"]
    assert [(each["id"], each["room"]) for each in places] == [("bench", "prep"), ("sink", "prep")]
    base = "/api/v1/locations/bench"
    before = vic.http.get(f"{base}/series?{DAY}").json()
    while Rollups(journal.store).sum_up(50):
        pass
    assert vic.http.get(f"{base}/series?{DAY}").json() == before
    assert sum(each["samples"] for each in before["buckets"]) == 1440
    assert sum(each["revised"] for each in before["buckets"]) == 1
    first = before["buckets"][0]["sizes"][0]
    assert first["high_per_m3"] > 2_000_000
    assert (first["alert_per_m3"], first["action_per_m3"]) == (2000, 3520)
    ends: list[str] = []
    cursor = ""
    while cursor is not None:
        page = vic.http.get(f"{base}/samples?{DAY}&limit=1000&cursor={cursor}").json()
        ends += [each["end"] for each in page["samples"]]
        cursor = page["next"]
    assert len(ends) == len(set(ends)) == 1440
    assert ends == sorted(ends, reverse=True)


def test_files_hold_what_is_on_record(ground: Ground) -> None:
    vic, journal = ground
    answer = vic.http.get(f"/location/bench/samples.csv?{DAY}")
    assert answer.headers["content-disposition"] == 'attachment; filename="bench.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    wanted = journal.query_samples("bench", limit=2000)
    assert [row["end"] for row in rows] == [iso(each.end_us) for each in wanted]
    assert rows[0]["revision"] == "2"
    assert rows[0]["count_0.5um"] == "70000"
    lost = [row for row, sample in zip(rows, wanted, strict=True) if Quality.MISSING in sample.quality]
    assert {(row["quality"], row["count_0.5um"], row["per_m3_0.5um"]) for row in lost} == {("missing", "", "")}
    table = pq.read_table(io.BytesIO(vic.http.get(f"/location/bench/samples.parquet?{DAY}").content))
    assert table.num_rows == 1440
    assert table["count_0.5um"].to_pylist()[0] == 70_000
    assert table["per_m3_5um"].null_count == len(lost)
    drawing = vic.http.get(f"/location/bench/chart.svg?{DAY}")
    assert drawing.headers["content-type"] == "image/svg+xml"
    ElementTree.fromstring(drawing.content)
    picture = vic.http.get(f"/location/bench/chart.png?{DAY}")
    assert picture.headers["content-type"] == "image/png"
    assert picture.headers["content-disposition"] == 'attachment; filename="bench.png"'
    assert picture.content[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = (int.from_bytes(picture.content[at : at + 4], "big") for at in (16, 20))
    # Drawn, and wider than high: an empty sheet would be a few pixels.
    assert width > height > 600


@pytest.mark.parametrize(
    "path",
    [
        "/location/bench?from=2026-03-06T00:00Z&until=2026-03-05T00:00Z",
        "/location/bench?from=0001-01-01&until=9999-12-31",
        "/location/bench?from=2000-01-01&until=2026-03-05",
        "/location/bench?span=%3Cscript%3E",
        "/location/bench?before=-1",
        "/location/bench?before=99999999999999999999999",
        "/location/bench/samples.csv?from=x&until=y",
        "/location/bench/samples.parquet?from=2022-01-01&until=2026-01-01",
        "/location/bench/chart.svg?span=x",
        "/location/bench/chart.png?span=x",
        "/room/prep?from=1",
        "/api/v1/locations/bench/series?points=0",
        "/api/v1/locations/bench/series?points=999999",
        "/api/v1/locations/bench/series?from=2026-03-06",
        "/api/v1/locations/bench/samples?from=x&until=y",
        "/api/v1/locations/bench/series?from=a&from=b",
    ],
)
def test_what_makes_no_sense_is_refused_in_words(ground: Ground, path: str) -> None:
    answer = ground[0].http.get(path)
    assert answer.status_code == 422
    assert "<script>" not in answer.text


@pytest.mark.parametrize(
    "path",
    ["/location/nobody", "/location/..%2f..%2fetc", "/location/%00", "/room/nobody", "/location/nobody/samples.csv",
     "/api/v1/locations/nobody/series", "/api/v1/locations/%3Cb%3E/samples"],
)  # fmt: skip
def test_what_is_not_there_is_not_found(ground: Ground, path: str) -> None:
    assert ground[0].http.get(path).status_code == 404
