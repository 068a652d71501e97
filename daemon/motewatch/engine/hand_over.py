"""Whoever comes on call hears once what is open."""

from __future__ import annotations

from motewatch.callout.escalation import Contact, open_cases
from motewatch.callout.gathering import News
from motewatch.callout.ladders import Ladder
from motewatch.callout.records import Cause
from motewatch.engine.call_book import CallBook
from motewatch.engine.call_teller import CallTeller


class HandOver:
    """Tells of what is open, with the sentence that goes with it."""

    def __init__(self, book: CallBook, teller: CallTeller) -> None:
        self._book = book
        self._teller = teller

    def tell(self, rota: str, person: str, at_us: int) -> None:
        """The person comes on in the rota."""
        plan = self._book.plan
        note = plan.texts.hand_over(rota)
        for case in open_cases(self._book.cases):
            ladder = plan.ladders.by_id.get(case.ladder)
            if ladder is None or rota not in ladder.rotas or case.contacts.get(person) is Contact.CALLED:
                continue
            for told, cause in plan.climber.tell(case, [person], Cause.HANDED_OVER, at_us):
                self._teller.gather(told, 0, News.HAND_OVER, note, case.alarm, cause, at_us)
            self._book.enter(case, ladder)

    def sentence(self, ladder: Ladder, person: str, at_us: int) -> str:
        """Of a hand-over that had to wait for quiet hours; empty: the person is not on call any more."""
        plan = self._book.plan
        rotas = (rota for rota in sorted(ladder.rotas) if person in plan.roster.on_call(rota, at_us))
        return next((plan.texts.hand_over(rota) for rota in rotas), "")
