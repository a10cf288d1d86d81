"""ReportView -> report.html and report.pdf, from the same templates.

The HTML is one file that refers to nothing outside itself; a content policy inside it forbids
the browser to fetch anything. Both files carry no clock: the same view gives the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path

import jinja2
from markupsafe import Markup, escape

from accuracy.files import write_atomically
from accuracy.reporting import words
from accuracy.reporting.svg import clean
from accuracy.reporting.view import ReportView

HTML_NAME = "report.html"
PDF_NAME = "report.pdf"
_TEMPLATES = "accuracy.templates"
_FONTS = ("text-regular", "text-semibold", "text-italic", "heading-semibold")


@dataclass(frozen=True, slots=True)
class Written:
    """What was written, and in words what could not be."""

    paths: tuple[Path, ...]
    message: str | None = None


def _terms(text: str) -> Markup:
    """RMSE_V, Accuracy_z and their kin with a lowered letter, as the standards print them."""
    lowered = re.sub(r"\bRMSE_?(3D|[HVXYZr])\b", r"RMSE<sub>\1</sub>", str(escape(clean(text))))
    return Markup(re.sub(r"\bAccuracy_([rz])\b", r"Accuracy<sub>\1</sub>", lowered))  # noqa: S704


@cache
def _environment() -> jinja2.Environment:
    def load(name: str) -> str | None:
        found = resources.files(_TEMPLATES).joinpath(name)
        return found.read_text("utf-8") if found.is_file() else None

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(load),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=lambda value: clean(value) if type(value) is str else value,
    )
    environment.filters["terms"] = _terms
    # SVG is made by our own functions, which escape every word that they draw.
    environment.filters["drawing"] = Markup
    return environment


@cache
def _style() -> str:
    folder = resources.files(_TEMPLATES)
    css = folder.joinpath("report.css").read_text("utf-8")
    for name in _FONTS:
        data = base64.b64encode(folder.joinpath("fonts", f"{name}.woff2").read_bytes()).decode("ascii")
        css = css.replace(f"url(fonts/{name}.woff2)", f"url(data:font/woff2;base64,{data})")
    return css


def fill(template: str, **prepared: object) -> str:
    """A template filled with prepared texts and the report's style."""
    return _environment().get_template(template).render(style=Markup(_style()), **prepared)  # noqa: S704


def html_text(view: ReportView) -> str:
    """The whole report as one HTML document."""
    script = resources.files(_TEMPLATES).joinpath("report.js").read_text("utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
    return fill(
        "report.html.j2",
        view=view,
        script=Markup(script),  # noqa: S704 - our own file, not input
        script_hash=digest,
    )


def pdf_possible() -> bool:
    """Whether this machine has the Pango library that the PDF needs."""
    try:
        import weasyprint  # noqa: F401
    except OSError:
        return False
    return True


def pdf_bytes(html: str) -> bytes:
    """The document as a tagged PDF. Raises OSError where the Pango library is missing."""
    import weasyprint

    digest = hashlib.sha256(html.encode("utf-8", "surrogatepass")).digest()[:16]
    document = weasyprint.HTML(
        string=html, base_url=None, url_fetcher=weasyprint.URLFetcher(allowed_protocols=["data"])
    )
    data: bytes = document.write_pdf(pdf_variant="pdf/ua-1", pdf_identifier=digest.hex().encode("ascii"))
    return data


def write_report(view: ReportView, out_dir: Path, *, pdf: bool = True) -> Written:
    """Write report.html and, where it can be made, report.pdf into ``out_dir``.

    Where the PDF cannot be made because Pango is missing, the HTML is still written and the
    message says how to get the PDF. An older report.pdf is removed wherever none is written, since it
    would speak of another record.
    """
    html = html_text(view)
    html_path, pdf_path = out_dir / HTML_NAME, out_dir / PDF_NAME
    write_atomically(html_path, html.encode("utf-8", "replace"))
    if not pdf:
        pdf_path.unlink(missing_ok=True)
        return Written((html_path,))
    try:
        data = pdf_bytes(html)
    except OSError as error:
        pdf_path.unlink(missing_ok=True)
        return Written((html_path,), words.PDF_MISSING.format(error=str(error).splitlines()[0]))
    write_atomically(pdf_path, data)
    return Written((html_path, pdf_path))
