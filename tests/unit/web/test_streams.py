"""Streams of `Right now`: the same bytes for all, nobody waits for a slow one, who may not look is sent away."""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import AsyncGenerator, Coroutine, Iterable
from contextlib import aclosing
from dataclasses import dataclass, field
from typing import Any

import pytest

from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import RIGHTS, Role
from motewatch.web.console.frames import Frames, Kind
from motewatch.web.console.house import templates
from motewatch.web.console.now import Now, RoomNow
from motewatch.web.console.streams import ANEW, Audience, event
from motewatch.web.packing import HEAD, wanted
from support.links_fakes import FakeClock

PATIENCE_S = 20


def page(why: str = "", clock: str = "12:00:00") -> Now:
    """A page of one room."""
    room = RoomNow("fill", "Fill", "ISO 7", "operational", "fine", "✓", "Fine", why, None, (), ())
    return Now("Site", clock, "UTC", "", (), (room,), (), 0, (), 0)


@dataclass
class Source:
    """Says what it was told; `broken`: fails so often first."""

    said: Now = field(default_factory=page)
    version: int = 1
    broken: int = 0

    def now(self) -> Now:
        if self.broken:
            self.broken -= 1
            raise RuntimeError("nothing can be said")
        return self.said

    def say(self, said: Now) -> None:
        self.said, self.version = said, self.version + 1


@dataclass
class Hall:
    """An audience, its source, its clock, and who may look."""

    source: Source = field(default_factory=Source)
    clock: FakeClock = field(default_factory=FakeClock)
    roles: dict[str, Role] = field(default_factory=lambda: {"a": Role.VIEWER, "b": Role.VIEWER})
    closing: bool = False
    asked: list[set[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        frames = Frames(self.source, self.clock, templates(), Kind(wall=False, acknowledge=False))
        self.audience = Audience(
            frames, "run", self.visitors, self.clock, over=lambda: self.closing, poll_s=0.001, sessions_s=0.001
        )

    def visitors(self, secrets: Iterable[str]) -> dict[str, Visitor | None]:
        wanted = set(secrets)
        self.asked.append(wanted)
        return {
            each: Visitor(each, each, role, RIGHTS[role], each, "", False) if role else None
            for each, role in ((one, self.roles.get(one)) for one in wanted)
        }

    def watch(self, secret: str = "a", number: int = 0) -> AsyncGenerator[bytes, None]:
        return self.audience.watch(number, secret, lambda visitor: visitor.role is Role.VIEWER)

    def change(self, why: str) -> None:
        self.clock.go(10)
        self.source.say(page(why))


def told(stream: AsyncGenerator[bytes, None]) -> Coroutine[Any, Any, bytes]:
    """What it is sent next."""
    return asyncio.wait_for(anext(stream), PATIENCE_S)


async def until(stream: AsyncGenerator[bytes, None], what: bytes) -> bytes:
    """The first piece in which that stands."""
    while what not in (piece := await told(stream)):
        pass
    return piece


def test_an_event_has_a_line_for_each_line_of_its_data() -> None:
    assert event("now", "a\nb", "run-7") == b"event: now\nid: run-7\ndata: a\ndata: b\n\n"
    assert event("tick", "") == b"event: tick\ndata: \n\n"


def test_all_who_have_the_same_frame_are_sent_the_same_bytes_and_who_has_an_older_one_what_it_lacks() -> None:
    async def play() -> None:
        hall = Hall()
        async with aclosing(hall.watch("a")) as one, aclosing(hall.watch("b")) as other:
            first = await told(one)
            assert await told(other) is first
            assert first.count(b"event: ") == 2
            assert b"id: run-1\n" in first
            assert first.endswith(b"event: tick\ndata: 12:00:00\n\n")
            hall.change("dust")
            second = await until(one, b"dust")
            assert await until(other, b"dust") is second
            assert b"tally" not in second
            async with aclosing(hall.watch("b", number=1)) as late:
                assert await told(late) == second
            async with aclosing(hall.watch("b", number=0)) as new:
                assert b"tally" in await told(new)

    asyncio.run(play())


def test_a_page_on_which_nothing_changes_says_every_second_that_it_lives() -> None:
    async def play() -> None:
        hall = Hall()
        async with aclosing(hall.watch()) as stream:
            await told(stream)
            hall.source.said = page(clock="12:00:01")
            waiting = asyncio.create_task(stream.__anext__())
            hall.clock.go(0.9)
            while len(hall.asked) < 20:
                await asyncio.sleep(0.001)
            assert not waiting.done()
            hall.clock.go(0.2)
            assert await asyncio.wait_for(waiting, PATIENCE_S) == b"event: tick\ndata: 12:00:01\n\n"

    asyncio.run(play())


def test_nobody_waits_for_a_slow_viewer_who_then_gets_what_is_newest() -> None:
    async def play() -> None:
        hall = Hall()
        async with aclosing(hall.watch("a")) as slow, aclosing(hall.watch("b")) as quick:
            await told(slow)
            for why in ("dust", "more dust", "smoke"):
                hall.change(why)
                await until(quick, f">{why}<".encode())
            assert b"smoke" in await told(slow)

    asyncio.run(play())


@dataclass
class Wire:
    """A connection that is written to straight away; `free`: what was written has left."""

    free: bool = True
    pieces: list[bytes] = field(default_factory=list)

    def write(self, piece: bytes) -> None:
        self.pieces.append(piece)


def test_a_viewer_with_a_line_is_written_to_and_a_slow_one_gets_what_is_newest() -> None:
    async def play() -> None:
        hall = Hall()
        lines = Wire(), Wire()
        streams = [
            hall.audience.watch(0, secret, lambda visitor: visitor.role is Role.VIEWER, line=line)
            for secret, line in zip("ab", lines, strict=True)
        ]
        async with aclosing(streams[0]) as one, aclosing(streams[1]) as other, aclosing(hall.watch("b")) as plain:
            assert await told(one) == await told(other)
            await told(plain)
            # Whoever asks for more waits for the end.
            ends = [asyncio.create_task(stream.__anext__()) for stream in (one, other)]
            await asyncio.sleep(0)
            hall.change("dust")
            said = await until(plain, b"dust")
            assert [line.pieces for line in lines] == [[said], [said]]
            lines[0].free = False
            for why in ("smoke", "steam"):
                hall.change(why)
                said = await until(plain, f">{why}<".encode())
            assert (len(lines[0].pieces), len(lines[1].pieces)) == (1, 3)
            lines[0].free = True
            hall.change("haze")
            said = await until(plain, b"haze")
            assert lines[0].pieces[1:] == lines[1].pieces[3:] == [said]
            assert not any(end.done() for end in ends)
            del hall.roles["a"]
            assert await asyncio.wait_for(ends[0], PATIENCE_S) == ANEW
            hall.closing = True
            with pytest.raises(StopAsyncIteration):
                await asyncio.wait_for(ends[1], PATIENCE_S)

    asyncio.run(play())


def test_whoever_may_no_longer_look_is_sent_away_and_nobody_else() -> None:
    async def play() -> None:
        hall = Hall()
        async with aclosing(hall.watch("a")) as one, aclosing(hall.watch("b")) as other:
            await told(one)
            await told(other)
            hall.roles["a"] = Role.OPERATOR
            assert await until(one, b"anew") == ANEW
            assert [piece async for piece in one] == []
            while {"b"} not in hall.asked:
                await asyncio.sleep(0.001)
            del hall.roles["b"]
            assert await until(other, b"anew") == ANEW

    asyncio.run(play())


def test_all_streams_end_with_the_service() -> None:
    async def play() -> None:
        hall = Hall()
        async with aclosing(hall.watch("a")) as one, aclosing(hall.watch("b")) as other:
            await told(one)
            await told(other)
            hall.closing = True
            async with asyncio.timeout(PATIENCE_S):
                assert [piece async for piece in one] == [piece async for piece in other] == []

    asyncio.run(play())


def test_a_page_that_could_not_be_made_is_made_at_the_next_turn() -> None:
    async def play() -> None:
        hall = Hall(Source(broken=2))
        async with aclosing(hall.watch()) as stream:
            assert b"run-" in await told(stream)

    asyncio.run(play())


def test_nothing_is_made_and_nothing_asked_once_nobody_looks_any_more() -> None:
    async def play() -> None:
        hall = Hall()
        async with aclosing(hall.watch()) as stream:
            await told(stream)
        left = asyncio.all_tasks() - {asyncio.current_task()}
        if left:
            await asyncio.wait(left, timeout=PATIENCE_S)
        assert all(task.done() for task in left)
        asked = len(hall.asked)
        async with aclosing(hall.watch()) as again:
            assert b"run-" in await told(again)
        assert len(hall.asked) >= asked

    asyncio.run(play())


def test_a_packed_stream_is_one_gzip_stream_whatever_piece_a_viewer_comes_in_at() -> None:
    async def play() -> None:
        hall = Hall()
        async with (
            aclosing(hall.audience.watch(0, "a", lambda _: True, packs=True)) as packs,
            aclosing(hall.watch("b")) as plain,
        ):
            read = zlib.decompressobj(zlib.MAX_WBITS | 16)
            assert read.decompress(await told(packs)) == b""
            assert read.decompress(await told(packs)) == await told(plain)
            hall.change("dust")
            said = b""
            while b"dust" not in said:
                said = read.decompress(await told(packs))
            assert said == await until(plain, b"dust")
            async with aclosing(hall.audience.watch(1, "a", lambda _: True, packs=True)) as late:
                assert await told(late) == HEAD
                assert zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(HEAD + await told(late)) == said
            hall.roles.clear()
            said = b""
            while b"anew" not in said:
                said = read.decompress(await told(packs))
            assert said == ANEW

    asyncio.run(play())


@pytest.mark.parametrize(
    ("accepted", "takes"),
    [
        ("gzip, deflate, br", True),
        ("br;q=1.0, GZIP;q=0.5", True),
        ("", False),
        ("identity", False),
        ("gzip;q=0", False),
        ("gzip; q=0.000, br", False),
        ("x-gzip", False),
    ],
)
def test_who_takes_packed_streams(accepted: str, takes: bool) -> None:
    assert wanted(accepted) is takes
