"""What a call says: subject, text, mail and short form, from what the engine told.

Rules: pure; the link, the zone and whether it may be a repeat are handed in, because they are known at delivery only.
Sentences that are understood at 3 a.m.: what, where, how bad, since when, how it stands, what to do, how to answer
with the link and without it. Times are the site's, with the zone's name, since the person may be elsewhere. Whatever
people wrote (names, comments) is put on one line first and cannot end up as a line, header or tag of ours. All alarms
of a call are in it, also of a flood. Must not know channels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined

from motewatch.alarms.lifecycle import State
from motewatch.callout.answers import TEST
from motewatch.callout.records import Cause, Fact, Told
from motewatch.callout.words import against, figure, with_unit
from motewatch.links.call_message import CallMessage, Names, one_line
from motewatch.links.call_phrases import brief, readable, without_place
from motewatch.links.call_short import short_form
from motewatch.site.instants import instant

LONGEST_NOTE: Final = 2_000
LONGEST_SUBJECT: Final = 110

_KICKERS: Final = {
    Cause.RAISED: "",
    Cause.CLIMBED: "Nobody has taken this alarm yet",
    Cause.REPEATED: "Still nobody has taken this alarm",
    Cause.OTHER_WAY: "",
    Cause.RETURNED: "It has returned to normal",
    Cause.TAKEN: "Somebody has taken it",
    Cause.HANDED_OVER: "Your shift begins, and this is open",
    Cause.MANY: "Many alarms at once",
    Cause.NOBODY_REACHED: "Nobody could be reached",
    Cause.TEST: "Test call",
    Cause.UNRECORDED: "The record cannot be written",
}
_SUBJECTS: Final = {
    Cause.RAISED: "",
    Cause.CLIMBED: "Not taken yet: ",
    Cause.REPEATED: "Still not taken: ",
    Cause.OTHER_WAY: "",
    Cause.RETURNED: "Returned to normal: ",
    Cause.TAKEN: "Taken: ",
    Cause.HANDED_OVER: "Your shift: ",
    Cause.MANY: "",
    Cause.NOBODY_REACHED: "Nobody reached: ",
    Cause.TEST: "",
    Cause.UNRECORDED: "Not on record: ",
}
_STATES: Final = {
    State.NORMAL: "It has returned to normal.",
    State.UNACKNOWLEDGED: "Nobody has taken it yet.",
    State.ACKNOWLEDGED: "It is taken, and the condition still holds.",
    State.RETURNED_UNACKNOWLEDGED: "It has returned to normal, and is not acknowledged.",
    State.LATCHED_UNACKNOWLEDGED: "It has returned to normal, and is not acknowledged. It stays until it is reset.",
    State.LATCHED_ACKNOWLEDGED: "It is taken and has returned to normal. It stays until it is reset.",
    State.SHELVED: "It is shelved, and comes back by itself.",
    State.SUPPRESSED_BY_DESIGN: "It is suppressed by design.",
    State.OUT_OF_SERVICE: "It is out of service.",
}
_NEWS: Final = frozenset({Cause.RETURNED, Cause.TAKEN})
"""Told for information: nothing is asked of the person."""
NOTHING_TO_DO: Final = "You need not do anything."
_STILL_THERE: Final = {
    State.RETURNED_UNACKNOWLEDGED: "acknowledges it",
    State.LATCHED_UNACKNOWLEDGED: "acknowledges and resets it",
    State.LATCHED_ACKNOWLEDGED: "resets it",
}
BROKER: Final = "service/broker"
"""Without the broker, what needs it cannot be the way to answer."""
MAYBE_REPEAT: Final = "You may have had this call before: it is not certain that it arrived."


@dataclass(frozen=True, slots=True)
class Shown:
    """One alarm in words."""

    alarm: str
    what: str
    where: str
    value: str
    """The value against its limit; empty where there is none."""
    since: str
    stands: str
    action: str


@dataclass(frozen=True, slots=True)
class Words:
    """Everything a call says, in the order in which it is said: for the text and for the mail."""

    kicker: str
    urgent: bool
    facts: tuple[Shown, ...]
    note: str
    repeat: str
    answer_title: str
    link: str | None
    link_for: str
    otherwise: tuple[str, ...]
    """How to answer without the link."""
    nothing_to_do: str
    foot: str


def render(told: Told, names: Names, link: str | None, zone: ZoneInfo, maybe_repeat: bool = False) -> CallMessage:
    """The call in words. `link` is the signed link where there is an answer page."""
    name = one_line(names.persons.get(told.person, told.person))
    facts = tuple(_shown(fact, told, zone) for fact in told.facts)
    note = one_line(told.note, LONGEST_NOTE)
    title, otherwise = _answering(told, names, link)
    words = Words(
        kicker=_kicker(told),
        urgent=told.urgent,
        facts=facts,
        note=note,
        repeat=MAYBE_REPEAT if maybe_repeat else "",
        answer_title=title,
        link=link if title else None,
        link_for=f"This link is for {name} alone and works once.",
        otherwise=otherwise,
        nothing_to_do=_nothing_to_do(told),
        foot=f"{one_line(names.name)}, called at {moment(told.at_us, told.at_us, zone, full=True)}, call {told.id}",
    )
    return CallMessage(
        id=told.id,
        person=told.person,
        name=name,
        address=told.address,
        subject=_subject(told, facts, note, one_line(names.name)),
        text=_text(words),
        html=_PAGE.render(words=words),
        short=short_form(_short(told, facts, note, zone, one_line(names.name)), words.link),
        urgent=told.urgent,
        maybe_repeat=maybe_repeat,
        link=words.link,
        at_us=told.at_us,
        site=names.site,
        site_name=one_line(names.name),
        cause=told.cause.value,
        note=note,
        facts=told.facts,
    )


def moment(us: int, at_us: int, zone: ZoneInfo, *, full: bool = False) -> str:
    """The site's wall clock with the name of its zone; with the day where that is not the day of `at_us`, or `full`."""
    when, call = instant(us).astimezone(zone), instant(at_us).astimezone(zone)
    abbreviation = when.strftime("%Z")
    named = f"UTC{abbreviation}" if abbreviation[:1] in "+-" else abbreviation
    if full:
        day = f"{when:%a} {when.day} {when:%b %Y} "
    elif when.date() == call.date():
        day = ""
    else:
        day = f"{when:%a} {when.day} {when:%b}" + (" " if when.year == call.year else f" {when.year} ")
    return f"{day}{when:%H:%M} {named}"


def _shown(fact: Fact, told: Told, zone: ZoneInfo) -> Shown:
    stands = _STATES.get(State(fact.state), "") if fact.state in set(State) else one_line(fact.state)
    priority = f"{fact.priority.capitalize()} priority. " if fact.priority else ""
    began = "Began" if told.cause is Cause.RETURNED else "Since"
    where = one_line(fact.where)
    return Shown(
        alarm=fact.alarm,
        what=readable(without_place(one_line(fact.what), where)),
        where=where,
        value=_value(fact),
        since=f"{began} {moment(fact.since_us, told.at_us, zone)}",
        stands=f"{priority}{stands}",
        action="" if told.cause in _NEWS else one_line(fact.action, LONGEST_NOTE),
    )


def _brief(fact: Fact) -> str:
    return brief(one_line(fact.what), one_line(fact.where))


def _nothing_to_do(told: Told) -> str:
    """To those who are told for information: that nothing is wanted of them, and what still is of somebody."""
    if told.cause not in _NEWS:
        return ""
    stays = [_STILL_THERE[State(fact.state)] for fact in told.facts if fact.state in _STILL_THERE]
    if told.cause is not Cause.RETURNED or not stays:
        return NOTHING_TO_DO
    them = stays[0] if len(told.facts) == 1 else stays[0].replace("it", "them")
    it = "The alarm stays" if len(told.facts) == 1 else "The alarms stay"
    return f"Nobody is called for this any more. {it} on the list until somebody {them}."


def _value(fact: Fact) -> str:
    if fact.value is None:
        return "" if fact.limit is None else f"limit {with_unit(fact.limit, fact.unit)}"
    value = with_unit(fact.value, fact.unit)
    if fact.limit is None:
        return value
    words = against(fact.value, fact.limit)
    return f"{value}, {words} ({with_unit(fact.limit, fact.unit)})" if words else value


def _kicker(told: Told) -> str:
    kicker = _KICKERS[told.cause]
    if len(told.facts) > 1 and told.cause in (Cause.CLIMBED, Cause.REPEATED):
        return kicker.replace("this alarm", "these alarms")
    return kicker


def _subject(told: Told, facts: tuple[Shown, ...], note: str, site: str) -> str:
    if told.cause is Cause.TEST:
        return f"Test call from {site}"
    if not facts:
        return one_line(f"{_SUBJECTS[told.cause]}{note or site}", LONGEST_SUBJECT)
    first, what = facts[0], _brief(told.facts[0])
    place = f"{first.where}: {what}" if first.where else what
    if len(facts) > 1:
        core = f"{len(facts)} alarms, the first {place}"
    elif told.cause in _NEWS or not told.facts[0].priority:
        core = place
    else:
        core = f"{told.facts[0].priority.capitalize()} alarm, {place}"
    return one_line(_SUBJECTS[told.cause] + core, LONGEST_SUBJECT)


def _short(told: Told, facts: tuple[Shown, ...], note: str, zone: ZoneInfo, site: str) -> str:
    """What matters most comes first, since the end may be cut: how bad, where, the figures."""
    if told.cause is Cause.TEST:
        return f"Test call, please confirm it. From {site}" if told.answer else f"Test call from {site}. {note}"
    head = _SUBJECTS[told.cause]
    if not facts:
        return f"{head}{note or site}"
    first, fact = facts[0], told.facts[0]
    place, what = f"{first.where}: " if first.where else "", _brief(fact)
    if told.cause in _NEWS:
        return f"{head}{place}{what}. {note}".rstrip()
    if len(facts) > 1:
        head += f"{len(facts)} alarms, first "
    elif fact.priority:
        head += f"{fact.priority.upper()} alarm, "
    figures = ""
    if fact.value is not None and _joined(figure(fact.value)) not in _joined(first.what):
        limit = "" if fact.limit is None else f" (limit {with_unit(fact.limit, fact.unit)})"
        figures = f"{with_unit(fact.value, fact.unit)}{limit}, "
    return f"{head}{place}{figures}{what}, {moment(fact.since_us, told.at_us, zone)}"


def _joined(text: str) -> str:
    """Without blanks, so that figures compare however they are grouped."""
    return "".join(text.split())


def _answering(told: Told, names: Names, link: str | None) -> tuple[str, tuple[str, ...]]:
    """The title over the link (empty where there is nothing to answer), and how it is done without the link."""
    if not told.answer:
        return "", ()
    if told.answer.startswith(TEST):
        command = f"motewatch confirm-test SITE {told.answer.removeprefix(TEST)} --by {told.person}"
        return "Confirm that this call reached you", ("On a computer of the site:", command)
    if any(fact.alarm == BROKER for fact in told.facts):
        return "Take it, or shelve it", (_without_broker(names, link),)
    at_station = "At the monitoring station, or on a computer of the site:"
    if len(told.facts) > 1:
        # The link takes all alarms of the call; the command one.
        lines = (
            f"motewatch acknowledge SITE {told.answer} --by {told.person}",
            "and so on for the others, by their ids.",
        )
        return f"Take all {len(told.facts)}, or shelve the first", (at_station, *lines)
    return "Take it, or shelve it", (at_station, f"motewatch acknowledge SITE {told.answer} --by {told.person}")


def _without_broker(names: Names, link: str | None) -> str:
    """What still works. The command line is not among it: its commands go over the broker."""
    console = f"Sign in to the console at {names.console}" if names.console else ""
    if link is not None:
        return f"{console or 'There is no other way'} while the broker is away."
    if console:
        return f"{console}; the command line works again once the broker is back."
    return "See to the broker first: once it is back, this can be taken at the monitoring station."


def _text(words: Words) -> str:
    parts: list[list[str]] = [[words.kicker.upper()]]
    for fact in words.facts[:1]:
        parts += [[fact.what, fact.where], [fact.value, fact.since, fact.stands]]
        parts.append(["WHAT TO DO", fact.action] if fact.action else [])
    parts += [[words.note], [words.repeat], [words.nothing_to_do]]
    if words.link:
        parts.append([words.answer_title.upper(), words.link, words.link_for])
    if len(words.facts) > 1:
        parts.append([f"IN THE SAME CALL ({len(words.facts) - 1} MORE)"])
        for fact in words.facts[1:]:
            parts.append([f"- {fact.what}", *(f"  {each}" for each in _rest(fact) if each)])
    if words.otherwise:
        parts.append(["WITHOUT THE LINK" if words.link else words.answer_title.upper(), *words.otherwise])
    parts.append([words.foot])
    blocks = ["\n".join(line for line in part if line) for part in parts]
    return "\n\n".join(block for block in blocks if block) + "\n"


def _rest(fact: Shown) -> tuple[str, ...]:
    """What is said of an alarm that is not the first, in lines."""
    return fact.where, fact.value, f"{fact.since}. {fact.stands}", fact.alarm


_PAGE: Final = Environment(
    loader=PackageLoader("motewatch.links", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
).get_template("call.html")
