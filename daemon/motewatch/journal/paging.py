"""Reading a whole table beside a writer: by ascending id, page by page, each page a short transaction of its own."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from sqlalchemy import Select, and_, func, select

from motewatch.journal.store import Store

PAGE: Final = 2000


def pages(store: Store, query: Select[Any], key: Any, last: int | None = None, after: int = 0) -> Iterator[list[Any]]:
    """The rows of `query` by ascending `key` after `after` up to `last` (absent: the last there is now).

    No id below 1 is seen.
    """
    if last is None:
        with store.reading() as connection:
            last = connection.execute(select(func.max(key))).scalar() or 0
    at = after
    while at < last:
        with store.reading() as connection:
            page = list(connection.execute(query.where(and_(key > at, key <= last)).order_by(key).limit(PAGE)).all())
        if not page:
            return
        yield page
        at = page[-1][0]


class RowsInOrder:
    """Rows that come page by page, taken up to one id after the other. The first column must be the id."""

    def __init__(self, pages_in_order: Iterator[list[Any]]) -> None:
        self._pages = pages_in_order
        self._page: list[Any] = []
        self._at = 0

    def take(self, last_id: int) -> list[tuple[Any, ...]]:
        """The rows not yet taken whose id is not above `last_id`."""
        taken: list[tuple[Any, ...]] = []
        while True:
            while self._at < len(self._page) and self._page[self._at][0] <= last_id:
                taken.append(tuple(self._page[self._at]))
                self._at += 1
            if self._at < len(self._page):
                return taken
            page = next(self._pages, None)
            if page is None:
                return taken
            self._page, self._at = page, 0
