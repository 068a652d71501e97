"""Anchors: heads of the record's hash chain, signed where the site has a key, kept here and told outside.

What for: a chain alone does not show that its end was cut off, or that all of it was made anew. Whoever keeps an anchor
elsewhere can later ask whether the journal still holds that seal with that hash.

Rules: the signed text is fixed for ever. The journal's own anchors and those that were collected elsewhere are checked
by the same rule. Reads no clock and no file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from sqlalchemy import Connection, func, insert, select

from motewatch.journal import signature, tables
from motewatch.journal.signature import SigningKey
from motewatch.journal.store import Store

FINDINGS: Final = 20
_c = tables.anchors.c
_COLUMNS: Final = (_c.id, _c.at_us, _c.seal_id, _c.input_id, _c.output_id, _c.hash, _c.public_key, _c.signature)


@dataclass(frozen=True, slots=True)
class Anchor:
    """At that instant the chain's head was that seal, with that hash, and reached to that input and output."""

    site: str
    id: int
    at_us: int
    seal_id: int
    input_id: int
    output_id: int
    hash: str
    public_key: str | None = None
    signature: str | None = None

    def text(self) -> bytes:
        """What is signed."""
        return (
            f"motewatch anchor 1\n{self.site}\n{self.id}\n{self.at_us}\n{self.seal_id}\n{self.input_id}\n"
            f"{self.output_id}\n{self.hash}\n"
        ).encode()


@dataclass(frozen=True, slots=True)
class Told:
    """An anchor as it was collected elsewhere, and where: for the sentence about it."""

    where: str
    anchor: Anchor


def last_anchor_us(store: Store) -> int | None:
    """When the newest anchor was made."""
    with store.reading() as connection:
        at_us: int | None = connection.execute(select(_c.at_us).order_by(_c.id.desc()).limit(1)).scalar()
    return at_us


def make(connection: Connection, site: str, at_us: int, key: SigningKey | None) -> Anchor | None:
    """Put the present head on record as an anchor. None where the chain has not grown since the last one."""
    seals = tables.seals.c
    head = connection.execute(
        select(seals.id, seals.input_id, seals.output_id, seals.hash).order_by(seals.id.desc()).limit(1)
    ).first()
    last_id, last_seal = connection.execute(select(func.max(_c.id), func.max(_c.seal_id))).one()
    if head is None or head.id == last_seal:
        return None
    anchor = Anchor(site, (last_id or 0) + 1, at_us, head.id, head.input_id, head.output_id, head.hash.hex())
    if key is not None:
        anchor = replace(anchor, public_key=key.public, signature=key.sign(anchor.text()))
    row = {column.name: getattr(anchor, column.name) for column in _COLUMNS}
    connection.execute(insert(tables.anchors), row)
    return anchor


def own_anchors(store: Store) -> list[Anchor]:
    """All on record, oldest first."""
    with store.reading() as connection:
        site = connection.execute(select(tables.meta.c.site)).scalar() or ""
        rows = connection.execute(select(*_COLUMNS).order_by(_c.id)).all()
    return [Anchor(site, *row) for row in rows]


def broken_anchors(store: Store, public_key: str | None = None) -> list[str]:
    """What is wrong with the journal's own anchors, in sentences."""
    own = own_anchors(store)
    found = [
        f"anchors: anchor {expected} is missing, anchor {anchor.id} stands in its place"
        for expected, anchor in enumerate(own, start=1)
        if anchor.id != expected
    ][:1]
    found += _against(
        store, [Told(f"anchors: anchor {anchor.id}", anchor) for anchor in own], public_key, unsigned=True
    )
    return found[:FINDINGS]


def broken_told(store: Store, told: Sequence[Told], public_key: str | None = None) -> list[str]:
    """What does not fit of anchors collected elsewhere, in sentences. With a key each must be signed by it."""
    return _against(store, told, public_key, unsigned=public_key is None)[:FINDINGS]


def _against(store: Store, told: Iterable[Told], public_key: str | None, *, unsigned: bool) -> list[str]:
    seals = tables.seals.c
    query = select(seals.id, seals.input_id, seals.output_id, seals.hash)
    found = []
    with store.reading() as connection:
        site = connection.execute(select(tables.meta.c.site)).scalar() or ""
        for one in told:
            row = connection.execute(query.where(seals.id == one.anchor.seal_id)).first()
            seal = None if row is None else (row.input_id, row.output_id, row.hash.hex())
            found += [f"{one.where} {trouble}" for trouble in _troubles(one.anchor, site, seal, public_key, unsigned)]
            if len(found) >= FINDINGS:
                break
    return found


def _troubles(
    anchor: Anchor, site: str, seal: tuple[int, int, str] | None, public_key: str | None, unsigned: bool
) -> Iterator[str]:
    if anchor.site != site:
        yield f"is of site '{anchor.site}', and this is the journal of '{site}'"
        return
    if anchor.signature is None or anchor.public_key is None:
        if not unsigned:
            yield "is not signed"
    elif public_key is not None and anchor.public_key != public_key:
        yield "is signed with another key than the one given"
    elif not signature.is_signed(anchor.text(), anchor.signature, anchor.public_key):
        yield "does not bear the signature of its key: it was changed"
    if seal is None:
        yield (
            f"names seal {anchor.seal_id} (up to input {anchor.input_id} and output {anchor.output_id}), which is not "
            "there: the end of the record was removed"
        )
    elif seal != (anchor.input_id, anchor.output_id, anchor.hash):
        yield (
            f"names seal {anchor.seal_id} (up to input {anchor.input_id} and output {anchor.output_id}) with another "
            "hash: the record up to there is not the one that was anchored"
        )
