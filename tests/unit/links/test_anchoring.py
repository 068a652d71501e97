"""Anchors on their way out and back: when they are made, what travels, how a file of them is read, and keys."""

from __future__ import annotations

import json
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from motewatch.journal.journal import Journal
from motewatch.journal.rows import BY_TIME, Batch, OutboxRow
from motewatch.journal.signature import SigningKey, is_signed
from motewatch.links.anchoring import (
    AnchorFileError,
    Anchoring,
    collected,
    make_key,
    payload_of,
    read_public_key,
    signing_key,
)
from motewatch.links.errors import LinkSettingsError
from motewatch.site.record import Record
from motewatch.wire.messages import AnchorMessage
from motewatch.wire.topics import Topics
from support.command_line import run, write_site
from support.facility import site_dict
from support.journal_records import fact
from support.links_fakes import FakeClock

TOPICS = Topics("motewatch/v1", "north")


@dataclass
class Bench:
    folder: Path
    journal: Journal
    clock: FakeClock

    def anchoring(self, **settings: object) -> Anchoring:
        return Anchoring(self.journal, Record.model_validate(settings), self.folder, TOPICS, self.clock)

    def grow(self) -> None:
        self.journal.commit(Batch(outputs=[(BY_TIME, fact())], engine_us=1))

    def published(self) -> list[OutboxRow]:
        return self.journal.due("mqtt", self.clock.now_us(), 100)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Journal(tmp_path / "journal.db", site="north") as journal:
        yield Bench(tmp_path, journal, FakeClock())


def test_an_anchor_is_made_when_one_is_due_and_the_record_has_grown(bench: Bench) -> None:
    anchoring = bench.anchoring(anchor_every_min=60)
    assert anchoring.look() is None
    bench.grow()
    assert anchoring.look() is not None
    bench.grow()
    bench.clock.go(3599)
    assert anchoring.look() is None
    bench.clock.go(1)
    # Also in the next life of the service.
    again = bench.anchoring(anchor_every_min=60)
    assert again.look() is not None
    bench.clock.go(3600)
    assert again.look() is None
    assert [row.key for row in bench.published()] == ["anchor/1", "anchor/2"]


def test_a_clock_that_was_set_back_does_not_keep_anchors_away(bench: Bench) -> None:
    anchoring = bench.anchoring()
    bench.grow()
    anchoring.look()
    bench.grow()
    bench.clock.wall_us -= 10 * 86_400_000_000
    assert anchoring.look() is not None


def test_what_travels_is_not_retained_and_is_signed_by_the_site_s_key(bench: Bench) -> None:
    public = make_key(bench.folder / "record.key")
    bench.grow()
    anchor = bench.anchoring(signing_key_file="record.key").look()
    assert anchor is not None
    (row,) = bench.published()
    assert (row.topic, row.retain, row.payload) == ("motewatch/v1/north/anchor", False, payload_of(anchor))
    assert anchor.public_key == public
    assert anchor.signature is not None
    assert is_signed(anchor.text(), anchor.signature, public)
    assert not is_signed(anchor.text() + b" ", anchor.signature, public)
    assert anchor.text().decode().splitlines() == [
        "motewatch anchor 1", "north", "1", str(anchor.at_us), "1", "0", "1", anchor.hash,
    ]  # fmt: skip


def test_without_a_key_the_message_says_so_by_having_no_signature(bench: Bench) -> None:
    bench.grow()
    bench.anchoring().look()
    (row,) = bench.published()
    assert set(json.loads(row.payload)) == {"v", "site", "anchor", "at", "seal", "input", "output", "hash"}


def test_a_file_of_kept_messages_is_read_back_to_the_same_anchors(bench: Bench) -> None:
    make_key(bench.folder / "record.key")
    anchoring = bench.anchoring(signing_key_file="record.key", anchor_every_min=1)
    made = []
    for _ in range(3):
        bench.grow()
        made.append(anchoring.look())
        bench.clock.go(60.000001)
    kept = bench.folder / "kept.jsonl"
    kept.write_bytes(b"\n\n".join(row.payload for row in bench.published()) + b"\n")
    told = collected(kept)
    assert [one.anchor for one in told] == made
    assert told[2].where == "kept.jsonl, line 5: anchor 3"
    assert bench.journal.verify(told, read_public_key(bench.folder / "record.key.public")) == []


def test_a_line_that_is_no_anchor_is_named(tmp_path: Path) -> None:
    kept = tmp_path / "kept.jsonl"
    kept.write_text('{"v": 1, "site": "north"}\n')
    with pytest.raises(AnchorFileError, match=r"kept\.jsonl, line 1: this is no anchor \(anchor: "):
        collected(kept)


def test_the_example_of_the_wire_bears_a_true_signature() -> None:
    from motewatch.wire.examples import ANCHOR

    message = AnchorMessage.model_validate_json(json.dumps(ANCHOR[0]))
    assert message.public_key == SigningKey.parse("07" * 32).public
    lines = ["motewatch anchor 1", "demo", "17", "1772442000000000", "48211", "1730512", "60233", message.hash]
    assert message.signature is not None
    assert is_signed(("\n".join(lines) + "\n").encode(), message.signature, message.public_key)


def test_a_key_is_for_its_owner_only_and_never_replaced(tmp_path: Path) -> None:
    file = tmp_path / "record.key"
    public = make_key(file)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    key = signing_key("record.key", tmp_path)
    assert key.public == public == read_public_key(tmp_path / "record.key.public")
    assert key.text not in repr(key)
    for each in ("record.key", "record.key.public"):
        with pytest.raises(AnchorFileError, match="there already"):
            make_key(file)
        (tmp_path / each).unlink()


def test_a_key_that_others_may_use_or_that_is_none_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "record.key"
    make_key(file)
    file.chmod(0o640)
    with pytest.raises(LinkSettingsError, match=r"others than its owner.*chmod 600"):
        signing_key("record.key", tmp_path)
    file.chmod(0o600)
    file.write_text("secret\n")
    with pytest.raises(LinkSettingsError, match="64 hexadecimal digits") as caught:
        signing_key("record.key", tmp_path)
    assert "secret" not in str(caught.value)
    with pytest.raises(AnchorFileError, match="no public key"):
        read_public_key(file)


def test_the_commands(tmp_path: Path) -> None:
    site = write_site(tmp_path, site_dict())
    key = tmp_path / "record.key"
    made = run("make-key", key)
    assert made.exit_code == 0
    assert read_public_key(tmp_path / "record.key.public") in made.output
    again = run("make-key", key)
    assert (again.exit_code, "there already" in again.output) == (1, True)
    kept = tmp_path / "kept.jsonl"
    clock = FakeClock()
    name = site_dict()["site"]["id"]
    with Journal(tmp_path / "motewatch.db", site=name) as journal:
        settings = Record(signing_key_file="record.key")
        anchoring = Anchoring(journal, settings, tmp_path, Topics("motewatch/v1", name), clock)
        journal.commit(Batch(outputs=[(BY_TIME, fact())], engine_us=1))
        anchoring.look()
        kept.write_bytes(journal.due("mqtt", clock.now_us(), 1)[0].payload)
    public = tmp_path / "record.key.public"
    sound = run("verify", site, "--anchors", kept, "--public-key", public)
    assert sound.exit_code == 0, sound.output
    assert "The chain of 1 seals covers all of it.\n1 anchors kept elsewhere fit it." in sound.output
    assert "Not compared with anchors" in run("verify", site).output
    kept.write_text(kept.read_text().replace('"seal":1', '"seal":7'))
    broken = run("verify", site, "--anchors", kept, "--public-key", public)
    assert broken.exit_code == 1
    assert "kept.jsonl, line 1: anchor 1 does not bear the signature of its key" in broken.output
    assert "names seal 7 (up to input 0 and output 1), which is not there" in broken.output
