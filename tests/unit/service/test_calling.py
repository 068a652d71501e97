"""When the service must not say to the outside that all is well, and channels that are out of use for a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from motewatch.callout.records import Delivered
from motewatch.engine.records import Entered, Output, PartChanged
from motewatch.journal.journal import Journal
from motewatch.journal.rows import Batch
from motewatch.service.calling import LOSS_S, TURN_S, Calling, stuck, unjudged, unseen
from motewatch.service.optional_parts import OptionalParts
from motewatch.site.models import Site
from motewatch.wire.topics import Topics
from support.call_fakes import FakeService, call, call_row
from support.callout_site import callout_site
from support.http_fake import FakeHttp
from support.links_fakes import FakeClock
from support.servers import wait_until


@pytest.mark.parametrize(
    ("turned_s", "said"),
    [(100.0, ""), (100.0 - TURN_S, ""), (100.0 - TURN_S - 1, "the writer has not turned for 31 s")],
)
def test_a_writer_that_has_not_turned_for_long_is_stuck(turned_s: float, said: str) -> None:
    assert stuck(turned_s, 100.0) == said


@pytest.mark.parametrize(
    ("away_s", "said"),
    [(0.0, ""), (LOSS_S, ""), (LOSS_S + 5, "the broker has been away for 65 s and nobody was told")],
)
def test_a_loss_of_the_broker_that_nobody_was_told_of_counts_after_a_minute(away_s: float, said: str) -> None:
    assert unseen(away_s) == said


def test_an_end_of_the_backlog_that_is_not_found_counts_after_a_minute() -> None:
    assert (unjudged(0.0), unjudged(LOSS_S)) == ("", "")
    assert unjudged(LOSS_S + 5).startswith("for 65 s nothing has been judged")


def test_a_channel_whose_key_comes_later_is_taken_into_use_and_serves(tmp_path: Path) -> None:
    clock, service = FakeClock(), FakeService()
    told: list[tuple[str, bool]] = []

    def post(what: Delivered | Entered, done: Callable[[Sequence[Output]], object] | None = None) -> None:
        service.post(what, done)

    def tell(what: PartChanged) -> None:
        told.append((what.part, what.works))

    with Journal(tmp_path / "journal.db") as journal, FakeHttp(lambda *_: (200, b"")) as hook:
        made: dict[str, Any] = callout_site()
        made["channels"][0] = {"id": "sms", "kind": "webhook", "url": hook.url, "key_file": "hook.key"}
        parts = OptionalParts(tell, clock)
        unused: Any = None
        calling = Calling(
            Site.model_validate(made),
            *(tmp_path, journal, post, unused, Topics("motewatch/v1", "stories"), clock, None, {}, parts),
        )
        look, again = (job.run for job in calling.jobs)
        parts.tell_all([])
        calling.start()
        try:
            assert sorted({worker.sink for worker in calling.workers}) == ["call/mail", "call/voice"]
            journal.commit(Batch(outbox=[call_row(call("early"), clock.now_us())], engine_us=1))
            look()
            assert "hook.key" in service.posted[0].detail
            again()
            assert told == [("channel/sms", False)]
            (tmp_path / "hook.key").write_text("0123456789abcdef" * 4)
            (tmp_path / "hook.key").chmod(0o600)
            again()
            assert told == [("channel/sms", False), ("channel/sms", True)]
            journal.commit(Batch(outbox=[call_row(call("later"), clock.now_us())], engine_us=2))
            look()
            wait_until(lambda: len(hook.requests) == 1, "the call over it")
            wait_until(lambda: ("later", "delivered") in [(id_, each.value) for id_, each in service.outcomes()], "it")
        finally:
            calling.stop()
