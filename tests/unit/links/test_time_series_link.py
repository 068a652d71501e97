"""The write to the time-series server: what is sent, and which answers are final.

Against a stand-in, because these are answers the installable servers do not give.
"""

from __future__ import annotations

import urllib.parse

import pytest

from motewatch.links.errors import PointsRefusedError, TimeSeriesAwayError
from motewatch.links.time_series import TimeSeriesLink
from motewatch.site.models import TimeSeries
from support.http_fake import FakeHttp
from support.servers import free_port

LINE = "sample,site=hall readings=1i 1780000020000000"


def test_the_request_is_a_v2_write_in_microseconds() -> None:
    with FakeHttp(lambda *_: (204, b"")) as server:
        with TimeSeriesLink(TimeSeries(url=server.url, org="o", bucket="b"), token="tok") as link:
            link.write(f"{LINE}\n{LINE}")
        ((method, path, headers, body),) = server.requests
    address = urllib.parse.urlsplit(path)
    assert (method, address.path) == ("POST", "/api/v2/write")
    assert urllib.parse.parse_qs(address.query) == {"org": ["o"], "bucket": ["b"], "precision": ["us"]}
    assert headers["Authorization"] == "Token tok"
    assert body.decode() == f"{LINE}\n{LINE}"


@pytest.mark.parametrize("status", [400, 413, 422])
def test_answers_about_the_lines_are_final(status: int) -> None:
    with (
        FakeHttp(lambda *_: (status, b'{"code":"invalid","message":"unable to parse"}')) as server,
        TimeSeriesLink(TimeSeries(url=server.url)) as link,
        pytest.raises(PointsRefusedError, match="unable to parse") as caught,
    ):
        link.write(LINE)
    assert caught.value.status == status
    assert caught.value.final


@pytest.mark.parametrize(
    ("status", "mend"),
    [(401, "token_file"), (403, "token_file"), (404, "bucket"), (408, "408"), (429, "429"), (500, "500"), (503, "503")],
)
def test_all_other_answers_may_pass_and_name_what_to_mend(status: int, mend: str) -> None:
    with (
        FakeHttp(lambda *_: (status, b"")) as server,
        TimeSeriesLink(TimeSeries(url=server.url), token="s3cret") as link,
        pytest.raises(TimeSeriesAwayError, match=mend) as caught,
    ):
        link.write(LINE)
    assert not caught.value.final
    assert str(status) in str(caught.value)
    assert "s3cret" not in str(caught.value)


def test_nobody_there() -> None:
    with (
        TimeSeriesLink(TimeSeries(url=f"http://127.0.0.1:{free_port()}", timeout_s=2)) as link,
        pytest.raises(TimeSeriesAwayError, match="cannot be reached"),
    ):
        link.write(LINE)
    with TimeSeriesLink(TimeSeries(url=f"http://127.0.0.1:{free_port()}", timeout_s=2)) as link:
        assert link.started_at() is None


@pytest.mark.parametrize(
    ("page", "started"),
    [
        (b"# HELP x\nprocess_start_time_seconds 1.7e+09\nother 1\n", 1.7e9),
        (b'a 1\nvm_app_start_timestamp{x="y"} 1700000000\n', 1.7e9),
        (b"nothing_of_the_kind 1\n", None),
        (b"process_start_time_seconds oops\n", None),
    ],
)
def test_the_start_of_the_process_is_read_from_the_metrics(page: bytes, started: float | None) -> None:
    with FakeHttp(lambda *_: (200, page)) as server, TimeSeriesLink(TimeSeries(url=server.url)) as link:
        assert link.started_at() == started
        assert server.requests[0][1] == "/metrics"


def test_no_metrics_page_is_no_answer() -> None:
    with (
        FakeHttp(lambda *_: (404, b"process_start_time_seconds 1\n")) as server,
        TimeSeriesLink(TimeSeries(url=server.url)) as link,
    ):
        assert link.started_at() is None
