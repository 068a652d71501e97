"""A report as one HTML file: no script, nothing loaded from elsewhere; for A4 and for a phone.

Rules: whatever comes from outside is escaped by the template engine; only the charts, which are made here, are not. The
same report gives the same bytes. Must not know what stands in the report.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup


@lru_cache(maxsize=1)
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("motewatch.links", "report_templates"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html")


def report_html(sheet: Mapping[str, Any]) -> str:
    """The document."""
    # The charts are our own text, with their labels escaped.
    return _template().render(d=sheet, drawn=Markup)
