"""The configurations on record."""

from __future__ import annotations

import json
from typing import Any, Final

from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.journal.configurations import Version, configuration, versions
from motewatch.links.publications import iso
from motewatch.site.differences import differences
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.console.house import House
from motewatch.web.console.listing import Listed, cursor_of, place_of
from motewatch.web.console.operation import BASE, Operation, Out, answer, query_of


class ConfigurationVersion(Out):
    """A configuration from when it took effect until another did."""

    digest: str = Field(description="SHA-256 of its canonical text.")
    start: str
    end: str | None = Field(description="null: it is in force.")
    by: str
    starts: int = Field(
        description="How often it was taken into effect in that time: starts, and readings of the file."
    )


class Configurations(Out):
    """Configurations, the newest first."""

    configurations: list[ConfigurationVersion]
    next: str | None


class Differing(Out):
    """Compare with this one."""

    against: str = Field(default="", max_length=64, description="Digest of another: what is different from it.")


class Changed(Out):
    """One difference. null: it is not there."""

    path: str
    before: str | None
    after: str | None


class Configuration(Out):
    """One configuration."""

    digest: str
    versions: list[ConfigurationVersion]
    configuration: dict[str, Any] = Field(description="The site, with every default; it holds no secrets.")
    differences: list[Changed] | None = Field(description="From `against` to this one; null: it was not asked for.")


OPERATIONS: Final = (
    Operation(
        f"{BASE}/configurations",
        "GET",
        "configurations",
        "Which configuration was in force when, the newest first",
        May.LOOK,
        Configurations,
        problems=(400, 401, 403, 422),
        asks=Listed,
    ),
    Operation(
        f"{BASE}/configurations/{{digest}}",
        "GET",
        "configuration",
        "One configuration, and what is different from another",
        May.LOOK,
        Configuration,
        problems=(401, 403, 404, 422),
        asks=Differing,
    ),
)


class ConfigurationOperations:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._store = house.record.store

    async def configurations(self, request: Request, visitor: Visitor) -> Response:
        """Which was in force when."""
        asked = query_of(request, Listed)
        place = place_of("configurations", asked.cursor, int)
        found = await run_in_threadpool(versions, self._store)
        # Counted from the first: what comes later does not move them.
        end = len(found) if place is None else min(int(place[0]), len(found))
        first = max(0, end - asked.limit)
        shown = found[first : max(0, end)]
        more = cursor_of("configurations", first) if first else None
        return answer(Configurations(configurations=[_version(each) for each in reversed(shown)], next=more))

    async def configuration(self, request: Request, visitor: Visitor) -> Response:
        """One of them."""
        asked = query_of(request, Differing)
        return answer(await run_in_threadpool(self._one, request.path_params["digest"], asked.against))

    def _one(self, digest: str, against: str) -> Configuration:
        found = configuration(self._store, digest)
        if found is None:
            raise HTTPException(404, "there is no configuration of this digest on record")
        other = configuration(self._store, against) if against else None
        if against and other is None:
            raise HTTPException(404, "against: there is no configuration of this digest on record")
        changed = None
        if other is not None:
            changed = [
                Changed(path=each.path, before=each.before, after=each.after)
                for each in differences(other.text, found.text)
            ]
        return Configuration(
            digest=digest,
            versions=[_version(each) for each in reversed(versions(self._store)) if each.digest == digest],
            configuration=json.loads(found.text),
            differences=changed,
        )


def _version(version: Version) -> ConfigurationVersion:
    return ConfigurationVersion(
        digest=version.digest,
        start=iso(version.from_us),
        end=None if version.until_us is None else iso(version.until_us),
        by=version.by,
        starts=version.starts,
    )
