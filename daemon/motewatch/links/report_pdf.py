"""A report as PDF/A-2b, set by Typst.

Rules: the data go in as one JSON text and are never read as markup. The same report gives the same bytes: the fonts are
the typesetter's own, and the time in the file is the end of the report's time, not the moment of making. Nothing is
fetched from anywhere. Must not know what stands in the report.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import as_file, files
from typing import Any

from motewatch.site.instants import instant


def report_pdf(sheet: Mapping[str, Any]) -> bytes:
    """The document."""
    # 80 MB that only reports need.
    import typst

    stamp = instant(int(sheet["stamp_us"])).replace(microsecond=0)
    with as_file(files("motewatch.links") / "report_templates" / "report.typ") as template:
        made: bytes = typst.compile(
            template,
            root=template.parent,
            ignore_system_fonts=True,
            format="pdf",
            sys_inputs={"data": json.dumps(sheet, ensure_ascii=False)},
            pdf_standards=["a-2b"],
            timestamp=stamp,
        )
    return made
