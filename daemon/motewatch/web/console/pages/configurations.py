"""`Configurations`: each that was in force, with when, and the differences between any two.

Must not know how they are kept or compared.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from motewatch.journal.configurations import Version, configuration, versions
from motewatch.journal.store import Store
from motewatch.site.differences import Difference, differences
from motewatch.web.access.desk import Visitor
from motewatch.web.access.roles import May
from motewatch.web.console.house import House, Rule
from motewatch.web.console.record_lines import stamp

SHOWN: Final = 200
"""The newest so many."""

ROUTES: Final = (
    Rule("/record/configurations", "configurations", ("GET",), May.LOOK),
    Rule("/record/configurations/{digest}", "configuration", ("GET",), May.LOOK),
)


@dataclass(frozen=True, slots=True)
class VersionLine:
    """One configuration as it is listed."""

    digest: str
    start: str
    end: str
    """Empty: it is in force."""
    by: str
    starts: int
    before: str
    """Digest of the one before; empty: it was the first."""


class ConfigurationPages:
    """See the module."""

    def __init__(self, house: House) -> None:
        self._house = house

    async def configurations(self, request: Request, visitor: Visitor) -> Response:
        """All of them, and what is different between two."""
        before, after = request.query_params.get("before", ""), request.query_params.get("after", "")
        return await run_in_threadpool(self._list, visitor, before[:64], after[:64])

    def _list(self, visitor: Visitor, before: str, after: str) -> Response:
        store = self._house.record.store
        found = versions(store)
        compared = None
        if before and after:
            compared = compare(store, before, after)
            if compared is None:
                raise HTTPException(404, "One of the two configurations is not on record.")
        lines = self._lines(found)[-SHOWN:][::-1]
        newest = lines[0] if lines else None
        chosen = (before or (newest.before if newest else ""), after or (newest.digest if newest else ""))
        return self._house.page(
            "configurations", visitor, versions=lines, compared=compared, chosen=chosen, more=len(found) - len(lines)
        )

    async def configuration(self, request: Request, visitor: Visitor) -> Response:
        """One of them."""
        return await run_in_threadpool(self._one, visitor, request.path_params["digest"][:64])

    def _one(self, visitor: Visitor, digest: str) -> Response:
        found = configuration(self._house.record.store, digest)
        if found is None:
            raise HTTPException(404, "There is no such configuration on record.")
        lines = [each for each in self._lines(versions(self._house.record.store)) if each.digest == digest]
        text = json.dumps(json.loads(found.text), indent=2, ensure_ascii=False)
        return self._house.page("configuration", visitor, digest=digest, versions=lines[::-1], text=text)

    def _lines(self, found: list[Version]) -> list[VersionLine]:
        zone = self._house.feed.zone
        return [
            VersionLine(
                digest=each.digest,
                start=stamp(each.from_us, zone),
                end="" if each.until_us is None else stamp(each.until_us, zone),
                by=each.by,
                starts=each.starts,
                before=found[number - 1].digest if number else "",
            )
            for number, each in enumerate(found)
        ]


def compare(store: Store, before: str, after: str) -> list[Difference] | None:
    """What is different between two configurations on record; None: one of them is not there."""
    ours, theirs = configuration(store, before), configuration(store, after)
    return None if ours is None or theirs is None else differences(ours.text, theirs.text)
