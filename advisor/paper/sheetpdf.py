"""The case sheet as PDF, with fonts that are at hand (DejaVu, as matplotlib ships them); no network."""

from __future__ import annotations

import io
import logging
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from advisor.paper.casesheet import Sheet
    from advisor.paper.sheetfiles import AttachedFile
    from advisor.paper.sheetparts import Section

__all__ = ["pdf"]

_WIDE = 182.0  # mm of an A4 page between its margins
_LABEL = 34.0  # mm for the names of facts
_GREY = 90
_NO_GLYPH = "□"


def pdf(sheet: Sheet, advice: str, invented_mark: str) -> bytes:
    """The sheet laid out on A4 pages."""
    page = _Page(sheet, advice, invented_mark if sheet.invented else "")
    for section in sheet.sections:
        page.section(section)
    page.files(sheet.files)
    page.signatures()
    return page.bytes()


class _Page:
    """An open document and the few shapes the sheet is made of."""

    def __init__(self, sheet: Sheet, advice: str, mark: str) -> None:
        import matplotlib
        from fpdf import FPDF
        from fpdf.fonts import TTFFont

        fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        self.sheet, self.advice, self.mark = sheet, advice, mark
        self.lost = False
        outer = self

        class Document(FPDF):
            def header(self) -> None:
                outer.running_head()

            def footer(self) -> None:
                outer.running_foot()

        logging.getLogger("fontTools").setLevel(logging.ERROR)
        logging.getLogger("fpdf").setLevel(logging.ERROR)
        self.doc = doc = Document(format="A4")
        for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
            doc.add_font("body", style, fonts / name)
        self.known = frozenset.intersection(
            *(frozenset(font.cmap) for font in doc.fonts.values() if isinstance(font, TTFFont))
        )
        doc.set_margins(14, 14, 14)
        doc.set_auto_page_break(True, 20)
        title = f"{'INVENTED DATA. ' if mark else ''}Case sheet {sheet.case}"
        doc.set_title(self.text(title))
        doc.set_lang("en-GB")
        doc.set_creator("advisor")
        doc.set_creation_date(_when(sheet.made_at))
        doc.add_page()
        doc.set_font("body", "B", 16)
        doc.multi_cell(0, 8, self.text(f"Case sheet {sheet.case}"), new_x="LMARGIN", new_y="NEXT", align="L")
        doc.set_font("body", "", 8.5)
        doc.set_text_color(_GREY)
        lab = f"{sheet.lab}. " if sheet.lab else ""
        made = f"Printed {sheet.made_at}. " if sheet.made_at else ""
        self.paragraph(f"{lab}{made}All times are UTC.", 8.5)
        doc.set_text_color(0)
        doc.ln(1.5)

    def text(self, text: str) -> str:
        """The text with a box for every character the font lacks."""
        if all(ord(ch) in self.known for ch in text):
            return text
        self.lost = True
        return "".join(ch if ord(ch) in self.known else _NO_GLYPH for ch in text)

    def lines(self, width: float, text: str) -> int:
        """Lines that a text takes at this width, in the font that is set."""
        found = self.doc.multi_cell(width, 1, text, dry_run=True, output="LINES", align="L")
        return len(found) if isinstance(found, list) else 1

    def running_head(self) -> None:
        if self.mark:
            self.doc.set_font("body", "B", 9)
            self.doc.cell(0, 6, self.mark, border=1, align="C", new_x="LMARGIN", new_y="NEXT")
            self.doc.ln(2)

    def running_foot(self) -> None:
        doc = self.doc
        doc.set_y(-15)
        doc.set_font("body", "", 7.5)
        doc.set_text_color(_GREY)
        doc.multi_cell(0, 3.6, self.advice, new_x="LMARGIN", new_y="NEXT", align="L")
        mark = f"{self.mark}. " if self.mark else ""
        case = self.text(self.sheet.case[:60])
        doc.cell(0, 3.6, f"{mark}Case {case}, page {doc.page_no()} of {{nb}}", align="L")
        doc.set_text_color(0)

    def paragraph(self, text: str, size: float = 9.5, bold: bool = False) -> None:
        self.doc.set_font("body", "B" if bold else "", size)
        self.doc.multi_cell(0, size * 0.47, self.text(text), new_x="LMARGIN", new_y="NEXT", align="L")

    def heading(self, text: str) -> None:
        doc = self.doc
        if doc.will_page_break(28):
            doc.add_page()
        doc.ln(2.5)
        doc.set_draw_color(_GREY)
        doc.line(doc.l_margin, doc.get_y(), doc.l_margin + _WIDE, doc.get_y())
        doc.ln(1.2)
        doc.set_font("body", "B", 11)
        doc.start_section(self.text(text))
        doc.cell(0, 6.5, self.text(text), new_x="LMARGIN", new_y="NEXT")

    def section(self, section: Section) -> None:
        if section.bare and not section.empty:
            return
        if section.title:
            self.heading(section.title)
        if section.notice:
            from fpdf.util import Padding

            self.doc.set_font("body", "B", 9.5)
            self.doc.multi_cell(
                0,
                5,
                self.text(section.notice),
                border=1,
                new_x="LMARGIN",
                new_y="NEXT",
                align="L",
                padding=Padding(1.5, 1.5, 1.5, 1.5),
            )
            self.doc.ln(1.5)
        for label, text in section.facts:
            self.pair(label, text)
        if section.rows:
            self.doc.ln(1)
            self.table(section)
        for when, text in section.items:
            self.pair(when, text)
        if section.bare:
            self.paragraph(section.empty)

    def pair(self, label: str, text: str) -> None:
        """A label in grey and its text beside it; both break as they need."""
        doc = self.doc
        if doc.will_page_break(6):
            doc.add_page()
        doc.set_font("body", "", 8.5)
        doc.set_text_color(_GREY)
        top, page = doc.get_y(), doc.page_no()
        doc.multi_cell(_LABEL, 4.6, self.text(label), new_x="RIGHT", new_y="TOP", align="L")
        under = top + 4.6 * self.lines(_LABEL, self.text(label))
        doc.set_text_color(0)
        doc.set_font("body", "", 9.5)
        doc.set_left_margin(doc.l_margin + _LABEL)  # so that a text that runs over the page stays in its column
        doc.set_xy(doc.l_margin, top)
        doc.multi_cell(_WIDE - _LABEL, 4.6, self.text(text), new_x="LMARGIN", new_y="NEXT", align="L")
        doc.set_left_margin(doc.l_margin - _LABEL)
        doc.set_x(doc.l_margin)
        if doc.page_no() == page and doc.get_y() < under:
            doc.set_y(under)

    def table(self, section: Section) -> None:
        from fpdf.enums import TableBordersLayout
        from fpdf.fonts import FontFace

        doc = self.doc
        doc.set_font("body", "", 8.5)
        doc.set_draw_color(_GREY)
        with doc.table(
            width=_WIDE,
            align="L",
            col_widths=section.widths,
            text_align="L",
            v_align="T",
            line_height=4.1,
            padding=(0.9, 1.6, 0.9, 0),
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=FontFace(emphasis="BOLD"),
        ) as table:
            for row in (section.head, *section.rows):
                cells = table.row()
                for text in row:
                    cells.cell(self.text(text))

    def files(self, files: tuple[AttachedFile, ...]) -> None:
        self.heading("Attached files")
        for file in files:
            if file.picture is None:
                remark = f": {file.remark}" if file.remark else ""
                self.paragraph(f"{file.name}, {file.size}, {file.digest}{remark}")
        shown = [file for file in files if file.picture is not None]
        for left, right in zip(shown[::2], [*shown[1::2], None], strict=False):
            self.pictures(left, right)
        if not files:
            self.paragraph("None.")

    def pictures(self, *files: AttachedFile | None) -> None:
        """Up to two pictures beside each other, each over its name."""
        doc, most, gap = self.doc, 88.0, 6.0
        placed = []
        for file in files:
            if file is not None and file.picture is not None:
                scale = min(most / file.picture.width, most / file.picture.height, 25.4 / 72)
                placed.append((file, file.picture, file.picture.width * scale, file.picture.height * scale))
        tallest = max(height for _, _, _, height in placed)
        doc.set_font("body", "", 7.5)
        names = [self.text(f"{file.name}, {file.size}, {file.digest}") for file, *_ in placed]
        lines = max(self.lines(most, name) for name in names)
        if doc.will_page_break(tallest + 3.6 * lines + 4):
            doc.add_page()
        doc.ln(1.5)
        top = doc.get_y()
        for place, (file, shown, width, height) in enumerate(placed):
            x = doc.l_margin + place * (most + gap)
            alt = self.text(f"Attached picture {file.name}")
            doc.image(io.BytesIO(shown.data), x, top + tallest - height, width, height, alt_text=alt)
            doc.set_font("body", "", 7.5)
            doc.set_xy(x, top + tallest + 1)
            doc.multi_cell(most, 3.6, names[place], align="L")
        doc.set_xy(doc.l_margin, top + tallest + 3.6 * lines + 3)

    def signatures(self) -> None:
        doc = self.doc
        if doc.will_page_break(48):
            doc.add_page()
        self.heading("Signatures")
        doc.ln(17)
        y = doc.get_y()
        doc.set_draw_color(0)
        for place, who in enumerate(("Technician", "Supervisor")):
            x = doc.l_margin + place * 96
            doc.line(x, y, x + 84, y)
            doc.set_font("body", "", 8.5)
            doc.set_xy(x, y + 1)
            doc.cell(84, 4.5, f"{who}: name, date")
        doc.set_xy(doc.l_margin, y + 9)
        self.paragraph(self.advice, bold=True)
        if self.lost:
            doc.ln(1)
            self.paragraph(f"{_NO_GLYPH}: a character that this font lacks; the HTML sheet has it.", 8)

    def bytes(self) -> bytes:
        return bytes(self.doc.output())


def _when(made_at: str) -> Any:
    try:
        return datetime.fromisoformat(made_at).replace(tzinfo=UTC)
    except ValueError:
        return datetime(2000, 1, 1, tzinfo=UTC)
