"""What PDF/A-2b (ISO 19005-2) asks of a file, as far as its structure shows: an inspection with qpdf (through pikepdf).

It is no validator: it does not look into font programs (glyphs, widths) or into the colour profile beyond its head, and
it does not judge the grammar of content streams. What each point rests on is our reading of the standard, written from
memory; the names of the points are ours.
"""

from __future__ import annotations

from collections.abc import Iterator
from io import BytesIO
from typing import Any

import pikepdf
from pikepdf import Array, Dictionary, Name, Pdf, Stream

ACTIONS = {"/Launch", "/Sound", "/Movie", "/ResetForm", "/ImportData", "/Hide", "/SetOCGState", "/Rendition", "/Trans",
           "/GoTo3DView", "/JavaScript"}  # fmt: skip
FONT_FILES = ("/FontFile", "/FontFile2", "/FontFile3")
BLEND_MODES = {"/Normal", "/Compatible", "/Multiply", "/Screen", "/Overlay", "/Darken", "/Lighten", "/ColorDodge",
               "/ColorBurn", "/HardLight", "/SoftLight", "/Difference", "/Exclusion", "/Hue", "/Saturation", "/Color",
               "/Luminosity"}  # fmt: skip
CMYK_OPERATORS = {"k", "K"}
PDFAID = "http://www.aiim.org/pdfa/ns/id/"


def faults(body: bytes) -> list[str]:
    """What speaks against it, in words; empty: nothing of what is looked at."""
    try:
        with pikepdf.open(BytesIO(body)) as pdf:
            return list(_faults(body, pdf))
    except pikepdf.PasswordError:
        return ["it is encrypted"]
    except pikepdf.PdfError as error:
        return [f"it is no sound PDF: {error}"]


def _faults(body: bytes, pdf: Pdf) -> Iterator[str]:
    yield from (f"qpdf says: {each}" for each in pdf.check_pdf_syntax())
    head, second = body.split(b"\n", 2)[:2]
    if head not in (b"%PDF-1.4", b"%PDF-1.5", b"%PDF-1.6", b"%PDF-1.7"):
        yield f"it begins with {head!r}"
    if not (second.startswith(b"%") and len(second) > 4 and all(each > 127 for each in second[1:5])):
        yield "its second line does not say that it is binary"
    if not body.rstrip(b"\r\n").endswith(b"%%EOF"):
        yield "something follows its end"
    if "/Encrypt" in pdf.trailer:
        yield "it is encrypted"
    if "/ID" not in pdf.trailer:
        yield "it has no identifier"
    yield from _metadata(pdf)
    yield from _output_intent(pdf)
    yield from _catalog(pdf)
    for number, found in enumerate(pdf.objects):
        if isinstance(found, Dictionary | Stream):
            yield from (f"object {number + 1}: {what}" for what in _object(found))
    for number, page in enumerate(pdf.pages, 1):
        yield from (f"page {number}: {what}" for what in _page(page))


def _metadata(pdf: Pdf) -> Iterator[str]:
    if "/Metadata" not in pdf.Root:
        yield "it has no metadata"
        return
    with pdf.open_metadata(set_pikepdf_as_editor=False) as said:
        part, conformance = (said.get(f"{{{PDFAID}}}{name}") for name in ("part", "conformance"))
        if (part, conformance) != ("2", "B"):
            yield f"its metadata claim PDF/A part {part}, conformance {conformance}"
        title = said.get("dc:title")
    told = pdf.docinfo.get("/Title")
    if told is not None and str(told) != title:
        yield f"its title is {told} in one place and {title} in the other"


def _output_intent(pdf: Pdf) -> Iterator[str]:
    intents = [each for each in pdf.Root.get("/OutputIntents", Array()) if each.get("/S") == Name("/GTS_PDFA1")]
    if len(intents) != 1:
        yield f"it has {len(intents)} output intents of PDF/A"
        return
    profile = intents[0].get("/DestOutputProfile")
    if profile is None:
        yield "its output intent has no colour profile"
        return
    head = profile.read_bytes()[:128]
    spaces = {b"RGB ": 3, b"GRAY": 1, b"CMYK": 4}
    if head[36:40] != b"acsp" or head[12:16] not in (b"mntr", b"prtr") or head[8] > 4:
        yield "the colour profile of its output intent is none of an output device"
    if spaces.get(head[16:20]) != int(profile.get("/N", 0)):
        yield "the colour profile of its output intent has another number of colours than it says"


def _catalog(pdf: Pdf) -> Iterator[str]:
    root = pdf.Root
    for key in ("/AA", "/NeedsRendering", "/Requirements"):
        if key in root:
            yield f"its catalog has {key}"
    names = root.get("/Names", Dictionary())
    for key in ("/JavaScript", "/EmbeddedFiles", "/AlternatePresentations"):
        if key in names:
            yield f"it has {key[1:]}"
    form = root.get("/AcroForm", Dictionary())
    if "/XFA" in form or form.get("/NeedAppearances"):
        yield "it has a form that is filled in by a program"


def _object(found: Any) -> Iterator[str]:
    if found.get("/Type") == Name("/Font") and found.get("/Subtype") != Name("/Type0"):
        yield from _font(found)
    if found.get("/S") in {Name(each) for each in ACTIONS}:
        yield f"an action {found.S}"
    if found.get("/S") == Name("/Named") and found.get("/N") not in {
        Name("/NextPage"), Name("/PrevPage"), Name("/FirstPage"), Name("/LastPage")
    }:  # fmt: skip
        yield f"a named action {found.get('/N')}"
    if found.get("/Type") == Name("/ExtGState"):
        yield from _graphics(found)
    if not isinstance(found, Stream):
        return
    if any(key in found for key in ("/F", "/FFilter", "/FDecodeParms")):
        yield "a stream in another file"
    filters = found.get("/Filter", Array())
    for each in filters if isinstance(filters, Array) else [filters]:
        if each in (Name("/LZWDecode"), Name("/Crypt")):
            yield f"a stream packed by {each}"
    if found.get("/Subtype") == Name("/PS") or found.get("/Subtype2") == Name("/PS") or "/Ref" in found:
        yield "a PostScript or a reference object"
    if found.get("/Subtype") == Name("/Image") and (found.get("/Interpolate") or "/Alternates" in found):
        yield "an image that a reader may change"
    if "/OPI" in found:
        yield "a reference to another image"


def _font(font: Any) -> Iterator[str]:
    name, kind = font.get("/BaseFont", "?"), font.get("/Subtype")
    if kind == Name("/Type3"):
        return
    descriptor = font.get("/FontDescriptor")
    if descriptor is None or not any(key in descriptor for key in FONT_FILES):
        yield f"the font {name} is not inside"
    if kind == Name("/CIDFontType2") and "/CIDToGIDMap" not in font:
        yield f"the font {name} has no map to its glyphs"


def _graphics(state: Any) -> Iterator[str]:
    if "/TR" in state or "/HTP" in state or state.get("/TR2", Name("/Default")) != Name("/Default"):
        yield "a graphics state with a transfer function"
    modes = state.get("/BM", Name("/Normal"))
    for mode in modes if isinstance(modes, Array) else [modes]:
        if str(mode) not in BLEND_MODES:
            yield f"the blend mode {mode}"


def _page(page: pikepdf.Page) -> Iterator[str]:
    if "/AA" in page.obj:
        yield "an action of its own"
    if "/PresSteps" in page.obj:
        yield "steps of a presentation"
    for note in page.obj.get("/Annots", Array()):
        kind, flags = note.get("/Subtype"), int(note.get("/F", 0))
        if kind in (Name("/3D"), Name("/Sound"), Name("/Screen"), Name("/Movie")):
            yield f"an annotation {kind}"
        # Printed, and neither invisible, hidden, unseen nor toggled.
        if kind != Name("/Popup") and not (flags & 4 and not flags & (1 | 2 | 32 | 256)):
            yield f"an annotation {kind} that is not printed as it is seen"
        if "/AA" in note:
            yield f"an annotation {kind} with an action of its own"
    for step in pikepdf.parse_content_stream(page):
        if isinstance(step, pikepdf.ContentStreamInlineImage):
            continue
        if str(step.operator) in CMYK_OPERATORS:
            yield "colours of print without a profile for them"
            break
