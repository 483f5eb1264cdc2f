"""
The report of a bench as one self-contained HTML page, and the same page as PDF.

HTML with its pictures inside is the record; the PDF is made from it. Nothing is fetched: a name
or a note that looks like markup stays text.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.bench.climate_pictures import climate_pictures
from pipeline.bench.facts import estimates, facts, left_out_words
from pipeline.bench.outcome import Outcome
from pipeline.bench.pictures import pictures
from pipeline.errors import StationError

_TEMPLATE = "report.html.j2"
_EXTRA = "Install the extra: pip install 'spanwarden[report]'"


def report_html(outcome: Outcome, cautions: Sequence[str], version: str) -> str:
    """
    The report as HTML: one page of the bench, and one of the climate where there is any.

    Args:
        outcome: of the bench folder.
        cautions: what everybody who meets a figure must have read.
        version: of the software.

    Raises:
        StationError: the libraries of the extra `report` are not installed.
    """
    try:
        from jinja2 import Environment, FileSystemLoader, StrictUndefined
        from markupsafe import Markup

        drawn = {name: Markup(svg) for name, svg in pictures(outcome.figures).items()}
        climate = {name: Markup(svg) for name, svg in climate_pictures(outcome).items()}
    except ModuleNotFoundError as error:
        raise StationError(f"no report: {error.name} is not installed. {_EXTRA}.") from error
    found = outcome.figures
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(_TEMPLATE).render(
        calibration=outcome.calibration,
        sheet=found.bench.sheet,
        facts=facts(found),
        estimates=estimates(outcome),
        pictures=drawn,
        climate=climate,
        left_out=left_out_words(found),
        remarks=outcome.remarks,
        cautions=cautions,
        version=version,
        full_scale=f"{found.full_scale * 1e6:.0f}",
        sha256=found.sha256,
    )


def report_pdf(html: str) -> bytes:
    """
    The PDF of a report.

    Raises:
        StationError: the library, or Pango which it stands on, is not installed.
    """
    try:
        from weasyprint import HTML, URLFetcher  # type: ignore[import-untyped, unused-ignore] # carries no types
    except ModuleNotFoundError as error:
        raise StationError(f"no PDF: {error.name} is not installed. {_EXTRA}.") from error
    except OSError as error:  # the library loads Pango when it is imported
        raise StationError(
            f"no PDF: {error}. Install Pango: apt-get install libpango-1.0-0 libpangoft2-1.0-0; "
            "the HTML report is complete without it."
        ) from error
    nothing = URLFetcher(allowed_protocols=())  # a report holds all that it shows
    return bytes(HTML(string=html, url_fetcher=nothing).write_pdf())
