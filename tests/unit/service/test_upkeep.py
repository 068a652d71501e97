"""Backups and archives that fail are told to people: once, until the next one is made."""

from __future__ import annotations

import pytest

from motewatch.engine.records import Link, LinkChanged
from motewatch.service.upkeep import LONGEST, Upkeep, in_short, no_longer
from motewatch.site.models import Site
from support.facility import T0, site_dict
from support.links_fakes import FakeClock


def test_the_first_failure_is_told_and_the_next_success() -> None:
    clock, told = FakeClock(T0), list[LinkChanged]()
    upkeep = Upkeep(Link.BACKUP, told.append, clock)
    upkeep.went(True)
    for why in ("the disk\n is full", "the disk is full", "no folder"):
        upkeep.went(False, why)
    upkeep.went(True, "made")
    upkeep.went(True, "made")
    assert told == [
        LinkChanged(Link.BACKUP, True, T0),
        LinkChanged(Link.BACKUP, False, T0, "the disk is full"),
        LinkChanged(Link.BACKUP, True, T0),
    ]


@pytest.mark.parametrize(
    ("said", "short"),
    [
        (
            "/mnt/nas/b: the folder /mnt/nas does not exist. Make it first.",
            "b: the folder nas does not exist. Make it first.",
        ),
        ("see https://host/a/b and a/b/c and 3/4", "see https://host/a/b and a/b/c and 3/4"),
        ("'/srv/x/y.parquet'", "'y.parquet'"),
        ("", ""),
    ],
)
def test_where_things_lie_stays_in_the_house(said: str, short: str) -> None:
    assert in_short(said) == short


def test_of_a_long_story_the_end_is_told() -> None:
    short = in_short("x" * 500 + " the disk is full")
    assert short.startswith("... x")
    assert short.endswith("x the disk is full")
    assert len(short) == LONGEST + 4


def test_what_the_site_file_has_no_more_ends_its_alarms() -> None:
    holding = {"service/backup", "service/backup-old", "service/archives", "service/broker"}
    gone = no_longer(Site.model_validate(site_dict()), holding, T0)
    assert [(each.link, each.up, each.detail) for each in gone] == [
        (Link.BACKUP, True, "no backups are set up any more"),
        (Link.BACKUP_AGE, True, "no backups are set up any more"),
        (Link.ARCHIVES, True, "no archives are set up any more"),
    ]
    has = site_dict(backup={"folder": "backups"}, retention={"messages_days": 90})
    assert no_longer(Site.model_validate(has), holding, T0) == []
    assert no_longer(Site.model_validate(site_dict()), {"service/archives"}, T0) == [gone[2]]
    assert no_longer(Site.model_validate(site_dict()), set(), T0) == []
