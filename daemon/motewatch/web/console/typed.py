"""What somebody typed into a form that was refused: it stands there again, and beside the field what is wrong with it.

Rules: nothing typed is lost but secrets, which are never put into a page. Where no single field is to blame, the reason
stands above the form. Pure. Must not know HTML, nor what a form is for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

SEARCH: Final = "search"
"""The form of a search: it does nothing, so nothing is left undone."""

SECRET: Final = frozenset({"csrf", "password", "old", "new", "again"})
"""Fields whose text is never shown again."""


@dataclass(frozen=True, slots=True)
class Typed:
    """See the module. `form`: which form of the page; `where`: which of its fields is wrong, empty: none alone."""

    form: str = ""
    fields: Mapping[str, str] = field(default_factory=dict, repr=False)
    wrong: str = ""
    where: str = ""

    def value(self, form: str, name: str, before: str = "") -> str:
        """What to put into a field; `before`: what stands there where nothing was typed."""
        mine = form == self.form and name not in SECRET
        return self.fields.get(name, before) if mine else before

    def fault(self, form: str, name: str) -> str:
        """What is wrong with this field; empty: nothing."""
        return self.wrong if form == self.form and name == self.where else ""

    def within(self, form: str) -> bool:
        """Was it this form that was refused?"""
        return bool(self.wrong) and form == self.form

    @property
    def above(self) -> str:
        """What stands above all: the reason, or that one stands beside a field."""
        if not (self.wrong and self.where):
            return self.wrong
        look = "look at the field that is marked."
        return look.capitalize() if self.form == SEARCH else f"Nothing was done yet: {look}"


UNTOUCHED: Final = Typed()
"""A page whose forms nobody has sent."""


def too_long(text: str, most: int) -> str:
    """What is wrong with a text that is too long."""
    return f"{most} characters at most: these are {len(text)}."
