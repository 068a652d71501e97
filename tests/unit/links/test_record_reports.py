"""Reports from a journal: what they say, that the same record gives the same bytes, and what a check finds."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pikepdf
import pytest
from pypdf import PdfReader

from motewatch.engine.records import Audited, SampleTaken
from motewatch.journal.journal import Journal
from motewatch.links.report_html import report_html
from motewatch.links.report_making import make_report
from motewatch.links.report_pdf import report_pdf
from motewatch.links.report_sheet import SignedBy, sheet
from motewatch.links.report_shelf import DocumentFormat, ReportError, Shelf, check
from motewatch.picture.report import content_hash, report_id
from motewatch.picture.report_scope import Kind, Scope, ScopeError, Span
from support.pdfa import faults
from support.report_record import (
    ACTION,
    DAY,
    MARKUP,
    MINUTE,
    T0,
    commit,
    configure,
    make_record,
    report_site,
    sample,
)

NOW = T0 + 1500 * MINUTE


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "journal.db"
    make_record(path)
    return path


@pytest.fixture(scope="module")
def data(base: Path) -> dict[str, Any]:
    with Journal.open_reader(base) as journal:
        return make_report(journal.store, Scope(DAY, batch="B-1042"))


@pytest.fixture
def own(base: Path, tmp_path: Path) -> Iterator[Journal]:
    """A copy of the record that a test may go on with."""
    with closing(sqlite3.connect(base)) as source, closing(sqlite3.connect(tmp_path / "journal.db")) as target:
        source.backup(target)
    with Journal(tmp_path / "journal.db", site="testing") as journal:
        yield journal


def place(data: dict[str, Any], location: str) -> dict[str, Any]:
    found: dict[str, Any] = next(one for one in data["locations"] if one["id"] == location)
    return found


def test_statistics_gaps_and_revisions(data: dict[str, Any]) -> None:
    fill, prep = place(data, "fill-1"), place(data, "prep-1")
    assert [(last - first) // MINUTE for first, last in fill["gaps"]] == [45, 3]
    assert (fill["samples"], fill["samples_with_air"]) == (1440, 1392)
    assert fill["flags"] == {"missing": 48}
    assert {level["grade"]: level["above"] for level in fill["sizes"][0]["levels"]} == {"action": 5, "alert": 5}
    assert prep["late_revisions"] == 4
    assert prep["gaps"] == []


def test_a_location_without_data_is_listed(data: dict[str, Any]) -> None:
    nothing = place(data, "prep-2")
    assert nothing["gaps"] == [[DAY.start_us, DAY.end_us]]
    assert sheet(data)["summary"][6] == ["Locations without any data", "Door side", "look"]


def test_the_excursion_with_its_people(data: dict[str, Any]) -> None:
    (found,) = data["excursions"]
    assert (found["alarm"], found["until_us"] - found["from_us"]) == (ACTION, 5 * MINUTE)
    # The peak is that of the samples, later than the first above the level.
    assert found["peak"] == pytest.approx(184 * 1e9 / 28_300_000)
    assert found["acknowledged_by"] == "op-7"
    assert found["comments"][0]["comment"] == MARKUP
    assert data["notes"][0]["text"].startswith("Gloves changed")
    assert data["calls"][0]["alarms"] == [ACTION]


def test_levels_and_configurations_are_those_of_the_time(own: Journal, data: dict[str, Any]) -> None:
    assert len(data["configurations"]) == 1
    later = Span(Kind.BATCH, T0 + 700 * MINUTE, T0 + 1440 * MINUTE + 30 * MINUTE)
    commit(own, [SampleTaken(sample("fill-1", T0 + 1445 * MINUTE, 20))], T0 + 1471 * MINUTE)
    found = make_report(own.store, Scope(later, ("fill-1",)))
    assert len(found["configurations"]) == 2
    levels = {one["per_m3"]: one["judged"] for one in place(found, "fill-1")["sizes"][0]["levels"]}
    assert levels[500] == 1
    assert levels[1000] > 700
    assert [one["id"] for one in found["locations"]] == ["fill-1"]


def test_sensors_and_their_calibration(data: dict[str, Any]) -> None:
    assert [(one["id"], one["calibration"]) for one in data["sensors"]] == [("pc-1", "valid"), ("pc-2", "overdue")]


def test_the_same_record_gives_the_same_bytes(base: Path, data: dict[str, Any]) -> None:
    with Journal.open_reader(base) as journal:
        again = make_report(journal.store, Scope(DAY, batch="B-1042"))
    assert content_hash(again) == content_hash(data)
    assert report_pdf(sheet(again)) == report_pdf(sheet(data))
    assert report_html(sheet(again)) == report_html(sheet(data))


def test_the_pdf_opens_and_says_it_all(data: dict[str, Any]) -> None:
    signed = [SignedBy("Q. Lead", "approved", "2026-03-03 09:00:00 +0100", "no finding", fits=True)]
    pdf = PdfReader(BytesIO(report_pdf(sheet(data, signed))))
    # The reader breaks lines at its own will.
    pages = [" ".join(page.extract_text().replace("\u200b", "").split()) for page in pdf.pages]
    whole = "\n".join(pages)
    for wanted in ("Day report", "Batch B-1042", "Europe/Berlin", "Door side", "NO DATA", "Missing data", "45 min",
                   "Gloves changed", "OVERDUE", "Signatures", "Q. Lead", "quality unit", data["record"]["hash"][:20],
                   MARKUP):  # fmt: skip
        assert wanted in whole, wanted
    for number, text in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in text
        assert report_id(data) in text
        assert content_hash(data) in text
    metadata = pdf.xmp_metadata
    assert metadata is not None
    assert b"<pdfaid:part>2" in metadata.stream.get_data()


@pytest.fixture(scope="module")
def document(data: dict[str, Any]) -> bytes:
    return report_pdf(sheet(data))


def test_the_pdf_has_the_structure_of_an_archive_file(document: bytes) -> None:
    assert faults(document) == []
    with pikepdf.open(BytesIO(document)) as pdf:
        fonts = [each for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and "/FontDescriptor" in each]
        assert len(fonts) >= 2
        assert len(pdf.pages) >= 3


def _without_intent(pdf: pikepdf.Pdf) -> None:
    del pdf.Root.OutputIntents


def _with_a_script(pdf: pikepdf.Pdf) -> None:
    pdf.Root.OpenAction = pdf.make_indirect(pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS="app.alert(1)"))


def _with_a_font_of_the_reader(pdf: pikepdf.Pdf) -> None:
    for each in pdf.objects:
        if isinstance(each, pikepdf.Dictionary) and each.get("/Type") == pikepdf.Name.FontDescriptor:
            for key in ("/FontFile2", "/FontFile3"):
                if key in each:
                    del each[key]
            return


def _with_another_claim(pdf: pikepdf.Pdf) -> None:
    with pdf.open_metadata(set_pikepdf_as_editor=False) as said:
        said["pdfaid:conformance"] = "U"


def _with_a_file_in_it(pdf: pikepdf.Pdf) -> None:
    pdf.attachments["notes.txt"] = b"more"


def _with_colours_of_print(pdf: pikepdf.Pdf) -> None:
    pdf.pages[0].contents_add(b"0 0 0 1 k 0 0 10 10 re f")


def _with_a_note_on_the_screen(pdf: pikepdf.Pdf) -> None:
    note = pikepdf.Dictionary(Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.Text, Rect=[0, 0, 9, 9], F=2)
    pdf.pages[0].Annots = pikepdf.Array([pdf.make_indirect(note)])


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (_without_intent, "0 output intents"),
        (_with_a_script, "an action /JavaScript"),
        (_with_a_font_of_the_reader, "is not inside"),
        (_with_another_claim, "claim PDF/A part 2, conformance U"),
        (_with_a_file_in_it, "EmbeddedFiles"),
        (_with_colours_of_print, "colours of print"),
        (_with_a_note_on_the_screen, "not printed as it is seen"),
    ],
)
def test_the_inspection_finds_what_an_archive_file_must_not_be(
    document: bytes, spoil: Callable[[pikepdf.Pdf], None], said: str
) -> None:
    spoilt = BytesIO()
    with pikepdf.open(BytesIO(document)) as pdf:
        spoil(pdf)
        pdf.save(spoilt)
    assert any(said in each for each in faults(spoilt.getvalue()))


def test_the_inspection_finds_a_lock_and_damage(document: bytes) -> None:
    locked = BytesIO()
    with pikepdf.open(BytesIO(document)) as pdf:
        pdf.save(locked, encryption=pikepdf.Encryption(owner="o", user=""))
    assert "it is encrypted" in faults(locked.getvalue())
    assert faults(document[: len(document) // 2])


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.asked: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.asked += [value or "" for name, value in attrs if name in ("src", "href", "action")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_html_is_self_contained_and_escapes_what_people_typed(data: dict[str, Any]) -> None:
    reader = _Reader()
    reader.feed(report_html(sheet(data)))
    assert reader.asked == []
    assert "script" not in reader.tags
    assert MARKUP in reader.text
    assert reader.tags.count("svg") == 4


def test_charts_are_sound_svg(data: dict[str, Any]) -> None:
    drawn = [block for block in sheet(data)["blocks"] if block["kind"] == "chart"]
    for block in drawn:
        root = ElementTree.fromstring(block["svg"])
        assert root.tag.endswith("svg")
    assert "no data" not in drawn[0]["svg"]
    assert "#d9dcdf" in drawn[0]["svg"]


def test_a_report_is_kept_and_found_the_same(own: Journal) -> None:
    shelf = Shelf(own.store)
    made, new = shelf.make(Scope(DAY), "quality-1", NOW)
    again, same = shelf.make(Scope(DAY), "operator-2", NOW + 1)
    assert (new, same) == (True, False)
    assert (again.id, again.hash) == (made.id, made.hash)
    assert shelf.find(made.id).made_by == "quality-1"
    assert content_hash(json.loads(shelf.document(made, DocumentFormat.JSON))) == made.hash
    found = check(own.store, shelf.data(made), made.hash)
    assert (found.problems, found.since) == ((), ())


def test_what_comes_later_makes_no_other_report_of_a_day_that_is_over(own: Journal, tmp_path: Path) -> None:
    shelf = Shelf(own.store)
    made, _ = shelf.make(Scope(DAY), "quality-1", NOW)
    before = (tmp_path / "reports" / made.file).read_bytes()
    commit(own, [SampleTaken(sample("fill-1", T0 + 1500 * MINUTE, 12))], NOW + MINUTE)
    again, new = shelf.make(Scope(DAY), "operator-2", NOW + 2 * MINUTE)
    assert (again, new) == (made, False)
    assert (tmp_path / "reports" / made.file).read_bytes() == before


def test_an_unfinished_report_is_another_one_once_it_is_over(own: Journal) -> None:
    shelf = Shelf(own.store)
    scope = Scope(Span(Kind.BATCH, T0 + 1400 * MINUTE, T0 + 1500 * MINUTE))
    early, _ = shelf.make(scope, "quality-1", NOW)
    commit(own, [], T0 + 1501 * MINUTE)
    late, new = shelf.make(scope, "quality-1", NOW)
    assert (new, early.id == late.id) == (True, False)


def test_a_late_revision_is_told_and_is_no_fault_of_the_report(own: Journal) -> None:
    shelf = Shelf(own.store)
    made, _ = shelf.make(Scope(DAY), "quality-1", NOW)
    commit(own, [SampleTaken(sample("fill-1", T0 + 210 * MINUTE, 12, revision=2))], NOW)
    commit(own, [Audited(NOW, "op-7", "note", f"alarm/{ACTION}", "Looked at again.")], NOW)
    found = check(own.store, shelf.data(made), made.hash)
    assert found.problems == ()
    text = "\n".join(found.since)
    assert "samples revised by late data: 0 in the report, 1 by the record" in text
    assert "not in the report: note of op-7 at " in text
    assert text.count("not in the report: nobody measured from ") == 2
    assert text.count("only in the report: nobody measured from ") == 1
    assert shelf.make(Scope(DAY), "quality-1", NOW)[1]


def test_a_changed_record_is_found(own: Journal, tmp_path: Path) -> None:
    shelf = Shelf(own.store)
    made, _ = shelf.make(Scope(DAY), "quality-1", NOW)
    own.close()
    with closing(sqlite3.connect(tmp_path / "journal.db")) as raw:
        raw.execute("DROP TRIGGER IF EXISTS outputs_unchanged")
        raw.execute(
            "UPDATE outputs SET body = replace(body, '[500,184,', '[500,84,') WHERE kind = 'sample' "
            "AND body LIKE '%[500,184,%'"
        )
        raw.commit()
    with Journal.open_reader(tmp_path / "journal.db") as journal:
        found = check(journal.store, shelf_data(tmp_path, made.file), made.hash)
    assert any("≥0.5 µm: highest sample: " in each and "per m³ by the record" in each for each in found.problems)


def shelf_data(folder: Path, file: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "reports" / file).read_text())
    return found


def test_a_changed_file_is_never_shown(own: Journal, tmp_path: Path) -> None:
    shelf = Shelf(own.store)
    made, _ = shelf.make(Scope(DAY), "quality-1", NOW)
    path = tmp_path / "reports" / made.file
    path.write_text(path.read_text().replace('"late_revisions":4', '"late_revisions":3'))
    with pytest.raises(ReportError, match="not what was made"):
        shelf.document(made, DocumentFormat.PDF)
    path.unlink()
    with pytest.raises(ReportError, match="restore it from a backup"):
        shelf.data(made)


@pytest.mark.parametrize("damage", [Path.unlink, lambda path: path.write_text("{}")], ids=["gone", "changed"])
def test_the_file_of_a_report_that_is_made_again_is_laid_back_as_it_was(
    own: Journal, tmp_path: Path, damage: Callable[[Path], object]
) -> None:
    shelf = Shelf(own.store)
    made, _ = shelf.make(Scope(DAY), "quality-1", NOW)
    path = tmp_path / "reports" / made.file
    before = path.read_bytes()
    # The record goes on: the file must say how far it had come then.
    commit(own, [SampleTaken(sample("fill-1", T0 + 1500 * MINUTE, 12))], NOW + MINUTE)
    damage(path)
    assert shelf.make(Scope(DAY), "operator-2", NOW + 2 * MINUTE) == (made, False)
    assert path.read_bytes() == before


def test_a_report_of_another_record_is_told(own: Journal, data: dict[str, Any]) -> None:
    foreign = {**data, "record": {**data["record"], "hash": "0" * 64}}
    assert "no seal" in check(own.store, foreign).problems[0]
    with pytest.raises(ReportError, match="this is no report"):
        check(own.store, {"format": 1, "scope": {}})
    with pytest.raises(ReportError, match="format 9"):
        check(own.store, {"format": 9})


@pytest.mark.parametrize("wrong", ["", "../x", "day-20260302-0000-000000000000", "x" * 500])
def test_an_id_that_is_none_is_refused(own: Journal, wrong: str) -> None:
    with pytest.raises(ReportError, match="there is no report"):
        Shelf(own.store).find(wrong)


def test_what_nobody_monitored_gives_no_report(own: Journal) -> None:
    with pytest.raises(ScopeError, match="no location 'nowhere'"):
        make_report(own.store, Scope(DAY, ("nowhere",)))
    before = Span(Kind.BATCH, T0 - 300 * MINUTE, T0 - 200 * MINUTE)
    with pytest.raises(ScopeError, match="nothing was monitored"):
        make_report(own.store, Scope(before))


def test_a_time_before_the_first_configuration_is_said(own: Journal, data: dict[str, Any]) -> None:
    early = make_report(own.store, Scope(Span(Kind.BATCH, T0 - 120 * MINUTE, T0 + MINUTE)))
    said = "Before 2026-03-01 23:00 no configuration is on record: nothing was monitored."
    assert said in [block.get("text") for block in sheet(early)["blocks"]]
    assert not [block for block in sheet(data)["blocks"] if "nothing was monitored" in block.get("text", "")]


def test_an_unfinished_time_says_so(own: Journal) -> None:
    configure(own, report_site(), T0 + 1460 * MINUTE)
    found = make_report(own.store, Scope(Span(Kind.BATCH, T0 + 1400 * MINUTE, T0 + 1500 * MINUTE)))
    assert sheet(found)["summary"][0][1] == "this report is not final"
