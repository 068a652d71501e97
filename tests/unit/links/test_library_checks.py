"""What `check` says of libraries that a site file needs and the machine does not have."""

from __future__ import annotations

from pathlib import Path

import pytest

from motewatch.links.library_checks import check_libraries, installed
from motewatch.site.models import Site
from support.live import live_site

PATH = Path("site.toml")


def site(**retention: object) -> Site:
    made = live_site({"port": 1883})
    if retention:
        made["retention"] = retention
    return Site.model_validate(made)


def test_a_site_that_archives_needs_the_library_of_archive_files() -> None:
    found = check_libraries(site(samples_days=400), PATH, lambda library: library != "pyarrow")
    assert [problem.key for problem in found] == ["retention"]
    assert "pyarrow, which is not installed here" in str(found[0])
    assert "pip install 'motewatch[files]'" in str(found[0])
    assert found[0].severity.value == "warning"


@pytest.mark.parametrize("retention", [{}, {"at": "04:00"}])
def test_others_do_not(retention: dict[str, object]) -> None:
    assert check_libraries(site(**retention), PATH, lambda _: False) == []


def test_one_that_is_there_is_found() -> None:
    assert check_libraries(site(messages_days=90), PATH, lambda _: True) == []
    assert (installed("numpy"), installed("no_such_library")) == (True, False)
