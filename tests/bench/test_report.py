"""
The report: whole, alike on every run, one page, and deaf to markup in names.
"""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from http.server import BaseHTTPRequestHandler, HTTPServer
from threading import Thread

import pytest

from pipeline.bench.facts import facts, stated
from pipeline.bench.pictures import pictures
from pipeline.bench.report import report_html, report_pdf
from tests.bench.benches import SHEET
from tests.bench.calibrated import outcome

pytest.importorskip("matplotlib", reason="the extra `report` is not installed")
pytest.importorskip("jinja2", reason="the extra `report` is not installed")
CAUTIONS = ("No alarm does not mean safe.", "Gauges can fail quietly.")
pytestmark = pytest.mark.slow


def page(name: str = "plain", sheet: str = SHEET) -> str:
    """The report of a plan."""
    return report_html(outcome(name, sheet), CAUTIONS, "0.0")


class Tags(HTMLParser):
    """Counts opening tags."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.names: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        """Remember the tag."""
        self.names.append(tag)


def test_the_report_shows_everything_that_is_asked_of_it() -> None:
    """Eight pictures with captions, every table, each caution and each remark."""
    text = page()

    assert Tags(text).names.count("svg") == 8
    for words in (
        "Response over time",
        "δ against strain, and what the curve misses",
        "Factor against strain",
        "Hysteresis loop",
        "Repeatability and reproducibility",
        "Zero return",
        "Creep in the hold",
        "Foil gauge on the same bar",
        "ISO 5725-2",
        "ANOVA",
        "Acceptance by the limits of the sheet",
        *CAUTIONS,
        *outcome("plain").remarks,
        outcome("plain").figures.sha256,
    ):
        assert words.replace("'", "&#39;") in text


def test_every_axis_has_its_quantity_and_unit() -> None:
    """The texts of the pictures, which stay text in the page."""
    drawn = pictures(outcome("plain").figures)
    labels = {name: re.sub(r"<[^>]+>", " ", svg) for name, svg in drawn.items()}

    for name, words in {
        "time": ("time [min]", "δ [10⁻³]"),
        "delta": ("applied strain [µm/m]", "residual"),
        "factor": ("applied strain [µm/m]", "factor"),
        "loop": ("applied strain [µm/m]", "[% FS]"),
        "zeros": ("zero return [% FS]",),
        "holds": ("time in the hold [min]", "change of δ [%]"),
        "foil": ("strain by beam theory [µm/m]", "foil − beam [µm/m]"),
    }.items():
        for one in words:
            assert one in labels[name]


def test_the_same_bench_gives_the_same_bytes() -> None:
    """No date, no random name in it."""
    assert page() == page()


def test_markup_in_names_stays_text() -> None:
    """Notes and authors are other people's input."""
    hostile = "<script>alert(1)</script>"
    sheet = SHEET.replace("Ines Oakhollow", hostile).replace("two clampings", "<img src=x>")

    text = page("plain", sheet)

    assert "script" not in Tags(text).names
    assert "img" not in Tags(text).names
    assert "&lt;script&gt;" in text


def test_a_bench_without_foil_and_hold_has_fewer_pictures() -> None:
    """One gauge, no foil: what was not run is not drawn."""
    drawn = pictures(outcome("one gauge").figures)

    assert "foil" not in drawn
    assert "holds" in drawn
    assert "holds" not in pictures(outcome("levelling").figures)


def test_an_unfit_gauge_stands_out_with_its_reason() -> None:
    """A limit that every gauge exceeds."""
    text = page("plain", SHEET.replace("linearity_percent = 12.0", "linearity_percent = 0.5"))

    assert text.count("NOT FIT") >= 3
    assert "linearity error" in text


def test_the_pdf_is_one_page() -> None:
    """Three gauges by three runs fit on one sheet of A4."""
    weasyprint = pytest.importorskip("weasyprint", reason="the extra `report` is not installed")
    text = page()

    document = weasyprint.HTML(string=text).render()

    assert len(document.pages) == 1
    assert report_pdf(text).startswith(b"%PDF-")


def test_the_pdf_fetches_nothing() -> None:
    """An address in the page is never asked for anything."""
    pytest.importorskip("weasyprint", reason="the extra `report` is not installed")
    asked: list[str] = []

    class Listener(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

    with HTTPServer(("127.0.0.1", 0), Listener) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        address = f"http://127.0.0.1:{server.server_port}/x.png"
        payload = report_pdf(f'<p>one</p><img src="{address}"><link href="{address}" rel=icon>')
        server.shutdown()

    assert payload.startswith(b"%PDF-")
    assert asked == []


def test_budget_adds_up() -> None:
    """Shares of the uncertainty of the factor: together is the root of the sum of their squares."""
    rows = {
        row[0]: float(row[1].removesuffix(" %")) for row in facts(outcome("plain").figures).budget
    }
    together, u95 = rows.pop("together, ν effective"), rows.pop("U95")

    assert sum(share**2 for share in rows.values()) ** 0.5 == pytest.approx(together, abs=0.011)
    assert u95 > 2.0 * together  # three gauges: Student's factor is above 2


@pytest.mark.parametrize(
    ("value", "u95", "words"),
    [
        (19.9203, 1.02, "19.9 ± 1.0"),
        (2.0813, 0.0104, "2.081 ± 0.010"),
        (1234.0, 56.7, "1234 ± 57"),
        (5.0, 0.0, "5"),
    ],
)
def test_a_value_is_stated_to_the_digits_of_its_uncertainty(
    value: float, u95: float, words: str
) -> None:
    """JCGM 100, 7.2.6: two figures of U, the value to the same place."""
    assert stated(value, u95) == words


def test_a_report_without_limits_says_that_nothing_was_judged() -> None:
    """No built-in limits."""
    start, end = SHEET.index("[acceptance]"), SHEET.index("[reference]")
    one = outcome("plain", SHEET[:start] + SHEET[end:])

    assert {row[-1] for row in facts(one.figures).verdicts} == {"not judged"}
    assert any("no gauge was judged" in remark for remark in one.remarks)
    assert replace(one, remarks=()).text.count("# ") == 2
