"""One case as a sheet to print: to put with the work, or to send to service. As one HTML file, or as PDF.

The content is gathered once as plain text (`sheet_content`) and laid out twice. Whatever people typed is harmless here:
control characters and direction overrides are gone, and each layout escapes or breaks it for itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from advisor.caserow import CaseRow
from advisor.compiled import Compiled
from advisor.paper.printed import INVENTED, moment, safe
from advisor.paper.sheetfiles import AttachedFile, attached_files
from advisor.paper.sheetparts import Section, Teller

__all__ = ["ADVICE", "INVENTED", "Sheet", "sheet_content", "sheet_html", "sheet_pdf"]

ADVICE = "Advice for a trained technician; the machine's own manual and local codes come first."


@dataclass(frozen=True, slots=True)
class Sheet:
    """What stands on the sheet, as plain text; times are UTC."""

    case: str
    made_at: str
    lab: str
    invented: bool
    sections: tuple[Section, ...]
    files: tuple[AttachedFile, ...] = ()


def sheet_content(
    compiled: Compiled,
    data: Mapping[str, Any],
    row: CaseRow,
    attachments: Mapping[str, bytes],
    *,
    invented: bool = False,
    made_at: str = "",
    lab: str = "",
) -> Sheet:
    """The content of the sheet of one case.

    `data` is what `advisor.trail.trail_data` gives, `row` the case's row, `attachments` the bytes of the attached files
    by SHA-256 (hex). `made_at` is the ISO time to print on it. An id that the knowledge no longer has is shown as it is.
    """
    told = Teller(compiled, data, row)
    sections = (
        *(told.head(), told.trouble(), told.cause(), told.measured(), told.looked(), told.worked_out()),
        *(told.done(), told.cautions(), told.notes(), told.review()),
    )
    events = [e for e in told.events if e.get("type") == "attach"]
    return Sheet(
        safe(row.case), moment(made_at), safe(lab), invented, sections, tuple(attached_files(events, attachments))
    )


def sheet_html(
    compiled: Compiled,
    data: Mapping[str, Any],
    row: CaseRow,
    attachments: Mapping[str, bytes],
    *,
    invented: bool = False,
    made_at: str = "",
    lab: str = "",
) -> str:
    """The sheet as one HTML file that needs nothing else: no script, no request. Arguments as `sheet_content`."""
    from advisor.paper.printed import rendered

    sheet = sheet_content(compiled, data, row, attachments, invented=invented, made_at=made_at, lab=lab)
    return rendered("case.html", sheet=sheet, advice=ADVICE, invented_mark=INVENTED)


def sheet_pdf(
    compiled: Compiled,
    data: Mapping[str, Any],
    row: CaseRow,
    attachments: Mapping[str, bytes],
    *,
    invented: bool = False,
    made_at: str = "",
    lab: str = "",
) -> bytes:
    """The sheet as a PDF file of A4 pages. Arguments as `sheet_content`."""
    from advisor.paper.sheetpdf import pdf

    sheet = sheet_content(compiled, data, row, attachments, invented=invented, made_at=made_at, lab=lab)
    return pdf(sheet, ADVICE, INVENTED)
