"""What the answer page says, as plain values for its template: one builder for each thing that can be on it.

Rules: what is offered follows from where the alarm stands and from what the person may do by the site file; whether it
is done is decided by the engine alone. Pure. Must not know HTTP, tokens or HTML.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final
from zoneinfo import ZoneInfo

from motewatch.callout.answers import Answer
from motewatch.callout.records import Fact, Told
from motewatch.engine.records import AlarmChanged
from motewatch.site.models import Site
from motewatch.web import words
from motewatch.web.bar import Bar, bar

COMMENT_MAX: Final = 300
COMMENT_MIN: Final = 3


@dataclass(frozen=True, slots=True)
class ShownFact:
    """One alarm of the call."""

    what: str
    where: str
    since: str
    bar: Bar | None
    bar_title: str
    action: str


@dataclass(frozen=True, slots=True)
class Choice:
    """A length of shelving."""

    minutes: int
    words: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything on the page."""

    title: str
    kicker: str
    head: str
    detail: str = ""
    alarming: bool = False
    wrong: str = ""
    facts: tuple[ShownFact, ...] = ()
    note: str = ""
    lines: tuple[str, ...] = ()
    button: str = ""
    button_act: str = "acknowledge"
    shelve: tuple[Choice, ...] = ()
    shelve_open: bool = False
    comment: str = ""
    comment_max: int = COMMENT_MAX
    foot: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """What the page must know of the site."""

    name: str
    zone: ZoneInfo
    names: Mapping[str, str] = field(default_factory=dict)
    may: Mapping[str, Sequence[str]] = field(default_factory=dict)
    shelve_min: tuple[int, ...] = ()

    @classmethod
    def of(cls, site: Site) -> Place:
        """From the site file."""
        page = site.callout.answer_page
        return cls(
            name=site.site.name,
            zone=ZoneInfo(site.site.time_zone),
            names={person.id: person.name for person in site.persons},
            may={person.id: person.may for person in site.persons},
            shelve_min=() if page is None else page.shelve_min,
        )


def alarm_sheet(
    told: Told, answer: Answer, steps: Sequence[AlarmChanged], place: Place, now_us: int, others: int = 0
) -> Sheet:
    """An alarm: what, where, since when, how it stands, and what may be done.

    `others`: how many further alarms of the call stand so that somebody may take them.
    """
    stands = words.standing(steps, place.names, place.zone, now_us, answer.person)
    may = place.may.get(answer.person, ())
    facts = sorted(told.facts, key=lambda fact: fact.alarm != answer.subject)
    shown = tuple(_fact(fact, place.zone, now_us) for fact in facts)
    priority = facts[0].priority if facts else ""
    where = facts[0].where if facts else answer.subject
    return Sheet(
        title=f"{stands.head}: {where}",
        kicker=f"{priority} priority".upper() if priority else "ALARM",
        head=stands.head,
        detail=stands.detail,
        alarming=stands.open,
        facts=shown,
        note=told.note,
        lines=() if shown else (f"Alarm {answer.subject}",),
        button=_take(stands.acknowledge + others) if "acknowledge" in may else "",
        shelve=tuple(Choice(minutes, words.length(minutes)) for minutes in place.shelve_min)
        if stands.shelve and "shelve" in may
        else (),
        foot=_foot(answer, place, now_us),
    )


def _take(alarms: int) -> str:
    return f"I take all {alarms}" if alarms > 1 else "I take it" if alarms else ""


def trial_sheet(answer: Answer, place: Place, now_us: int) -> Sheet:
    """A test call, to be confirmed."""
    return Sheet(
        title="Test call",
        kicker="TEST CALL",
        head="Did this call reach you?",
        detail="This is a test of the way it came. Nothing is wrong.",
        lines=("Press the button, so that we know that you can be reached.",),
        button="Yes, it reached me",
        button_act="confirm",
        foot=_foot(answer, place, now_us),
    )


def done_sheet(before: Sheet, act: str, text: str, minutes: int) -> Sheet:
    """The answer was accepted: what was done, above the same facts."""
    head, detail = {
        "acknowledge": ("You have it", "Those who were called as well are told that you have taken it."),
        "shelve": (f"Shelved for {words.length(minutes)}", "It comes back by itself."),
        "confirm": ("Thank you", "This way to you works."),
    }[act]
    lines = () if act == "confirm" else (f"On record: {text}.",)
    return replace(
        before,
        title=head,
        kicker="DONE",
        head=head,
        detail=detail,
        alarming=False,
        lines=lines,
        button="",
        shelve=(),
    )


def used_sheet(before: Sheet, text: str) -> Sheet:
    """The link has done its work before: where things stand, and nothing to press."""
    return replace(
        before,
        lines=(f"{text[:1].upper()}{text[1:]}. A link works once; nothing was changed now.",),
        button="",
        shelve=(),
    )


def refused_sheet(before: Sheet, text: str, comment: str = "", *, shelving: bool = False) -> Sheet:
    """Nothing was done, and why; what was written is kept."""
    return replace(before, wrong=f"Not done: {text}.", comment=comment, shelve_open=shelving and bool(before.shelve))


def waiting_sheet(before: Sheet) -> Sheet:
    """Handed over, but no answer within the time we wait."""
    return replace(
        before,
        kicker="NOT CERTAIN YET",
        head="Sent, but not yet confirmed",
        detail="The service is busy. Load this page again in a moment: it shows how things stand.",
        alarming=True,
        button="",
        shelve=(),
    )


_ELSEWHERE: Final = "An alarm can also be acknowledged at the monitoring station, or by the link of a newer call."
_PROBLEMS: Final = {
    400: ("This could not be read", "Go back and try once more."),
    404: (
        "This link does not work",
        "Open it as it stands in the message, to its very last character.",
    ),
    405: ("This cannot be done here", "Open the link of the call again."),
    410: ("This link has expired", "Use the link of a newer call, if there is one."),
    413: ("That was too long", "Go back and write less."),
    429: ("Too many tries", "Wait a little, then open the link as it stands in the message."),
    503: ("Not available just now", "Try again in a minute."),
}


def problem_sheet(status: int) -> Sheet:
    """A page without any fact: for whoever has no genuine link, and for our own mishaps."""
    head, detail = _PROBLEMS.get(status, ("Something went wrong here", "Nothing is known to have been changed."))
    return Sheet(title=head, kicker="ALARM CALLS", head=head, detail=detail, lines=(_ELSEWHERE,))


def _fact(fact: Fact, zone: ZoneInfo, now_us: int) -> ShownFact:
    since = f"Since {words.at(fact.since_us, zone, now_us)}, {words.ago(fact.since_us, now_us)}"
    return ShownFact(
        what=fact.what,
        where=fact.where,
        since=since,
        bar=bar(fact.value, fact.limit, fact.unit),
        bar_title="When you were called",
        action=fact.action,
    )


def _foot(answer: Answer, place: Place, now_us: int) -> tuple[str, ...]:
    name = place.names.get(answer.person, answer.person)
    until = words.at(answer.expires_us, place.zone, now_us)
    here = f"{words.local(now_us, place.zone):%H:%M %Z}"
    return (
        f"For {name}. This link works once, until {until}; do not pass it on.",
        f"{place.name}, {here} when this page was made.",
    )
