"""Certificates near their end are told days ahead; a new one is noticed when its file has changed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from motewatch.links.broker_tls import BrokerTls, tls_context
from motewatch.links.certificates import CertificateFile, CertificateWatch, Ending, Source
from motewatch.links.errors import LinkSettingsError
from motewatch.site.models import Broker
from support.authority import Authority, put
from support.links_fakes import FakeClock

DAY_S = 86_400


def test_an_end_is_told_once_when_it_comes_near_and_again_when_it_is_far(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO", "motewatch.links.certificates")
    clock, told = FakeClock(), []
    day_us = DAY_S * 1_000_000
    until = {"a": clock.now_us() + 15 * day_us, "b": clock.now_us() + 400 * day_us}

    def source(name: str) -> Source:
        return lambda: Ending(f"certificate {name}", until[name])

    sources = [source(name) for name in until]
    watch = CertificateWatch(sources, 14, lambda well, since, detail: told.append((well, since, detail)), clock)
    watch.look()
    clock.go(DAY_S)
    watch.look()  # 14 days to the second: not yet
    assert told == [(True, clock.now_us() - day_us, "")]
    clock.go(1)
    watch.look()
    watch.look()
    ends = "certificate a ends on 2026-06-12 20:27:00 UTC"
    assert told[1:] == [(False, clock.now_us(), ends)]
    clock.go(14 * DAY_S)
    watch.look()
    assert len(told) == 2
    assert "certificate a ended on 2026-06-12 20:27:00 UTC" in caplog.messages[-1]
    until["a"] = clock.now_us() + 90 * day_us
    watch.look()
    assert told[2:] == [(True, clock.now_us(), "")]


def test_the_first_in_time_is_named_first_and_what_was_never_seen_is_no_trouble() -> None:
    clock, told = FakeClock(), []
    watch = CertificateWatch([lambda: None], 14, lambda *what: told.append(what), clock)
    watch.look()
    assert not told
    late, early = Ending("late", clock.now_us() + 2_000_000), Ending("early", clock.now_us() + 1_000_000)
    watch = CertificateWatch([lambda: late, lambda: early], 14, lambda *what: told.append(what), clock)
    watch.look()
    assert told[0][2].index("early") < told[0][2].index("late")


def test_a_file_is_read_again_when_it_or_its_key_has_changed(tmp_path: Path) -> None:
    authority, path, key = Authority(), tmp_path / "page.crt", tmp_path / "page.key"
    end = authority.issue(path, key, until=timedelta(days=5))
    renewed: list[str] = []
    file = CertificateFile("console.cert_file", path, "chain", key, lambda: renewed.append("again"))
    assert file() == Ending("the certificate in 'page.crt' (console.cert_file)", _us(end))
    assert file() == file()
    assert not renewed
    end = authority.issue(path, key, until=timedelta(days=300))
    assert file().until_us == _us(end)
    assert renewed == ["again"]
    put(key, key.read_bytes())
    file()
    assert renewed == ["again", "again"]


def test_a_file_that_cannot_be_read_is_trouble_and_renews_nothing(tmp_path: Path) -> None:
    path, renewed = tmp_path / "ours.crt", []
    Authority().issue(path, tmp_path / "ours.key")
    file = CertificateFile("service.broker.cert_file", path, "chain", None, lambda: renewed.append("again"))
    file()
    path.write_text("no certificate")
    assert "holds no certificate" in file().trouble
    path.unlink()
    clock, told = FakeClock(), []
    CertificateWatch([file], 14, lambda *what: told.append(what), clock).look()
    name = "the certificate in 'ours.crt' (service.broker.cert_file)"
    assert told == [(False, clock.now_us(), f"{name} cannot be read: No such file or directory")]
    assert not renewed


def test_of_a_chain_the_first_end_counts_and_of_authorities_the_last(tmp_path: Path) -> None:
    ends, parts = [], []
    for days in (9, 3, 6):
        ends.append(Authority().issue(tmp_path / "one.crt", tmp_path / "one.key", until=timedelta(days=days)))
        parts.append((tmp_path / "one.crt").read_bytes())
    path = tmp_path / "all.crt"
    path.write_bytes(b"".join(parts))
    assert CertificateFile("k", path, "chain")().until_us == _us(min(ends))
    assert CertificateFile("k", path, "authorities")().until_us == _us(max(ends))


def test_a_context_is_made_anew_only_when_a_file_has_changed(tmp_path: Path) -> None:
    put(tmp_path / "ca.crt", Authority().certificate)
    tls = BrokerTls(Broker(tls=True, ca_file="ca.crt"), tmp_path)
    first = tls.context()
    assert tls.context() is first
    put(tmp_path / "ca.crt", b"no certificate")
    with pytest.raises(LinkSettingsError, match=r"service\.broker\.ca_file"):
        tls.context()
    put(tmp_path / "ca.crt", Authority().certificate)
    second = tls.context()
    assert second is not first
    assert tls.context() is second
    assert BrokerTls(Broker(), tmp_path).context() is None


def test_our_own_certificate_is_checked_with_its_key(tmp_path: Path) -> None:
    authority = Authority()
    put(tmp_path / "ca.crt", authority.certificate)
    authority.issue(tmp_path / "a.crt", tmp_path / "a.key")
    authority.issue(tmp_path / "b.crt", tmp_path / "b.key")
    sound = {"tls": True, "ca_file": "ca.crt", "cert_file": "a.crt"}
    assert tls_context(Broker.model_validate({**sound, "cert_key_file": "a.key"}), tmp_path) is not None
    for key in ("b.key", "absent.key"):
        with pytest.raises(LinkSettingsError, match=r"service\.broker\.cert_file: .*cert_key_file"):
            tls_context(Broker.model_validate({**sound, "cert_key_file": key}), tmp_path)
    with pytest.raises(LinkSettingsError, match=r"service\.broker\.cert_file: given, but tls is off"):
        tls_context(Broker(cert_file="a.crt", cert_key_file="a.key"), tmp_path)


def _us(moment: datetime) -> int:
    assert moment.tzinfo is UTC
    return round(moment.timestamp()) * 1_000_000
