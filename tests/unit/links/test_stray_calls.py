"""Calls over channels that nobody serves."""

from __future__ import annotations

from motewatch.callout.records import Delivered, Outcome
from motewatch.links.stray_calls import GONE, LATER, StrayCalls
from support.call_fakes import FakeService, call, call_row
from support.links_fakes import FakeClock, MemoryRows


class Rows(MemoryRows):
    """The sinks that wait, too."""

    def waiting(self, prefix: str = "") -> dict[str, list[int]]:  # type: ignore[override]
        found: dict[str, list[int]] = {}
        for row in self.rows.values():
            if row.sink.startswith(prefix) and row.id not in self.delivered_us:
                found.setdefault(row.sink, []).append(row.id)
        return found


def test_calls_over_channels_that_are_gone_or_new_are_refused_and_marked_after_the_commit() -> None:
    clock, rows, service = FakeClock(), Rows(), FakeService(at_once=False)
    configured = ["sms"]
    stray = StrayCalls(rows, service.post, clock, ["sms"], lambda: configured)
    for sink in ("sms", "pager", "voice"):
        rows.add(call_row(call(sink), clock.now_us(), f"call/{sink}"))
    rows.add(call_row(call("a sample"), clock.now_us(), "mqtt"))
    configured.append("voice")
    stray.look()
    stray.look()
    assert sorted(service.posted, key=lambda each: each.told) == [
        Delivered("pager", Outcome.REFUSED, clock.wall_us, 0, GONE),
        Delivered("voice", Outcome.REFUSED, clock.wall_us, 0, LATER),
    ]
    assert rows.errors == {}
    service.commit()
    stray.look()
    assert rows.errors == {2: GONE, 3: LATER}
    assert rows.waiting() == {"call/sms": [1], "mqtt": [4]}
    assert len(service.posted) == 2


def test_a_channel_that_is_out_of_use_says_why_and_is_served_once_it_is_in_use() -> None:
    clock, rows, service = FakeClock(), Rows(), FakeService()
    served: list[str] = []
    stray = StrayCalls(rows, service.post, clock, served, lambda: ["sms"], lambda: {"sms": "sms.url cannot be read"})
    rows.add(call_row(call("a"), clock.now_us(), "call/sms"))
    stray.look()
    assert [each.detail for each in service.posted] == ["the channel is out of use: sms.url cannot be read"]
    served.append("sms")
    rows.add(call_row(call("b"), clock.now_us(), "call/sms"))
    stray.look()
    assert len(service.posted) == 1
