"""Who was heard lately, by the record alone: for whoever asks from outside whether readings come in.

Rules: goes back from the newest row and no further than asked, so that a year's journal answers as soon as a day's.
Only readings that could be used count; what the engine makes of silence is its own business.
"""

from __future__ import annotations

from sqlalchemy import select

from motewatch.journal import tables
from motewatch.journal.store import Store

PAGE = 1_000
_inputs = tables.inputs.c


def heard_since(store: Store, since_us: int, sensors: frozenset[str]) -> dict[str, int]:
    """When the newest reading of each of these sensors was received; those not heard since then are left out."""
    found: dict[str, int] = {}
    query = select(_inputs.id, _inputs.received_us, _inputs.sensor, _inputs.seq).order_by(_inputs.id.desc())
    with store.reading() as connection:
        page = connection.execute(query.limit(PAGE)).all()
        while page:
            for _, received_us, sensor, seq in page:
                if received_us < since_us:
                    return found
                if seq is not None and sensor in sensors:
                    found.setdefault(sensor, received_us)
            if len(found) == len(sensors):
                return found
            page = connection.execute(query.where(_inputs.id < page[-1].id).limit(PAGE)).all()
    return found


def newest_reading_us(store: Store) -> int | None:
    """When the newest reading was received that is still in the journal; None where there is none."""
    query = select(_inputs.received_us).where(_inputs.seq.is_not(None)).order_by(_inputs.id.desc()).limit(1)
    with store.reading() as connection:
        received_us: int | None = connection.execute(query).scalar()
    return received_us
