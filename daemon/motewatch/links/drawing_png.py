"""A drawing (SVG) as PNG, by the typesetter of the reports: its own fonts, so the same picture everywhere.

Rules: the drawing goes in as data and is never read as markup; nothing is fetched from anywhere.
"""

from __future__ import annotations

from typing import Final

DOTS_PER_INCH: Final = 144.0
"""Twice the pixels that the drawing names at 72 to the inch: sharp in a document."""

_SHEET: Final = (
    b"#set page(width: auto, height: auto, margin: 6pt, fill: white)\n"
    b'#image(bytes(sys.inputs.drawing), format: "svg")\n'
)


def png_of(drawing: str) -> bytes:
    """The picture."""
    # 80 MB that only reports and pictures need.
    import typst

    made: bytes = typst.compile(
        _SHEET, format="png", ppi=DOTS_PER_INCH, ignore_system_fonts=True, sys_inputs={"drawing": drawing}
    )
    return made
