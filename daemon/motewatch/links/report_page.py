"""The page of a printed report: one self-contained HTML text for A4, no request to anywhere, no script.

Rules: everything shown is escaped; colour is never the only sign; a table's titles are repeated on each sheet and no
line is torn apart. Text in, text out. Must not know what is reported.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape

SAFETY_NOTE = (
    "Monitoring supports qualified judgement and never replaces it. This report states what the numbers given show by "
    "the rules named; whether they were taken well is for a qualified person to judge and to sign."
)

_CSS = """
@page { size: A4; margin: 16mm 15mm 18mm;
  @bottom-left { content: "%(running)s"; font: 8pt sans-serif; color: #555 }
  @bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt sans-serif; color: #555 } }
* { box-sizing: border-box }
html { font: 9.5pt/1.42 "Liberation Sans", Arial, Helvetica, sans-serif; color: #1a1f24; background: #e9ecef }
body { margin: 0 auto; max-width: 186mm; padding: 14mm 12mm; background: #fff }
@media print { html { background: none } body { max-width: none; padding: 0 } }
h1 { font-size: 16pt; line-height: 1.2; margin: 0 0 1mm; letter-spacing: -0.01em }
h2 { font-size: 11pt; margin: 7mm 0 2mm; padding-bottom: 1mm; border-bottom: 0.3mm solid #1a1f24;
  break-after: avoid }
p { margin: 0 0 2mm }
.sub { color: #4a535c; margin-bottom: 5mm }
.verdict { display: flex; align-items: center; gap: 5mm; border: 0.6mm solid; border-radius: 1.5mm;
  padding: 3.5mm 5mm; margin: 0 0 4mm; break-inside: avoid; -webkit-print-color-adjust: exact;
  print-color-adjust: exact }
.verdict svg { flex: none; width: 13mm; height: 13mm }
.verdict .word { font-size: 15pt; font-weight: bold; line-height: 1.2; color: inherit }
.verdict .why { color: #1a1f24 }
.good { border-color: #1d5f46; color: #1d5f46; background: #eef6f2 }
.bad { border-color: #a32015; color: #a32015; background: #fcefed }
.plain { border-color: #1f4f80; color: #1f4f80; background: #eef3f8 }
.open { border-color: #7a5a00; color: #7a5a00; background: #fbf5e6 }
table { border-collapse: collapse; width: 100%%; font-variant-numeric: tabular-nums }
th, td { text-align: left; vertical-align: top; padding: 1mm 2mm; border-bottom: 0.2mm solid #c9ced3 }
thead th { border-bottom: 0.4mm solid #1a1f24; vertical-align: bottom; font-weight: bold }
thead { display: table-header-group }
tr { break-inside: avoid }
.n { text-align: right; white-space: nowrap } thead .n { white-space: normal }
table.facts { width: 100%% } table.facts th { width: 36%%; font-weight: normal; color: #4a535c }
.blank { display: inline-block; min-width: 60mm; border-bottom: 0.2mm solid #7b848c }
td.exceeds { font-weight: bold; color: #a32015 }
tr.limit td, tr.limit th { background: #f3f5f6; font-weight: bold; -webkit-print-color-adjust: exact;
  print-color-adjust: exact }
figure { margin: 0; break-inside: avoid }
figure svg { display: block; width: 100%%; height: auto; max-height: 92mm; margin: 0 auto }
table + ul, table + p { margin-top: 2.5mm } table + table { margin-top: 4mm }
table.meaning { break-inside: avoid; table-layout: fixed }
table.meaning th:first-child, table.meaning td:first-child { width: 26%% }
table.register td:first-child { width: 23%%; overflow-wrap: anywhere }
table.register td:nth-child(4) { width: 21%% } table.register td:nth-child(5) { width: 20%% }
table.dense td { padding: 0.25mm 2mm; font-size: 8.5pt }
figcaption { color: #4a535c; font-size: 8.5pt; margin-top: 1mm }
ul { margin: 0 0 2mm; padding-left: 5mm } li { margin-bottom: 0.8mm; break-inside: avoid }
.signatures { display: grid; grid-template-columns: 1fr 1fr; gap: 10mm; margin-top: 13mm; break-inside: avoid }
.signatures div { border-top: 0.2mm solid #1a1f24; padding-top: 1mm; color: #4a535c; font-size: 8.5pt }
.note { margin-top: 7mm; padding-top: 2mm; border-top: 0.2mm solid #c9ced3; color: #4a535c; font-size: 8.5pt;
  break-inside: avoid }
"""

_SIGNS = {
    "good": '<circle cx="12" cy="12" r="10.5"/><path d="M6.5 12.5l4 4 7-8.5"/>',
    "bad": '<rect x="1.8" y="1.8" width="20.4" height="20.4" rx="2"/><path d="M7 7l10 10M17 7L7 17"/>',
    "plain": '<path d="M3 2v19h18"/><path d="M6 4c3 9 6 13 14 14"/>',
    "open": '<path d="M12 1.5L22.5 12 12 22.5 1.5 12z"/><path d="M7.5 12h9"/>',
}


_TYPESET = (
    (re.compile(r"\bum\b"), "µm"),
    (re.compile(r"\bm([23])\b"), lambda found: "m" + {"2": "²", "3": "³"}[found[1]]),
    (re.compile(r">= ?"), "≥ "),
)


def typeset(text: str) -> str:
    """Our own words with the signs of print: µm, m², m³, ≥. Never for what somebody else named."""
    for pattern, sign in _TYPESET:
        text = pattern.sub(sign, text)
    return text


def page(title: str, running: str, body: Iterable[str]) -> str:
    """The whole document. `running` stands at the foot of each printed sheet."""
    safe = running.replace("\\", " ").replace('"', "'").replace("\n", " ").replace("<", "(").replace(">", ")")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>{escape(title)}</title>\n<style>{_CSS % {'running': safe}}</style>\n</head>\n<body>\n"
        + "\n".join(body)
        + "\n</body>\n</html>\n"
    )


def heading(title: str, sub: str) -> str:
    """The title and the line under it."""
    return f'<h1>{escape(title)}</h1>\n<p class="sub">{escape(sub)}</p>'


def verdict(kind: str, word: str, why: Iterable[str]) -> str:
    """The result in a frame: `kind` is good, bad, open or plain; a sign, a word and sentences."""
    lines = "".join(f'<div class="why">{escape(text)}</div>' for text in why)
    return (
        f'<div class="verdict {kind}"><svg viewBox="0 0 24 24" fill="none" stroke="currentColor" stroke-width="2.2" '
        f'stroke-linecap="round" stroke-linejoin="round" aria-hidden="true">{_SIGNS[kind]}</svg>'
        f'<div><div class="word">{escape(typeset(word))}</div>{lines}</div></div>'
    )


def facts(rows: Iterable[tuple[str, str | None]]) -> str:
    """What was given, by name. None: a line to be filled in by hand."""
    cells = "".join(
        f"<tr><th>{escape(typeset(name))}</th><td>"
        + ('<span class="blank">&nbsp;</span>' if value is None else escape(value))
        + "</td></tr>"
        for name, value in rows
    )
    return f'<table class="facts"><tbody>{cells}</tbody></table>'


def table(
    titles: Sequence[str],
    rows: Iterable[Sequence[str]],
    numbers: Iterable[int] = (),
    row_classes: Sequence[str] = (),
    cell_class: dict[str, str] | None = None,
    dense: bool = False,
    kind: str = "",
) -> str:
    """A table. `numbers`: columns of figures; `cell_class`: a class for the cells that hold a text; `kind`: a class of
    the table.

    The titles are typeset, the cells are left as they are.
    """
    right = frozenset(numbers)
    marked = cell_class or {}

    def cell(tag: str, at: int, text: str) -> str:
        names = [name for name in ("n" if at in right else "", marked.get(text, "") if tag == "td" else "") if name]
        return f"<{tag}" + (f' class="{" ".join(names)}"' if names else "") + f">{escape(text)}</{tag}>"

    head = "".join(cell("th", at, typeset(title)) for at, title in enumerate(titles))
    lines = []
    for number, row in enumerate(rows):
        name = row_classes[number] if number < len(row_classes) else ""
        cells = "".join(cell("td", at, text) for at, text in enumerate(row))
        lines.append(f'<tr class="{name}">{cells}</tr>' if name else f"<tr>{cells}</tr>")
    names = " ".join(name for name in ("dense" if dense else "", kind) if name)
    attribute = f' class="{names}"' if names else ""
    return f"<table{attribute}><thead><tr>{head}</tr></thead><tbody>{''.join(lines)}</tbody></table>"


def section(title: str, *parts: str) -> str:
    """A heading and what stands under it; empty parts are left out."""
    return f"<h2>{escape(title)}</h2>\n" + "\n".join(part for part in parts if part)


def bullets(texts: Iterable[str]) -> str:
    """A list; empty for no texts."""
    items = "".join(f"<li>{escape(text)}</li>" for text in texts)
    return f"<ul>{items}</ul>" if items else ""


def figure(svg: str, caption: str) -> str:
    """A drawing with its caption."""
    return f"<figure>{svg}<figcaption>{escape(typeset(caption))}</figcaption></figure>"


def closing(
    version: str,
    made: str,
    signs: tuple[str, str] = ("Tested by", "Approved by"),
    note: str = SAFETY_NOTE,
) -> str:
    """Signatures, a note (the safety note, unless said otherwise) and the software's version."""
    blanks = "".join(f"<div>{escape(sign)}: name, signature, date</div>" for sign in signs)
    return (
        f'<div class="signatures">{blanks}</div>\n'
        f'<p class="note">{escape(note)}<br>Made by motewatch {escape(version)}, {escape(made)}.</p>'
    )
