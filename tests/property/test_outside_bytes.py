"""Files and answers from outside may hold anything: they are read, or refused in words that name what is wrong.

One test for each reader that has none beside its own tests; the table in deploy/docs/threats.md names them all. The
oracle is always the same: the reader's own error, or something read; nothing else is raised, nothing hangs. Each is fed
damaged copies of a sound file (that is how readers are reached in depth), plain noise, and deep nesting.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from motewatch.journal.archives import FIRST, Manifest, folder_of, waiting
from motewatch.journal.errors import ArchiveError, NotAJournalError
from motewatch.journal.journal import Journal
from motewatch.limits.errors import StandardFileError
from motewatch.limits.standards.reading import standard_from_text
from motewatch.links.anchoring import AnchorFileError, collected
from motewatch.links.backup import MANIFEST, BackupError, restore_backup
from motewatch.links.channels import open_channel
from motewatch.links.clock import Clock
from motewatch.links.errors import ChannelAwayError, ChannelRefusedError
from motewatch.links.identity.fetching import json_object
from motewatch.links.report_shelf import ReportError, check, read_report
from motewatch.links.sample_csv import SampleFileError, decay_from_text, samples_from_text
from motewatch.links.site_file import load_site
from motewatch.site.people import EmailChannel, WebhookChannel
from motewatch.web.access.flows import FlowError, Flows
from motewatch.wire import examples
from motewatch.wire.topics import Topics
from motewatch_simulator.errors import ScenarioError, TruthError
from motewatch_simulator.scenario_file import parse_scenario
from motewatch_simulator.study.file import parse_study
from motewatch_simulator.truth import from_line
from support.calls import NOBODY, message
from support.links_fakes import FakeClock
from support.rude import Rude, in_turn

CONFIG = Path(__file__).parents[2] / "config"
NESTED = "[" * 3_000
PIECES = (
    *('"', "'", "=", "[", "]", "[[", "{", "}", ",", ";", "\n", "\r", "\t", "\x00", "\ufeff", "\u202e", "#", "0", "-1"),
    *("1e999", "nan", "null", "true", "9" * 400, "1979-05-27T07:32:00Z", "0.5", "25:00", "..", "é", "\U0001f4a5"),
)
some = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@st.composite
def damaged(draw: st.DrawFn, text: str) -> str:
    """That text with pieces cut out, doubled, moved or put in; sometimes only noise, or endless nesting."""
    how = draw(st.integers(0, 20))
    if how == 0:
        return draw(st.text(max_size=200))
    if how == 1:
        return draw(st.sampled_from([NESTED, '{"a":' * 3_000, "a = " + NESTED, "x." * 3_000]))
    for _ in range(draw(st.integers(1, 4))):
        begin = draw(st.integers(0, len(text)))
        end = min(len(text), begin + draw(st.integers(0, 30)))
        put = draw(st.sampled_from([*PIECES, text[begin:end] * 2, "", text[: draw(st.integers(0, 60))]]))
        text = text[:begin] + put + text[end:]
    return text


def refused_in_words(reader: Callable[[], object], *errors: type[Exception]) -> None:
    """Read, or refused by one of these errors, which says something."""
    said = "read"
    try:
        reader()
    except errors as error:
        said = str(error)
    assert said.strip()


@given(damaged((CONFIG / "examples" / "classification-samples.csv").read_text()))
@some
def test_a_sheet_of_samples(text: str) -> None:
    refused_in_words(lambda: samples_from_text(text, "samples.csv"), SampleFileError)


@given(damaged((CONFIG / "examples" / "recovery-decay.csv").read_text()))
@some
def test_a_sheet_of_a_decay(text: str) -> None:
    refused_in_words(lambda: decay_from_text(text, "decay.csv"), SampleFileError)


@given(damaged((CONFIG / "example-standard.toml").read_text()))
@some
def test_a_standard_of_the_sites_own(text: str) -> None:
    refused_in_words(lambda: standard_from_text(text, "standard.toml"), StandardFileError)


DEMO = load_site(CONFIG / "demo-site.toml")


@given(damaged((CONFIG / "demo-scenario.toml").read_text()))
@some
def test_a_scenario(text: str) -> None:
    refused_in_words(lambda: parse_scenario(text, "scenario.toml", DEMO), ScenarioError)


@given(damaged(sorted((CONFIG / "studies").glob("*.toml"))[0].read_text()))
@some
def test_a_room_to_study(text: str) -> None:
    refused_in_words(lambda: parse_study(text, "ROOM.toml"), ScenarioError)


TRUTH = (
    '{"v":1,"kind":"incident","what":"door","subject":{"room":"filling"},"start":"2026-03-02T06:00:00+00:00",'
    '"end":null,"detail":{}}'
)


@given(damaged(TRUTH))
@some
def test_a_line_of_truth(text: str) -> None:
    refused_in_words(lambda: from_line(text), TruthError)


@given(text=damaged("\n".join(map(json.dumps, examples.ANCHOR))))
@some
def test_a_file_of_anchors(tmp_path: Path, text: str) -> None:
    file = tmp_path / "anchors.jsonl"
    file.write_bytes(text.encode("utf-8", "surrogatepass"))
    refused_in_words(lambda: collected(file), AnchorFileError)


MANIFESTED = {
    "format": 1, "made_by": "0.1.0", "site": "demo", "at": "2026-03-02T06:00:00+00:00", "site_file": "site.toml",
    "journal_path": "journal.db", "inputs": 1, "outputs": 1, "last_input_at": None, "seals": 1,
    "files": {"journal.db": "00", "site.toml": "00"}, "missing": [],
}  # fmt: skip
plain = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)


@given(text=damaged(json.dumps(MANIFESTED)), key=st.sampled_from([None, *MANIFESTED]), value=plain)
@some
def test_the_manifest_of_a_backup(tmp_path: Path, text: str, key: str | None, value: object) -> None:
    (tmp_path / "backup").mkdir(exist_ok=True)
    changed = text if key is None else json.dumps(MANIFESTED | {key: value})
    (tmp_path / "backup" / MANIFEST).write_bytes(changed.encode("utf-8", "surrogatepass"))
    # Its files are not there, so that nothing is laid out however sound it is.
    refused_in_words(lambda: restore_backup(tmp_path / "backup", tmp_path / "target"), BackupError, NotAJournalError)
    assert not (tmp_path / "target").exists()


ARCHIVED = {
    "format": 2, "site": "demo", "number": 1, "kind": "seals", "name": "seals-2026-03-000001.parquet", "first_id": 1,
    "last_id": 9, "first_us": None, "last_us": None, "rows": 9, "size": 900, "sha256": "00", "seal_before": 0,
    "seal_before_hash": FIRST, "seal_after": 9, "seal_after_hash": "00", "made_us": 1, "previous": FIRST,
    "kept": {"input_id": 1, "output_id": 1, "dead_letter_id": 0, "inputs": "", "outputs": "", "dead_letters": "",
             "seals": {"9": "00"}},
    "public_key": None, "signature": None,
}  # fmt: skip
"""Of a file that is not there: a manifest that is sound is read, and nothing is registered."""


@given(text=damaged(json.dumps(ARCHIVED)), key=st.sampled_from([None, *ARCHIVED]), value=plain | st.just(10**30))
@some
def test_the_manifest_of_an_archive(tmp_path: Path, text: str, key: str | None, value: object) -> None:
    changed = text if key is None else json.dumps(ARCHIVED | {key: value})
    with Journal(tmp_path / "journal.db", site="demo") as journal:
        folder_of(journal.store.path).mkdir(exist_ok=True)
        file = folder_of(journal.store.path) / "seals-2026-03-000001.json"
        file.write_bytes(changed.encode("utf-8", "surrogatepass"))
        refused_in_words(lambda: waiting(journal.store), ArchiveError)

        def as_registered() -> None:
            made = Manifest.read(changed, "the register")
            assert Manifest.read(made.text(), "the register") == made
            assert made.hash

        refused_in_words(as_registered, ArchiveError)
        # Whoever put it there cannot keep the record from being checked: the file is named.
        assert all(file.name in finding for finding in journal.verify())


REPORT = {
    "format": 1, "kind": "day", "id": "x", "scope": {"kind": "day", "from": "2026-03-02T00:00:00Z"},
    "record": {"seal": 1, "hash": "00"}, "software": "0.1.0",
}  # fmt: skip


@given(text=damaged(json.dumps(REPORT)), key=st.sampled_from([None, *REPORT]), value=plain)
@some
def test_a_report_to_be_checked(tmp_path: Path, text: str, key: str | None, value: object) -> None:
    file = tmp_path / "report.json"
    changed = text if key is None else json.dumps(REPORT | {key: value})
    file.write_bytes(changed.encode("utf-8", "surrogatepass"))
    with Journal(tmp_path / "journal.db") as journal:
        refused_in_words(lambda: check(journal.store, read_report(file)), ReportError)


@given(text=damaged('{"issuer":"https://id.example","keys":[{"kty":"RSA","n":"AQAB","e":"AQAB"}],"expires_in":300}'))
@some
def test_an_answer_of_an_identity_provider(text: str) -> None:
    found = json_object(text.encode("utf-8", "surrogatepass"))
    assert found is None or isinstance(found, dict)


FLOWS = Flows(FakeClock())
UNDER_WAY = FLOWS.begin("/alarms")


@given(cookie=damaged(FLOWS.cookie(UNDER_WAY)), state=damaged(FLOWS.word(UNDER_WAY, "state")))
@some
def test_the_cookie_of_a_sign_in_on_its_way(cookie: str, state: str) -> None:
    with pytest.raises(FlowError):
        FLOWS.take(cookie, state + "x")


LINES = (
    *(b"220 hello\r\n", b"250 fine\r\n", b"250-SIZE 99999999999999999999\r\n", b"354 go on\r\n"),
    *(b"250-AUTH\r\n250 \r\n", b"\xff\xfe\x00\r\n", b"99999999999 x\r\n", b"-1\r\n", b"\r\n", b"2"),
    *(b"421 \x1b[2J\r\n", b"550 \xc3\x28\r\n", b"HTTP/1.1 200 OK\r\n\r\n"),
    b"HTTP/9.9 999 \r\nContent-Length: -5\r\n\r\n",
    b"HTTP/1.1 302 F\r\nLocation: \x00\r\n\r\n",
    b"HTTP/1.1 429 T\r\nRetry-After: 1e400\r\nContent-Length: 2\r\n\r\nxx",
    b"HTTP/1.1 500 E\r\nTransfer-Encoding: chunked\r\n\r\nffffffffffffffffff\r\n",
)
ANSWERS_S = 0.4
answers = st.lists(st.sampled_from(LINES) | st.binary(min_size=1, max_size=60), min_size=1, max_size=6)
few = settings(some, max_examples=12)


def sent(settings: EmailChannel | WebhookChannel, folder: Path) -> None:
    """A call over that channel: taken, or one of the two errors of channels."""
    (folder / "hook.secret").write_text("a key of the test, long enough for its use\n")
    (folder / "hook.secret").chmod(0o600)
    way = open_channel(settings, folder, NOBODY, Clock(), Topics("motewatch/v1", "hall-3"))
    refused_in_words(lambda: way.send(message(), ANSWERS_S), ChannelAwayError, ChannelRefusedError)


@given(said=answers)
@few
def test_an_answer_of_a_mail_server(tmp_path: Path, said: list[bytes]) -> None:
    with Rude(in_turn(*said)) as server:
        table = {
            "id": "m",
            "kind": "e-mail",
            "host": "127.0.0.1",
            "port": server.port,
            "tls": "none",
            "sender": "a@b.example",
        }
        sent(EmailChannel.model_validate(table), tmp_path)


@given(said=answers)
@few
def test_an_answer_of_a_webhook(tmp_path: Path, said: list[bytes]) -> None:
    with Rude(in_turn(b"", *said)) as server:
        table = {"id": "h", "kind": "webhook", "url": f"http://127.0.0.1:{server.port}/", "key_file": "hook.secret"}
        sent(WebhookChannel.model_validate(table), tmp_path)
