"""The configurations on record: which was in force when, and what each says.

Rules: a configuration is an input of the engine, and its digest is on the audit trail; both together tell when it took
effect. One that this version cannot read any more stays listed, and has no plan. From any thread; nothing here writes.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import Final

from pydantic import ValidationError
from sqlalchemy import ColumnElement, func, literal, select

from motewatch.engine.codec import decode_internal
from motewatch.engine.plan import Plan, compile_plan
from motewatch.engine.records import Configured
from motewatch.journal import tables
from motewatch.journal.store import Store
from motewatch.site.models import Site

CONFIGURED: Final = "configured"
PLANS_KEPT: Final = 8

_inputs, _outputs, _audit = (table.c for table in (tables.inputs, tables.outputs, tables.audit))


@dataclass(frozen=True, slots=True)
class Version:
    """One configuration from when it took effect until another did."""

    digest: str
    from_us: int
    by: str
    starts: int
    """How often it was taken into effect in that time: at the start of the service, and whenever the file was read."""
    until_us: int | None
    """None: it is in force."""


def is_configured() -> ColumnElement[bool]:
    """Inputs that are configurations; written out, because a partial index does not serve a bound value."""
    return _inputs.kind == literal(CONFIGURED, literal_execute=True)


def versions(store: Store) -> list[Version]:
    """All of them, oldest first; what was read again without a change is one."""
    query = select(_audit.at_us, _audit.who, _audit.detail).where(_audit.action == "configuration")
    with store.reading() as connection:
        rows = connection.execute(query.order_by(_audit.id)).all()
    found: list[Version] = []
    for at_us, who, digest in rows:
        if found and found[-1].digest == digest:
            last = found[-1]
            found[-1] = Version(digest, last.from_us, last.by, last.starts + 1, None)
            continue
        if found:
            last = found[-1]
            found[-1] = Version(last.digest, last.from_us, last.by, last.starts, at_us)
        found.append(Version(digest, at_us, who, 1, None))
    return found


def configuration(store: Store, digest: str) -> Configured | None:
    """The configuration of that digest as it was taken in; None where there is none on record."""
    query = (
        select(_inputs.payload)
        .join_from(tables.audit, tables.outputs, _audit.output_id == _outputs.id)
        .join(tables.inputs, _inputs.id == _outputs.input_id)
        .where(_audit.action == "configuration", _audit.detail == digest, _inputs.kind == CONFIGURED)
        .order_by(_audit.id)
        .limit(1)
    )
    with store.reading() as connection:
        payload = connection.execute(query).scalar()
    return None if payload is None else _configured(payload)


class PlansOnRecord:
    """The plan that was in force as of an input; remembers the last few."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._ids: list[int] = []
        self._seen = 0
        self._plans: dict[int, Plan | None] = {}

    def as_of(self, input_id: int) -> Plan | None:
        """The plan after that input; None where there was none, or none that can be read."""
        if input_id > self._seen:
            self._ids, self._seen = self._read()
        ids = self._ids
        place = bisect_left(ids, input_id + 1)
        if not place:
            return None
        configured = ids[place - 1]
        if configured not in self._plans:
            if len(self._plans) >= PLANS_KEPT:
                self._plans = {}
            self._plans[configured] = self._plan(configured)
        return self._plans[configured]

    def _read(self) -> tuple[list[int], int]:
        query = select(_inputs.id).where(is_configured()).order_by(_inputs.id)
        with self._store.reading() as connection:
            last = connection.execute(select(func.max(_inputs.id))).scalar() or 0
            return list(connection.execute(query).scalars()), last

    def _plan(self, input_id: int) -> Plan | None:
        with self._store.reading() as connection:
            payload = connection.execute(select(_inputs.payload).where(_inputs.id == input_id)).scalar_one()
        try:
            configured = _configured(payload)
            return compile_plan(Site.model_validate_json(configured.text), configured.digest)
        except (ValidationError, ValueError, KeyError):
            return None


def _configured(payload: bytes) -> Configured:
    found = decode_internal(CONFIGURED, payload)
    assert isinstance(found, Configured)
    return found
