"""Cards and slips for paper: the cards as HTML and as PDF, and the slips to hand in with."""

from __future__ import annotations

import logging
from collections.abc import Generator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import resources
from typing import TYPE_CHECKING, Any

from shoegoal.card.content import Section, StageCard, Timed, TimedCard
from shoegoal.card.plan import INK, Disc, Drawing, Label, Path, Pen, svg_of

if TYPE_CHECKING:
    from fpdf import FPDF
    from fpdf.fonts import TTFFont

FONT = "DejaVu"
MARGIN_MM, GAP_MM, PAGE_MM = 12.0, 7.0, (210.0, 297.0)
COLUMNS, ROWS = 2, 5
INNER_MM = PAGE_MM[0] - 2 * MARGIN_MM
FAINT = "#55636e"
CAUTION = "#b3462b"
_POINTS_A_MM = 72.0 / 25.4
WIDE_MM = (PAGE_MM[0] - 2 * MARGIN_MM) / COLUMNS
TALL_MM = (PAGE_MM[1] - 2 * MARGIN_MM) / ROWS
QUIET_MODULES = 4  # ISO/IEC 18004 asks for four light modules around


def html_of(cards: Sequence[StageCard], timed: TimedCard) -> str:
    """Lay the cards out, one printed page each."""
    from jinja2 import Environment

    template = (resources.files("shoegoal.card") / "card.html").read_text(encoding="utf-8")
    page = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(template)
    return page.render(cards=cards, timed=timed, svg_of=svg_of, clocked=clocked)


def clocked(lines: Sequence[Timed]) -> list[dict[str, Any]]:
    """Add a running clock to timed lines: ``0:30`` to ``1:00``."""
    rows, now_s = [], 0
    for line in lines:
        rows.append(
            {
                "line": line,
                "from": clock(now_s),
                "to": clock(now_s + line.time_s),
            }
        )
        now_s += line.time_s
    return rows


def clock(time_s: int) -> str:
    """Write minutes and seconds."""
    return f"{time_s // 60}:{time_s % 60:02d}"


def pdf_of(cards: Sequence[StageCard], timed: TimedCard) -> bytes:
    """Lay the cards out, one page each; the same cards give the same bytes."""
    with new_pdf(f"{timed.above}: cards") as pdf:
        for card in cards:
            _stage_page(pdf, card)
        _timed_page(pdf, timed)
        return bytes(pdf.output())


def letters_missing(cards: Sequence[StageCard], timed: TimedCard) -> str:
    """Return letters of the titles that the PDF's font lacks; a browser uses other fonts."""
    with new_pdf("") as pdf:
        known = {code for font in _fonts(pdf) for code in font.cmap}
    words = " ".join([timed.above, *(f"{card.above} {card.title}" for card in cards)])
    return "".join(sorted({letter for letter in words if ord(letter) not in known}))


@contextmanager
def new_pdf(title: str) -> Generator[FPDF, None, None]:
    """Start an A4 document with this module's fonts, without a page yet."""
    from fpdf import FPDF

    logging.getLogger("fontTools").setLevel(logging.ERROR)  # it logs every table that it drops
    pdf = FPDF(format="A4")
    fonts = resources.files("matplotlib") / "mpl-data" / "fonts" / "ttf"
    pdf.add_font(FONT, "", str(fonts / "DejaVuSans.ttf"))
    pdf.add_font(FONT, "B", str(fonts / "DejaVuSans-Bold.ttf"))
    pdf.set_auto_page_break(False)
    pdf.set_margin(MARGIN_MM)
    pdf.c_margin = 0.0
    pdf.set_title(title)
    pdf.set_lang("en")
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))
    try:
        yield pdf
    finally:
        for font in _fonts(pdf):
            font.ttfont.close()  # fpdf2 leaves files open


def _fonts(pdf: FPDF) -> Iterator[TTFFont]:
    from fpdf.fonts import TTFFont

    yield from (font for font in pdf.fonts.values() if isinstance(font, TTFFont))


def _stage_page(pdf: FPDF, card: StageCard) -> None:
    pdf.add_page()
    top = _heading(pdf, card.above, card.title, card.task) + 4.0
    y = top
    wide = card.drawings[0].width_mm
    for drawing in card.drawings:
        _draw(pdf, drawing, MARGIN_MM, y)
        y += drawing.height_mm + 3.0
    y = write(pdf, card.drawing_note, MARGIN_MM, y, wide, 8.5, colour=FAINT)
    at, beside = MARGIN_MM + wide + GAP_MM, top
    for section in card.sections:
        beside = _section(pdf, section, at, beside, INNER_MM - wide - GAP_MM, 9.5) + 3.0
    _cautions(pdf, card.cautions, max(y, beside) + 3.0, 8.5)


def _timed_page(pdf: FPDF, card: TimedCard) -> None:
    pdf.add_page()
    y = _heading(pdf, card.above, card.title, "") + 4.0
    for title, lines in card.parts:
        y = write(pdf, title, MARGIN_MM, y, INNER_MM, 12.0, bold=True) + 1.0
        for row in clocked(lines):
            line = row["line"]
            write(pdf, f"{row['from']} to {row['to']}", MARGIN_MM, y + 1.5, 26.0, 10.0)
            y = write(pdf, line.what, MARGIN_MM + 28.0, y + 1.5, INNER_MM - 28.0, 10.0, bold=True)
            y = write(pdf, line.how, MARGIN_MM + 28.0, y, INNER_MM - 28.0, 9.5) + 1.5
            _rule(pdf, y, 0.15)
        y += 5.0
    y = write(
        pdf, "What went well today, and what to try next time:", MARGIN_MM, y, INNER_MM, 9.0,
        colour=FAINT,
    )  # fmt: skip
    for _ in range(2):
        y += 9.0
        _rule(pdf, y, 0.25)
    _cautions(pdf, card.cautions, y + 7.0, 8.5)


def _heading(pdf: FPDF, above: str, title: str, task: str) -> float:
    y = write(pdf, above, MARGIN_MM, MARGIN_MM, INNER_MM, 9.0, colour=FAINT) + 1.0
    y = write(pdf, title, MARGIN_MM, y, INNER_MM, 18.0, bold=True)
    if task:
        y = write(pdf, task, MARGIN_MM, y + 0.5, INNER_MM, 12.0)
    _rule(pdf, y + 1.5, 0.5)
    return y + 1.5


def _cautions(pdf: FPDF, section: Section, y: float, size_pt: float) -> None:
    begin, inner = y, INNER_MM - 8.0
    y = write(pdf, section.heading, MARGIN_MM + 4.0, y + 2.5, inner, 10.5, bold=True) + 0.5
    for line in section.lines:
        y = _item(pdf, "•", line, MARGIN_MM + 4.0, y, inner, size_pt)
    pdf.set_draw_color(CAUTION)
    pdf.set_line_width(0.4)
    pdf.rect(MARGIN_MM, begin, INNER_MM, y + 2.0 - begin)


def _section(pdf: FPDF, section: Section, x: float, y: float, wide: float, size_pt: float) -> float:
    y = write(pdf, section.heading, x, y, wide, 11.0, bold=True) + 0.8
    for number, line in enumerate(section.lines, start=1):
        y = _item(pdf, f"{number}." if section.numbered else "•", line, x, y, wide, size_pt)
    return y


def _item(
    pdf: FPDF, mark: str, words: str, x: float, y: float, wide: float, size_pt: float
) -> float:
    write(pdf, mark, x, y, 5.0, size_pt)
    return write(pdf, words, x + 5.0, y, wide - 5.0, size_pt) + 0.8


def write(
    pdf: FPDF,
    words: str,
    x: float,
    y: float,
    wide: float,
    size_pt: float,
    *,
    bold: bool = False,
    colour: str = INK,
) -> float:
    """Write a paragraph from its upper left corner; return where it ends."""
    pdf.set_font(FONT, "B" if bold else "", size_pt)
    pdf.set_text_color(colour)
    pdf.set_xy(x, y)
    pdf.multi_cell(wide, 1.3 * size_pt / _POINTS_A_MM, words, align="L", new_x="LEFT", new_y="NEXT")
    return float(pdf.get_y())


def _rule(pdf: FPDF, y: float, width_mm: float) -> None:
    pdf.set_draw_color(INK)
    pdf.set_line_width(width_mm)
    pdf.line(MARGIN_MM, y, PAGE_MM[0] - MARGIN_MM, y)


def _draw(pdf: FPDF, drawing: Drawing, x: float, y: float) -> None:
    for shape in drawing.shapes:
        match shape:
            case Path(points, pen, closed):
                placed = [(x + px, y + py) for px, py in points]
                for style in _styles(pdf, pen):
                    if closed:
                        pdf.polygon(placed, style=style)
                    else:
                        pdf.polyline(placed)
            case Disc((cx, cy), radius, pen):
                for style in _styles(pdf, pen):
                    pdf.circle(x + cx, y + cy, radius, style=style)
            case Label((px, py), words, size, anchor, colour, bold):
                pdf.set_font(FONT, "B" if bold else "", size * _POINTS_A_MM)
                pdf.set_text_color(colour)
                shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
                pdf.text(x + px - shift * pdf.get_string_width(words), y + py, words)
    pdf.set_dash_pattern()


def _styles(pdf: FPDF, pen: Pen) -> Iterator[str]:
    """Draw with a pen: the fill first, then the outline."""
    if pen.fill is not None:
        pdf.set_fill_color(pen.fill)
        yield "F"
    if pen.stroke is not None:
        pdf.set_draw_color(pen.stroke)
        pdf.set_line_width(pen.width_mm)
        pdf.set_dash_pattern(*(() if pen.dash_mm is None else (pen.dash_mm, pen.dash_mm)))
        yield "D"


QR_MM, INSET_MM = 34.0, 5.0


@dataclass(frozen=True, slots=True)
class SlipSheet:
    """The common content of a class's slips.

    Attributes
    ----------
    class_name, above : printed on each.
    link : the class's address; a pupil's own code follows it.
    """

    class_name: str
    above: str
    link: str


def slips_pdf(sheet: SlipSheet, slips: Sequence[tuple[str, str]]) -> bytes:
    """Lay slips out on A4, ten a page.

    Parameters
    ----------
    sheet : common to all.
    slips : each pupil's name and secret.
    """
    with new_pdf(f"{sheet.class_name}: slips") as pdf:
        for place, (pupil, secret) in enumerate(slips):
            on_page = place % (COLUMNS * ROWS)
            if on_page == 0:
                pdf.add_page()
            x = MARGIN_MM + (on_page % COLUMNS) * WIDE_MM
            y = MARGIN_MM + (on_page // COLUMNS) * TALL_MM
            pdf.set_draw_color(FAINT)
            pdf.set_line_width(0.2)
            pdf.set_dash_pattern(1.5, 1.5)
            pdf.rect(x, y, WIDE_MM, TALL_MM)
            pdf.set_dash_pattern()
            pdf.set_fill_color(INK)
            for left, top, side in qr_squares(f"{sheet.link}/{secret}", QR_MM):
                pdf.rect(x + INSET_MM + left, y + INSET_MM + top, side, side, style="F")
            at, wide = x + INSET_MM + QR_MM + 2.0, WIDE_MM - QR_MM - 2 * INSET_MM - 2.0
            below = write(pdf, f"{sheet.above} · {sheet.class_name}", at, y + INSET_MM, wide, 7.5,
                          colour=FAINT)  # fmt: skip
            below = write(pdf, pupil, at, below + 1.0, wide, 14.0, bold=True)
            write(pdf, "Hand in your clips with this slip. Keep it to yourself.", at, below + 1.0,
                  wide, 8.5)  # fmt: skip
            foot = write(pdf, "No camera at hand? Open", x + INSET_MM, y + INSET_MM + QR_MM + 0.5,
                         WIDE_MM - 2 * INSET_MM, 7.0, colour=FAINT)  # fmt: skip
            write(pdf, f"{sheet.link}  and type  {secret}", x + INSET_MM, foot,
                  WIDE_MM - 2 * INSET_MM, 7.0)  # fmt: skip
        return bytes(pdf.output())


def qr_squares(words: str, side_mm: float) -> list[tuple[float, float, float]]:
    """Draw a QR code (ISO/IEC 18004) as dark squares: left, top and side, mm."""
    import segno

    rows = list(segno.make_qr(words, error="m").matrix_iter(border=QUIET_MODULES))
    module = side_mm / len(rows)
    return [
        (column * module, row * module, module * 1.01)  # so that no gap shows between neighbours
        for row, line in enumerate(rows)
        for column, dark in enumerate(line)
        if dark
    ]
