"""Where made reports are kept: their data as JSON files beside the journal, named in the journal's register.

    LinkError (links.errors)
    +-- ReportError               a report cannot be made, found or trusted

Rules: the data are what is kept; documents are made of them when they are asked for, the same bytes from the same data
and signatures. A file whose content is not what the register says is refused by name, never shown. A file is written
beside and renamed, so that a half-written one is never there. `check` makes a report again: from the record as it was
then (must be the same), and as it is now (says what changed since). Must not know pages.
"""

from __future__ import annotations

import json
import os
import re
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from motewatch.journal import reports as register
from motewatch.journal.reports import Made
from motewatch.journal.store import Store
from motewatch.links.errors import LinkError
from motewatch.links.report_html import report_html
from motewatch.links.report_making import make_report
from motewatch.links.report_pdf import report_pdf
from motewatch.links.report_sheet import TITLES, SignedBy, sheet
from motewatch.picture.report import FORMAT, canonical, content_hash, report_id
from motewatch.picture.report_changes import differences
from motewatch.picture.report_scope import Kind, Scope, ScopeError, Span

ONE_AT_A_TIME: Final = threading.Lock()
"""Held while a report is made or checked: however many are asked for, they keep one core busy at most."""

_ID: Final = re.compile(r"(?:shift|day|month|batch)-\d{8}-\d{4}-[0-9a-f]{12}")


class ReportError(LinkError):
    """A report cannot be made, found or trusted; the text says why. `field`: as of `ScopeError`."""

    final = True

    def __init__(self, text: str, field: str = "") -> None:
        super().__init__(text)
        self.field = field


class DocumentFormat(StrEnum):
    """What a report can be had as."""

    PDF = "pdf"
    HTML = "html"
    JSON = "json"


MEDIA_TYPES: Final = {
    DocumentFormat.PDF: "application/pdf",
    DocumentFormat.HTML: "text/html; charset=utf-8",
    DocumentFormat.JSON: "application/json",
}


@dataclass(frozen=True, slots=True)
class Checked:
    """What making a report again gave."""

    id: str
    hash: str
    problems: tuple[str, ...]
    """Why it is not what was made then; empty: it is the same, from the same record."""
    since: tuple[str, ...]
    """What the record says otherwise by now: late data, notes, acknowledgements. No fault of the report."""


class Shelf:
    """The kept reports of one journal."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._folder = Path(store.path).parent / register.REPORTS_FOLDER

    def make(self, scope: Scope, by: str, now_us: int) -> tuple[Made, bool]:
        """Make a report and keep it; False: the same one was there already. Raises `ReportError`.

        The file of one that was there is laid back where it is missing or damaged.
        """
        try:
            with ONE_AT_A_TIME:
                data = make_report(self._store, scope)
        except ScopeError as error:
            raise ReportError(str(error), error.field) from None
        known = register.made_report(self._store, report_id(data))
        if known is not None and known.hash == content_hash(data):
            # Its file stays as it is: it says how far the record had come then. One that is gone is written again.
            self._lay_back(known, scope)
            return known, False
        span = scope.span
        made = Made(
            id=report_id(data),
            kind=span.kind.value,
            title=TITLES[span.kind.value],
            start_us=span.start_us,
            end_us=span.end_us,
            batch=scope.batch,
            hash=content_hash(data),
            seal=data["record"]["seal"],
            made_us=now_us,
            made_by=by,
            file=f"{report_id(data)}.json",
        )
        self._write(made.file, canonical(data).encode())
        return made, register.keep(self._store, made)

    def find(self, report: str) -> Made:
        """The report of this id. Raises `ReportError`."""
        found = register.made_report(self._store, report) if _ID.fullmatch(report) else None
        if found is None:
            raise ReportError(f"there is no report '{report[:60]}'")
        return found

    def data(self, made: Made) -> dict[str, Any]:
        """Its content, proved against the register. Raises `ReportError`."""
        path = self._folder / made.file
        try:
            text = path.read_text("utf-8")
            data: dict[str, Any] = json.loads(text)
        except OSError as error:
            raise ReportError(f"{path}: {error.strerror}; restore it from a backup, or make the report again") from None
        except ValueError:
            raise ReportError(f"{path}: is no report any more; restore it from a backup") from None
        if content_hash(data) != made.hash:
            raise ReportError(f"{path}: its content is not what was made; restore it from a backup")
        return data

    def document(self, made: Made, form: DocumentFormat, signed: Sequence[SignedBy] = ()) -> bytes:
        """The report as a file. Raises `ReportError`."""
        return document(self.data(made), form, signed)

    def _lay_back(self, made: Made, scope: Scope) -> None:
        """See `make`: as of the seal that its register names, so that the file says the same as then."""
        try:
            self.data(made)
        except ReportError:
            then = register.seal(self._store, made.seal)
            if then is None:
                return
            with ONE_AT_A_TIME:
                data = make_report(self._store, scope, then)
            if content_hash(data) == made.hash:
                self._write(made.file, canonical(data).encode())

    def _write(self, name: str, content: bytes) -> None:
        self._folder.mkdir(mode=0o750, exist_ok=True)
        path = self._folder / name
        beside = path.with_suffix(f".{os.getpid()}-{threading.get_ident()}.new")
        with beside.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)


def document(data: Mapping[str, Any], form: DocumentFormat, signed: Sequence[SignedBy] = ()) -> bytes:
    """The data as a file."""
    if form is DocumentFormat.JSON:
        return canonical(data).encode()
    found = sheet(data, signed)
    return report_pdf(found) if form is DocumentFormat.PDF else report_html(found).encode()


def read_report(file: Path) -> dict[str, Any]:
    """The report in a file of JSON, as far as it is one. Raises `ReportError`, `OSError`."""
    try:
        data = json.loads(file.read_bytes())
    except (ValueError, RecursionError):
        raise ReportError(f"{file} is no report as JSON; of a PDF give the id that is printed on it") from None
    if not isinstance(data, dict):
        raise ReportError(f"{file} is no report as JSON")
    return data


def check(store: Store, data: Mapping[str, Any], hash_: str | None = None) -> Checked:
    """Make the report again and compare; `hash_`: what the register or the paper says. Raises `ReportError`."""
    with ONE_AT_A_TIME:
        return _check(store, data, hash_)


def _check(store: Store, data: Mapping[str, Any], hash_: str | None) -> Checked:
    found = content_hash(data)
    if data.get("format") != FORMAT:
        raise ReportError(f"a report of format {data.get('format')}; this version knows format {FORMAT}")
    try:
        scope = _scope(data)
        record, software = data["record"], data["software"]
        problems = []
        if hash_ is not None and hash_ != found:
            problems.append(f"the file's content has the hash {found}, and {hash_} was made")
        then = register.seal(store, record["seal"])
        if then is None or then.hash != record["hash"]:
            problems.append(f"the record's chain has no seal {record['seal']} of that hash: another record, or changed")
        else:
            again = make_report(store, scope, then)
            problems += _compared(data, again, software)
        return Checked(report_id(data), found, tuple(problems), tuple(differences(data, make_report(store, scope))))
    except ScopeError as error:
        raise ReportError(str(error)) from None
    except (KeyError, TypeError) as error:
        raise ReportError(f"this is no report: {error}") from None


def _compared(data: Mapping[str, Any], again: Mapping[str, Any], software: str) -> list[str]:
    if content_hash(again) == content_hash(data):
        return []
    found = differences(data, again, leave=("software",))
    if software != version("motewatch"):
        # Another version may count in another way: what differs is told, and the reader judges.
        found.insert(0, f"made by motewatch {software}, made again by {version('motewatch')}")
    return found or ["its charts differ"]


def _scope(data: Mapping[str, Any]) -> Scope:
    scope = data["scope"]
    places = () if scope["whole_site"] else tuple(each["location"] for each in scope["places"])
    return Scope(Span(Kind(scope["kind"]), scope["start_us"], scope["end_us"]), places, scope["batch"])
