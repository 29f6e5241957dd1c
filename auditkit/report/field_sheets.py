"""Field sheets: one workbook a kind of record, made from its contract, to be filled in and read as it comes back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from auditkit.contracts import Column, Contract
from auditkit.intake.remarks import NO_RECORDS, REMARK
from auditkit.report.stable_workbook import put_cell, workbook_bytes
from auditkit.trade.grounding import CAUTIONS, RUN_RULES, STARTUP_RULES
from auditkit.units import quantity_of
from auditkit.views.dictionary import may_hold, rule_words
from auditkit.views.sentences import unit_sign

if TYPE_CHECKING:
    from openpyxl.worksheet.datavalidation import DataValidation

__all__ = [
    "OPEN_WORD",
    "carries_cautions",
    "example_of",
    "field_sheet",
    "guide_lines",
    "heading",
    "is_resistance",
    "title_of",
]

OPEN_WORD = "OL"
"""What is written of a resistance over the meter's range."""

_COLUMNS, _LISTS = "Columns", "Lists"
_ROWS = 1000
"""Rows that can be filled in and are held to the contract while they are."""
_FRAMED = 20
"""Rows with a frame around each cell: as many as fit one page."""
_FIRST_DAY, _LAST_DAY = date(1900, 1, 1), date(2200, 12, 31)
_FORMATS = {"number": "General", "integer": "0", "moment": "yyyy-mm-dd hh:mm"}
_MOST_ERROR = 225
_MOST_WIDTH = 26
_SAFETY = frozenset(rule.column for rule in (*RUN_RULES, *STARTUP_RULES))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Offer:
    """Words offered for a column: where they stand, and whether others are refused, warned of, or let be."""

    cells: str
    style: str
    error: str


def heading(column: Column, *, time_zone: str | None = None) -> str:
    """Return the header of a column as intake reads it: its name, with its unit or time zone in brackets.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> film = contract("film_readings")
    >>> heading(film.column("dft_um")), heading(film.column("taken_at"), time_zone="Europe/Oslo")
    ('dft_um [µm]', 'taken_at [Europe/Oslo]')
    """
    sign = unit_sign(column.unit) if column.unit else time_zone if column.kind == "moment" else None
    return f"{column.name} [{sign}]" if sign else column.name


def title_of(column: Column) -> str:
    """Return the title of a column, with a star where it must be filled in.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> title_of(contract("jobs").column("site")), title_of(contract("jobs").column("thinner"))
    ('Site *', 'Thinner')
    """
    return column.title if column.nullable else f"{column.title} *"


def example_of(column: Column) -> str | float | datetime:
    """Return the contract's example as it is typed: a number, a local date and time, or a text.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> example_of(contract("film_readings").column("taken_at"))
    datetime.datetime(2027, 1, 13, 9, 5)
    """
    if column.kind == "moment":
        return datetime.fromisoformat(str(column.example)).replace(tzinfo=None)
    return column.example


def carries_cautions(contract: Contract) -> bool:
    """Return whether a kind of record is about grounds or the start of a shift.

    Examples
    --------
    >>> from auditkit.contracts import load_contracts
    >>> [name for name, contract in load_contracts().items() if carries_cautions(contract)]
    ['spray_runs', 'startup_checks']
    """
    return not _SAFETY.isdisjoint(contract.names)


def guide_lines(contract: Contract, *, time_zone: str | None, example: str = "The grey row") -> list[str]:
    """Return what must be known to fill in a sheet, the cautions last where they belong to it.

    Parameters
    ----------
    contract : Contract
    time_zone : str, optional
        IANA name of the zone in which times are written.
    example : str
        What the row that is no record is called.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> print(guide_lines(contract("areas"), time_zone=None)[0])
    Inspection areas: The pieces or stretches of metalwork that are sprayed, measured and judged as one. One row is one
    inspection area.
    """
    times = f"Times are local times of {time_zone}, as 2027-01-13 09:05."
    unknown = "Times are local times, as 2027-01-13 09:05; their time_zone must stand in dossier.yaml."
    how = [
        "A column marked * must be filled in; leave others blank where nothing was read. Fill in no value afterwards.",
        f"{example} is an example and is never read as a record.",
        *([times if time_zone else unknown] if any(column.kind == "moment" for column in contract.columns) else []),
        *([f"Over the meter's range: {OPEN_WORD}."] if any(map(is_resistance, contract.columns)) else []),
    ]
    first = f"{contract.title}: {contract.description.rstrip('.')}. One row is {contract.grain}."
    return [first, " ".join(how), *([" ".join(CAUTIONS)] if carries_cautions(contract) else [])]


def field_sheet(
    contract: Contract,
    *,
    dated: date,
    time_zone: str | None = None,
    known: Mapping[str, Sequence[str]] | None = None,
) -> bytes:
    """Return the field sheet of one kind of record as the bytes of an XLSX workbook, the same from the same content.

    Parameters
    ----------
    contract : Contract
    dated : date
        Date of issue, which the file bears.
    time_zone : str, optional
        IANA name of the zone in which times are written. Left out, it must be
        declared in `dossier.yaml` before the sheet is read.
    known : mapping of column to sequence of str, optional
        Identifiers to choose from; others may be written too.

    Notes
    -----
    Rows above the header begin with `remarks.REMARK`, and the sheets beside it
    with `remarks.NO_RECORDS`, so that intake passes over them. Choices, ranges,
    dates, yes and no, and lengths of text are held to the contract on entry;
    pasted cells are not, which `auditkit check` then finds.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> field_sheet(contract("areas"), dated=date(2027, 3, 5))[:2]
    b'PK'
    """
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.title = contract.title
    offers = _add_lists(book, contract, known or {})
    top = _write_head(sheet, contract, time_zone=time_zone)
    _lay_rows(sheet, contract, top=top)
    _hold(sheet, contract, offers, top=top)
    sheet.freeze_panes = sheet.cell(top + 1, 2)
    sheet.print_title_rows = f"1:{top}"
    sheet.print_options.gridLines = True
    _set_page(sheet, f"{contract.title} ({contract.name})")
    _add_columns(book, contract)
    title = f"Field sheet: {contract.title}"
    return workbook_bytes(book, title=title, dated=dated)


def _write_head(sheet: Any, contract: Contract, *, time_zone: str | None) -> int:
    """Write remarks, titles, the example and the header, and return the row of the header."""
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter

    guide = guide_lines(contract, time_zone=time_zone)
    titles = len(guide) + 1
    example, top = titles + 1, titles + 2
    widths = [_width(column, time_zone=time_zone) for column in contract.columns]
    for line, words in enumerate(guide, start=1):
        cell = sheet.cell(line, 1)
        put_cell(cell, f"{REMARK} {words}")
        is_caution = carries_cautions(contract) and line == len(guide)
        cell.font = Font(bold=line == 1 or is_caution, color="B04A00" if is_caution else "1A1A1A")
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        sheet.merge_cells(start_row=line, end_row=line, start_column=1, end_column=len(widths))
        sheet.row_dimensions[line].height = 15 * math.ceil(1.15 * len(words) / sum(widths))
    for place, (column, width) in enumerate(zip(contract.columns, widths, strict=True), start=1):
        letter = get_column_letter(place)
        mark = f"{REMARK} " if place == 1 else ""
        put_cell(sheet.cell(titles, place), f"{mark}{title_of(column)}")
        given = example_of(column)
        put_cell(sheet.cell(example, place), f"{mark}e.g. {given}" if mark else given)
        put_cell(sheet.cell(top, place), heading(column, time_zone=time_zone))
        sheet.cell(titles, place).font = Font(bold=True)
        sheet.cell(titles, place).alignment = Alignment(wrap_text=True, vertical="bottom")
        sheet.cell(example, place).font = Font(italic=True, color="767676")
        sheet.cell(example, place).alignment = Alignment(wrap_text=True, vertical="top", horizontal="left")
        sheet.cell(example, place).number_format = _FORMATS.get(column.kind, "@")
        sheet.cell(top, place).font = Font(size=9, color="555555")
        sheet.cell(top, place).fill = PatternFill("solid", start_color="F1EFE9")
        sheet.cell(top, place).border = Border(bottom=Side(style="medium", color="1A1A1A"))
        sheet.cell(top, place).alignment = Alignment(wrap_text=True, vertical="bottom")
        note = Comment(f"{column.description} May hold: {_holds(column)}.", "auditkit")
        note.width, note.height = 300, 110
        sheet.cell(top, place).comment = note
        sheet.column_dimensions[letter].width = width
    lines = {
        titles: [title_of(column) for column in contract.columns],
        example: [f"e.g. {example_of(column)}" for column in contract.columns],
        top: [heading(column, time_zone=time_zone) for column in contract.columns],
    }
    for row, texts in lines.items():
        tallest = max(math.ceil(1.2 * len(words) / width) for words, width in zip(texts, widths, strict=True))
        sheet.row_dimensions[row].height = 15 * max(tallest, 1)
    return top


def _lay_rows(sheet: Any, contract: Contract, *, top: int) -> None:
    """Format the rows to be filled in: every column as its kind asks, and frames as far as one page goes."""
    from openpyxl.styles import Border, Side
    from openpyxl.utils import get_column_letter

    thin = Side(style="thin", color="8A8780")
    frame = Border(left=thin, right=thin, top=thin, bottom=thin)
    for place, column in enumerate(contract.columns, start=1):
        shown_as = _FORMATS.get(column.kind, "@")
        sheet.column_dimensions[get_column_letter(place)].number_format = shown_as
        for line in range(top + 1, top + 1 + _FRAMED):
            sheet.cell(line, place).border = frame
            sheet.cell(line, place).number_format = shown_as


def _hold(sheet: Any, contract: Contract, offers: Mapping[str, _Offer], *, top: int) -> None:
    """Hold entries to the contract, and what stands above them to what it is."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    for place, column in enumerate(contract.columns, start=1):
        letter = get_column_letter(place)
        rule = _rule(column, offers.get(column.name), first=f"{letter}{top + 1}")
        if rule is not None:
            rule.add(f"{letter}{top + 1}:{letter}{top + _ROWS}")
            sheet.add_data_validation(rule)
    fixed = DataValidation(type="custom", formula1="FALSE", allow_blank=False, showErrorMessage=True)
    fixed.errorTitle, fixed.error = "Not to be changed", "The columns are found by these rows; leave them as they are."
    fixed.add(f"A1:{get_column_letter(len(contract.columns))}{top}")
    sheet.add_data_validation(fixed)


def _rule(column: Column, offer: _Offer | None, *, first: str) -> DataValidation | None:
    """Return what a spreadsheet program holds entries of a column to; None where anything may be written."""
    from openpyxl.utils.datetime import to_excel
    from openpyxl.worksheet.datavalidation import DataValidation

    holds, style = f"{column.title} must be {_holds(column)}.", "stop"
    if offer is not None:
        rule = DataValidation(type="list", formula1=offer.cells)
        holds, style = offer.error, offer.style
    elif is_resistance(column):
        between = f"AND(ISNUMBER({first}),{first}>={_number(column.minimum)},{first}<={_number(column.maximum)})"
        rule = DataValidation(type="custom", formula1=f'OR({between},{first}="{OPEN_WORD}")')
    elif column.minimum is not None and column.maximum is not None:
        rule = DataValidation(type="whole" if column.kind == "integer" else "decimal", operator="between")
        rule.formula1, rule.formula2 = _number(column.minimum), _number(column.maximum)
    elif column.kind == "moment":
        rule = DataValidation(type="date", operator="between")
        rule.formula1, rule.formula2 = f"{to_excel(_FIRST_DAY):g}", f"{to_excel(_LAST_DAY) + 1:g}"
        holds = f"{column.title} must be a date with a time of day, such as 2027-01-13 09:05."
    elif column.shortest is not None and column.longest is not None:
        rule = DataValidation(type="textLength", operator="between")
        rule.formula1, rule.formula2 = str(column.shortest), str(column.longest)
        holds = f"{column.title} must have from {column.shortest} to {column.longest} characters."
    else:
        return None
    rule.allow_blank, rule.errorStyle, rule.showErrorMessage = column.nullable, style, style != "information"
    rule.errorTitle, rule.error = "Not as the record asks", holds
    return rule


def _number(value: float | None) -> str:
    """Return a bound as a formula writes it; a power of ten with a large E."""
    return "" if value is None else f"{value:.15g}".upper()


def _holds(column: Column) -> str:
    """Return in words what a cell may hold, with its unit."""
    words = may_hold(column)
    if column.unit is not None:
        first, *rest = words.split(";")
        over = f", or {OPEN_WORD} over the meter's range" if is_resistance(column) else ""
        words = ";".join([f"{first} {unit_sign(column.unit)}{over}", *rest])
    return words


def is_resistance(column: Column) -> bool:
    """Return whether a column holds a resistance, of which a meter may show that it is over its range.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> is_resistance(contract("spray_runs").column("part_ground_ohm"))
    True
    """
    return column.unit is not None and quantity_of(column.unit) == "resistance"


def _add_lists(book: Any, contract: Contract, known: Mapping[str, Sequence[str]]) -> dict[str, _Offer]:
    """Add the sheet of words to choose from, and return for each column where its own stand."""
    from openpyxl.utils import get_column_letter

    linked = {link.column: link for link in contract.links}
    offers: dict[str, _Offer] = {}
    lists: list[tuple[str, Sequence[str]]] = []
    for column in contract.columns:
        words: Sequence[str] = column.choices or (("yes", "no") if column.kind == "yes-no" else ())
        style, holds = "stop", f"{column.title} must be {_holds(column)}."
        if len(holds) > _MOST_ERROR:
            holds = f"{column.title} must be a word of its list; all stand on the sheet {_LISTS}."
        if not words and column.kind == "text" and contract.key != (column.name,):
            words = known.get(column.name, ())
            style, holds = "information", ""
            if column.name in linked:
                to = linked[column.name]
                style, holds = "warning", f"Not known yet: it must also be {to.to_column} of a row of {to.record}."
        if words:
            lists.append((column.name, words))
            letter = get_column_letter(len(lists))
            cells = f"{_LISTS}!${letter}$3:${letter}${len(words) + 2}"
            offers[column.name] = _Offer(cells=cells, style=style, error=holds)
    if lists:
        sheet = book.create_sheet(_LISTS)
        put_cell(sheet["A1"], f"{NO_RECORDS}: the words to choose from.")
        for place, (name, words) in enumerate(lists, start=1):
            put_cell(sheet.cell(2, place), name)
            for line, word in enumerate(words, start=3):
                put_cell(sheet.cell(line, place), word)
            sheet.column_dimensions[get_column_letter(place)].width = 18
        sheet.protection.sheet = True
    return offers


def _add_columns(book: Any, contract: Contract) -> None:
    """Add the sheet that says what each column is: the dictionary of this kind of record."""
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(_COLUMNS, 1)
    links = {link.column: f" A row of {link.record} must have it." for link in contract.links}
    rows = [
        ("column", "title", "unit", "must be filled in", "may hold", "what it is", "source of limits or words"),
        *(
            (
                column.name,
                column.title,
                unit_sign(column.unit) if column.unit else "",
                "no" if column.nullable else "yes",
                may_hold(column),
                f"{column.description}{links.get(column.name, '')}",
                column.source or "",
            )
            for column in contract.columns
        ),
    ]
    told = [f"No two rows may have the same {', '.join(contract.key)}.", *map(rule_words, contract.rules)]
    put_cell(sheet["A1"], f"{NO_RECORDS}: what each column of {contract.name} is.")
    for line, cells in enumerate([*rows, *((words,) for words in told)], start=2):
        for place, words in enumerate(cells, start=1):
            put_cell(sheet.cell(line, place), words)
            sheet.cell(line, place).font = Font(bold=line == 2)
            sheet.cell(line, place).alignment = Alignment(wrap_text=line <= len(rows) + 1, vertical="top")
    for place, width in enumerate((22, 24, 8, 10, 34, 52, 30), start=1):
        sheet.column_dimensions[get_column_letter(place)].width = width
    sheet.protection.sheet = True
    _set_page(sheet, f"{contract.title} ({contract.name}): columns")


def _set_page(sheet: Any, name: str) -> None:
    """Print a sheet one page of A4 wide, lying, with its name and the number of the page at its foot."""
    from openpyxl.worksheet.page import PageMargins

    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.page_margins = PageMargins(left=0.4, right=0.4, top=0.4, bottom=0.6, header=0.3, footer=0.3)
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.left.text, sheet.oddFooter.right.text = name.replace("&", "&&"), "&P of &N"


def _width(column: Column, *, time_zone: str | None) -> float:
    """Return the width of a column, in letters: its longest word, and half of its title."""
    words = [heading(column, time_zone=time_zone), str(example_of(column)), *map(str, column.choices)]
    least = 17 if column.kind == "moment" else 10
    return min(max(least, *(len(word) + 2 for word in words), len(title_of(column)) / 2), _MOST_WIDTH)
