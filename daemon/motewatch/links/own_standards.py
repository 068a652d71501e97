"""The standards that a site brings, and the classes it takes from any standard by `own_class`.

Belongs to the cross checks of `site`, but needs `limits`, which `site` must not import. Gives back the library that
the other checks look limits up in.
"""

from __future__ import annotations

from motewatch.limits.errors import UnknownClassError, UnknownStandardError
from motewatch.limits.standards.library import Library, shipped
from motewatch.limits.standards.model import Blank, Row, Standard, Table, Unit
from motewatch.limits.standards.reading import flaws_of
from motewatch.site.findings import Findings, did_you_mean
from motewatch.site.models import OwnClass
from motewatch.site.problems import KeyPath


def check_standards(findings: Findings) -> Library:
    """Tell what is wrong with the site's standards and their use; the library holds the sound ones."""
    sound = []
    for number, model in enumerate(findings.site.standards):
        flaws = list(flaws_of(model))
        for flaw in flaws:
            findings.error(("standards", number, *flaw.path), flaw.value, flaw.message, flaw.mend)
        if model.id in shipped().ids:
            findings.error(
                ("standards", number, "id"),
                model.id,
                "motewatch brings a standard with this id",
                "Give yours an id of its own.",
            )
        elif not flaws:
            sound.append(model)
    library = shipped().with_own(sound)
    used = set()
    places: list[tuple[str, int, OwnClass | None]] = [
        *(("rooms", number, room.own_class) for number, room in enumerate(findings.site.rooms)),
        *(("locations", number, location.own_class) for number, location in enumerate(findings.site.locations)),
    ]
    for name, number, own_class in places:
        if own_class is not None:
            used.add(own_class.standard)
            _own_class(findings, (name, number, "own_class"), own_class, library)
    if findings.complete("rooms", "locations"):
        for number, model in enumerate(findings.site.standards):
            if model.id not in used:
                findings.warning(
                    ("standards", number), None, "no room or location has a class of this standard", "Remove it."
                )
    return library


def _own_class(findings: Findings, path: KeyPath, own: OwnClass, library: Library) -> None:
    try:
        standard = library.get(own.standard)
    except UnknownStandardError:
        if own.standard not in findings.ids("standards") and "standards" not in findings.lost.whole:
            findings.error(
                (*path, "standard"),
                own.standard,
                "there is no such standard, neither with motewatch nor in [[standards]] or standard_files",
                did_you_mean(own.standard, library.ids, f"Known: {', '.join(library.ids)}."),
            )
        return
    try:
        table, row = standard.where(own.class_name)
    except UnknownClassError as error:
        findings.error(
            (*path, "class"),
            own.class_name,
            f"{standard.name} has no such {standard.rows_are} in a table of limits",
            did_you_mean(own.class_name, standard.class_names(), f"{error.mend[:1].upper()}{error.mend[1:]}."),
        )
        return
    _whole_numbers(findings, path, standard, table, row)


def _whole_numbers(findings: Findings, path: KeyPath, standard: Standard, table: Table, row: Row) -> None:
    """The engine compares whole numbers per m3; other limits are cut to the number below, and that is told."""
    numbers = [entry.cell for entry in row.entries if not isinstance(entry.cell, Blank)]
    if table.unit is Unit.PER_M3 and all(float(number).is_integer() for number in numbers):
        return
    findings.warning(
        path,
        None,
        f"limits of {standard.rows_are} {row.name} in {standard.name} are no whole numbers per m3",
        "They are judged by the whole number below, so never more laxly; nothing to do where that is enough.",
    )
