"""Whether the daemon will obey a user: where the site file lists persons, these alone, each in what `may` says.

Rules: said where the user is made and on the user's own pages, not first at the button at 3 a.m. The role alone decides
what the console offers; this only tells what the engine will say. Pure; the rule itself is `AlarmRules.refusal`.
"""

from __future__ import annotations

from typing import Final

from motewatch.engine.alarm_rules import AlarmRules
from motewatch.site.models import Site
from motewatch.site.people import Person
from motewatch.web.access.roles import RIGHTS, May, Role

MATTERS: Final = ("acknowledge", "shelve", "occupancy", "check-in")
"""What an operator is expected to be able to do at night; resets and removals are for few anyway."""

WORDS: Final = {
    "acknowledge": "acknowledge alarms",
    "shelve": "shelve alarms",
    "occupancy": "state occupancy",
    "check-in": "check portables in",
}


def not_obeyed(site: Site, user: str, role: Role) -> str:
    """What the daemon will refuse this user although the role offers it, in sentences; empty: nothing."""
    if not site.persons or not RIGHTS[role] & {May.ACKNOWLEDGE, May.OPERATE}:
        return ""
    rules = AlarmRules.of(site)
    refused = [each for each in MATTERS if rules.refusal(user, each)]
    if not refused:
        return ""
    if person_of(site, user) is None:
        return (
            f"No person of the site file has the id '{user}', so the daemon refuses every order about alarms from this "
            "user. Give the user the id of the person, or add the person to the site file."
        )
    return (
        f"The site file does not let the person '{user}' {', '.join(WORDS[each] for each in refused)}: the daemon "
        "refuses it. See [[persons]] may."
    )


def person_of(site: Site, user: str) -> Person | None:
    """The person that a user is."""
    said = user.casefold()
    return next((each for each in site.persons if said in (each.id.casefold(), each.name.casefold())), None)


def without_user(site: Site, users: set[str]) -> list[Person]:
    """Persons for whom there is no user yet."""
    return [each for each in site.persons if each.id not in users]
