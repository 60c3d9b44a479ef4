"""Slips to cut apart, one a pupil: the made-up name, the address as a QR code and in letters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shoegoal.card.drawing import INK
from shoegoal.card.pdf import FAINT, MARGIN_MM, PAGE_MM, new_pdf, write

COLUMNS, ROWS = 2, 5
WIDE_MM = (PAGE_MM[0] - 2 * MARGIN_MM) / COLUMNS
TALL_MM = (PAGE_MM[1] - 2 * MARGIN_MM) / ROWS
QR_MM, INSET_MM = 34.0, 5.0
QUIET_MODULES = 4  # ISO/IEC 18004 asks for four light modules around


@dataclass(frozen=True, slots=True)
class SlipSheet:
    """What all slips of a class have in common.

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
    sheet : see there.
    slips : pupil's name and secret of each.
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
        (column * module, row * module, module * 1.01)  # so that no hairline shows between two
        for row, line in enumerate(rows)
        for column, dark in enumerate(line)
        if dark
    ]
