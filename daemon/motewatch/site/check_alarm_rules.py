"""Cross checks of the rules for alarms: kinds and places that do not exist, rules that never hold, circles.

Which priority an alarm has is not looked at here.
"""

from __future__ import annotations

from motewatch.site.alarm_kinds import ALARM_KINDS, PLACELESS
from motewatch.site.findings import Findings, did_you_mean
from motewatch.site.problems import quoted

_PLACES = (("areas", "areas"), ("rooms", "rooms"), ("locations", "locations"))


def check_alarm_rules(findings: Findings) -> None:
    """Look at every rule."""
    site = findings.site
    for number, rule in enumerate(site.alarm_rules):
        _kinds(findings, ("alarm_rules", number, "kinds"), rule.kinds)
        _places(findings, "alarm_rules", number)
        _never_reached(findings, number)
    for number, suppression in enumerate(site.suppressions):
        for key in ("hides", "upstream_kinds"):
            _kinds(findings, ("suppressions", number, key), getattr(suppression, key))
        _places(findings, "suppressions", number)
        _known(findings, ("suppressions", number, "upstream"), suppression.upstream, "rooms")
        own = [f"sensor-{word}" for word in suppression.sensor if f"sensor-{word}" in suppression.hides]
        if own:
            findings.error(
                ("suppressions", number, "hides"),
                own[0],
                "an alarm cannot explain itself, so it would never be hidden",
                f"Remove {quoted(own[0])} from hides.",
            )
        if suppression.occupancy or suppression.upstream or suppression.sensor:
            placeless = [kind for kind in suppression.hides if kind in PLACELESS]
            if placeless:
                findings.error(
                    ("suppressions", number, "hides"),
                    placeless[0],
                    "alarms of this kind belong to no room and no sensor, so they would never be hidden",
                    f"Remove {quoted(placeless[0])} from hides.",
                )


def _kinds(findings: Findings, path: tuple[str, int, str], kinds: tuple[str, ...]) -> None:
    for kind in kinds:
        if kind not in ALARM_KINDS:
            findings.error(
                path,
                kind,
                "there is no such kind of alarm",
                did_you_mean(kind, ALARM_KINDS, f"Kinds: {', '.join(ALARM_KINDS)}."),
            )


def _places(findings: Findings, name: str, number: int) -> None:
    entry = getattr(findings.site, name)[number]
    for key, target in _PLACES:
        _known(findings, (name, number, key), getattr(entry, key), target)


def _known(findings: Findings, path: tuple[str, int, str], wanted: tuple[str, ...], target: str) -> None:
    if target in findings.lost.whole:
        return
    known = findings.ids(target)
    for id_ in wanted:
        if id_ not in known:
            findings.error(
                path,
                id_,
                f"there is no such table in [[{target}]]",
                did_you_mean(id_, known, f"Known ids: {', '.join(sorted(known)) or 'none'}."),
            )


def _never_reached(findings: Findings, number: int) -> None:
    """The first rule that matches is taken: behind one for everything no other is ever reached."""
    for earlier, rule in enumerate(findings.site.alarm_rules[:number]):
        if not (rule.kinds or rule.priorities or rule.areas or rule.rooms or rule.locations):
            where = findings.path(("alarm_rules", earlier))
            findings.error(
                ("alarm_rules", number),
                None,
                f"alarm_rules[{where[1]}] before it matches every alarm, so this would never be used",
                "Put the rule for everything last.",
            )
            return
