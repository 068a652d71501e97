"""Calls beside the record, a look and a step at a time, against small stand-ins."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest

from motewatch.callout.records import Delivered
from motewatch.callout.unrecorded import OnDuty
from motewatch.engine.records import Entered, Output
from motewatch.journal.search import Kind, kind_of_action
from motewatch.links.call_message import CallMessage
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError
from motewatch.links.unrecorded_calls import ACTION, UnrecordedCalls
from motewatch.site.models import Site
from motewatch.site.people import ChannelBase, MqttChannel, Unrecorded
from support.call_fakes import FakeChannel, words
from support.callout_site import callout_site
from support.links_fakes import FakeClock
from support.servers import wait_until

FULL = "the record cannot be written: no space left to write the journal"


def channel_settings(id_: str) -> ChannelBase:
    return MqttChannel(id=id_, kind="mqtt", timeout_s=10.0, give_up_min=15.0)


@dataclass
class Ground:
    """Ada is told at once over `sms` and `mail`, Ben five minutes later over `sms`."""

    trouble: str = ""
    clock: FakeClock = field(default_factory=FakeClock)
    sms: FakeChannel = field(default_factory=FakeChannel)
    mail: FakeChannel = field(default_factory=FakeChannel)
    entered: list[Entered] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.calls = UnrecordedCalls(
            channels={"sms": (channel_settings("sms"), self.sms), "mail": (channel_settings("mail"), self.mail)},
            words=words,
            trouble=lambda: self.trouble,
            post=self._post,
            clock=self.clock,
            on_duty=OnDuty.of(Site.model_validate(callout_site())),
            settings=Unrecorded(after_s=60.0, every_min=15.0),
            threads=False,
        )

    def _post(self, what: Delivered | Entered, done: Callable[[Sequence[Output]], object] | None = None) -> None:
        assert isinstance(what, Entered)
        assert not self.trouble, "nothing can be taken"
        self.entered.append(what)

    def passes(self, seconds: float) -> None:
        """So much time, looked at each second, with all that the lanes can do."""
        for _ in range(round(seconds)):
            self.clock.go(1.0)
            self.calls.look()
            for lane in self.calls.lanes.values():
                while lane.step() == 0.0:
                    pass

    def said(self) -> list[tuple[str, str, str]]:
        """(channel, person, cause) of all tries."""
        tries: list[tuple[str, FakeChannel]] = [("sms", self.sms), ("mail", self.mail)]
        return [(id_, each.person, each.cause) for id_, channel in tries for each in channel.tried]

    def clear(self) -> None:
        self.sms.tried.clear()
        self.mail.tried.clear()


FIRST = [("sms", "ada", "unrecorded"), ("mail", "ada", "unrecorded")]


def test_nothing_is_said_before_its_time_and_then_over_every_way_at_once() -> None:
    ground = Ground(FULL)
    ground.passes(60)
    assert ground.said() == []
    ground.passes(2)
    assert ground.said() == FIRST
    call: CallMessage = ground.mail.tried[0]
    assert call.subject.startswith("Not on record: High alarm, ")
    assert "no space left to write the journal" in call.subject
    assert "This call is not on record" in call.text
    assert "Make room on the journal's disk" in call.text
    assert "watch exposed product by other means" in call.text
    assert call.link is None
    assert "acknowledge" not in call.text
    assert len(call.short) <= 160


def test_it_is_repeated_and_climbs_until_it_is_over() -> None:
    ground = Ground(FULL)
    ground.passes(62)
    ground.clear()
    ground.passes(15 * 60 - 5)
    assert ground.said() == []
    ground.passes(5)
    assert sorted(ground.said()) == sorted([*FIRST, ("sms", "ben", "unrecorded"), *later()])


def later() -> list[tuple[str, str, str]]:
    """Ways of those who come after fifteen minutes: cy and dot."""
    site = callout_site()
    return [
        (way["channel"], person["id"], "unrecorded")
        for person in site["persons"]
        if person["id"] in ("cy", "dot")
        for way in person["reach"]
        if way["channel"] in ("sms", "mail")
    ]


def test_a_short_trouble_is_said_to_nobody() -> None:
    ground = Ground(FULL)
    ground.passes(50)
    ground.trouble = ""
    ground.passes(1)
    ground.trouble = FULL
    ground.passes(50)
    ground.trouble = ""
    ground.passes(100)
    assert ground.said() == []
    assert ground.entered == []


def test_when_it_is_written_again_what_was_said_goes_on_record_and_that_it_is_over_is_said() -> None:
    ground = Ground(FULL)
    ground.passes(62)
    ground.clear()
    ground.trouble = ""
    ground.passes(1)
    assert [(each.by, each.action, each.subject) for each in ground.entered] == [
        ("service", ACTION, "service/record")
    ] * 2
    assert [each.detail.partition(" UTC. ")[2] for each in ground.entered] == [f"Said: {FULL}"] * 2
    assert {each.detail.partition(":")[0] for each in ground.entered} == {"ada over sms", "ada over mail"}
    assert all("told once, at 20" in each.detail for each in ground.entered)
    assert kind_of_action(ACTION) is Kind.CALL
    assert ground.said() == [], "it may begin again at once"
    ground.passes(61)
    assert ground.said() == [("sms", "ada", "returned"), ("mail", "ada", "returned")]
    assert "Returned to normal: " in ground.mail.tried[0].subject
    assert "The record is written again." in ground.mail.tried[0].text
    ground.passes(300)
    assert len(ground.said()) == 2
    assert len(ground.entered) == 4
    assert ground.entered[-1].detail.endswith("Said: the record is written again")


def test_one_that_begins_again_within_the_time_is_the_same_and_not_told_sooner() -> None:
    ground = Ground(FULL)
    ground.passes(62)
    ground.clear()
    for _ in range(6):
        ground.trouble = ""
        ground.passes(30)
        ground.trouble = FULL
        ground.passes(90)
    assert ground.said() == []
    ground.passes(200)
    assert ("sms", "ada", "unrecorded") in ground.said()


def test_a_way_that_fails_is_tried_again_and_holds_up_no_other() -> None:
    ground = Ground(FULL)
    ground.sms.always = ChannelAwayError("the gateway is away", may_have_arrived=True)
    ground.passes(70)
    assert [each.maybe_repeat for each in ground.sms.tried][:2] == [False, True]
    assert len({each.id for each in ground.sms.tried}) == 1
    assert len(ground.mail.tried) == 1
    ground.sms.always = None
    ground.passes(40)
    tries = len(ground.sms.tried)
    ground.passes(200)
    assert len(ground.sms.tried) == tries, "it got through"


@pytest.mark.parametrize("error", [ChannelRefusedError("no such number"), ChannelAwayError("away")])
def test_who_was_not_reached_is_not_told_that_it_is_over_and_the_record_says_so(error: Exception) -> None:
    ground = Ground(FULL)
    ground.sms.always = error
    ground.passes(20 * 60)
    ground.trouble = ""
    ground.clear()
    ground.passes(1)
    ground.sms.always = None
    ground.passes(62)
    assert {channel for channel, _, _ in ground.said()} == {"mail"}
    of_ada = [each.detail for each in ground.entered if each.detail.startswith("ada over sms")]
    assert "did not get through, last: " + str(error) in " ".join(of_ada)


def test_a_channel_without_service_is_left_out() -> None:
    ground = Ground(FULL)
    ground.calls.channels = {"mail": ground.calls.channels["mail"]}
    ground.passes(62)
    assert ground.said() == FIRST[1:]


def test_the_threads_do_the_same() -> None:
    ground = Ground(FULL)
    ground.calls.threads = True
    ground.clock.go(1.0)
    ground.calls.look()
    ground.clock.go(61.0)
    ground.calls.look()
    wait_until(lambda: ground.said() == FIRST, "both calls")
    ground.trouble = ""
    assert ground.calls.stop(20)
    assert len(ground.entered) == 2, "a stop puts on record what it can"
