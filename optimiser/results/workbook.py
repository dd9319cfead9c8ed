"""The appraisal as a spreadsheet with live formulas, checked in it against this program's own figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from optimiser.finance import Appraisal
from optimiser.scenario.cost import SAVING_NAMES, Cost
from optimiser.summary.run import Summary
from optimiser.writing import is_formula

BOLD = Font(bold=True)
INPUT = PatternFill("solid", fgColor="FFF3CD")
MONEY = "#,##0.00"
FIRST_ROW = 2  # of the years, under one row of headings
GROUPS = {name: group for group, name in SAVING_NAMES.items()}


def write_workbook(appraisal: Appraisal, cost: Cost, summary: Summary, path: Path) -> None:
    """Write the sheets Inputs, Years, Cash flow and Checks.

    Inputs (shaded) may be changed: the cash flow and its results follow. What comes from solving the site, the saving
    of each year at the prices of year 1, stands in Years as numbers. Checks compares the unchanged sheet's results
    with this program's.

    Parameters
    ----------
    appraisal : Appraisal
    cost : Cost
    summary : Summary
        Of the run: title, currency and whether it is invented.
    path : Path
    """
    book = Workbook()
    inputs = _Inputs(book, summary)
    years = _years(book.create_sheet("Years"), appraisal, cost)
    flow = book.create_sheet("Cash flow")
    own = _cash_flow(flow, appraisal, cost, inputs, years)
    _checks(book.create_sheet("Checks"), appraisal, own, inputs)
    for sheet in book.worksheets:
        sheet.column_dimensions["A"].width = 34 if sheet.title in ("Inputs", "Checks") else 8
        for column in range(2, sheet.max_column + 1):
            sheet.column_dimensions[get_column_letter(column)].width = 20
    book.save(path)


def _words(sheet: Worksheet, row: int, column: int, words: str, bold: bool = False) -> None:
    """Text as text, so that a name that begins with = is no formula, nor becomes one when the cell is edited."""
    cell = sheet.cell(row, column, words)
    cell.data_type = "s"
    cell.quotePrefix = is_formula(words)
    if bold:
        cell.font = BOLD


class _Inputs:
    """The sheet of inputs; each gives the address that formulas name it by."""

    def __init__(self, book: Workbook, summary: Summary):
        self._sheet = book.worksheets[0]
        self._sheet.title = "Inputs"
        _words(self._sheet, 1, 1, summary.title, bold=True)
        invented = " Invented: no real site is behind it." if summary.invented else ""
        note = f"Money in {summary.currency}. Shaded cells may be changed.{invented}"
        _words(self._sheet, 2, 1, note)
        self._row = 3
        self._known: dict[tuple[str | None, str], str] = {}

    def of(self, words: str, value: float, item: str | None = None) -> str:
        """The address of an input, of an item of the cash flow or of none, written when it is first asked for."""
        if (item, words) not in self._known:
            self._row += 1
            _words(self._sheet, self._row, 1, words if item is None else f"{item}, {words}")
            self._sheet.cell(self._row, 2, value).fill = INPUT
            self._known[item, words] = f"Inputs!$B${self._row}"
        return self._known[item, words]


def _years(sheet: Worksheet, appraisal: Appraisal, cost: Cost) -> dict[str, str]:
    """Saving of each year at the prices of year 1, and the shares written off; the column letter of each."""
    rows = [appraisal.course.saving_in(year) for year in range(1, cost.life_years + 1)]
    columns: dict[str, Sequence[float]] = {
        item.name: [row[GROUPS[item.name]] for row in rows]
        for item in appraisal.items
        if item.kind == "saving"
    }
    if cost.tax:
        written = cost.tax.shares()
        columns["Written off"] = [written[at] if at < len(written) else 0.0 for at in range(len(rows))]
    _words(sheet, 1, 1, "Year", bold=True)
    for year in range(cost.life_years + 1):
        sheet.cell(FIRST_ROW + year, 1, year)
    letters = {}
    for number, (name, values) in enumerate(columns.items(), 2):
        _words(sheet, 1, number, name, bold=True)
        letters[name] = get_column_letter(number)
        for year, value in enumerate(values, 1):
            cell = sheet.cell(FIRST_ROW + year, number, value)
            cell.fill = INPUT
    return letters


def _cash_flow(
    sheet: Worksheet, appraisal: Appraisal, cost: Cost, inputs: _Inputs, years: dict[str, str]
) -> dict[str, str]:
    """A row a year: every item by its formula, the sum, the running sums, and when the money is back.

    Gives the letters of the columns that are no item's.
    """
    names = [item.name for item in appraisal.items]
    further = ["In the year", "Running sum", "Discounted", "Running sum, discounted", "Paid back"]
    further += ["Loan owed"] if cost.loan else []
    headings = ["Year", *names, *further]
    for column, heading in enumerate(headings, 1):
        _words(sheet, 1, column, heading, bold=True)
    letters = [get_column_letter(column) for column in range(1, len(headings) + 1)]
    # Apart from each other, whatever the items are called.
    at = dict(zip(names, letters[1 : len(names) + 1], strict=True))
    own = dict(zip(further, letters[len(names) + 1 :], strict=True))
    kinds = {item.name: item.kind for item in appraisal.items}
    formulas = _Formulas(cost, inputs, years, at, own, kinds)
    rate = inputs.of("Discount rate, inflation in it", appraisal.discount_rate_fraction)
    total, running, present = own["In the year"], own["Running sum"], own["Discounted"]
    for year in range(cost.life_years + 1):
        row = FIRST_ROW + year
        sheet.cell(row, 1, year)
        for item in appraisal.items:
            sheet[f"{at[item.name]}{row}"] = formulas.of(item.name, year) if item.amounts[year] else 0
        sheet[f"{total}{row}"] = f"=SUM({at[names[0]]}{row}:{at[names[-1]]}{row})"
        sheet[f"{running}{row}"] = f"=SUM({total}${FIRST_ROW}:{total}{row})"
        sheet[f"{present}{row}"] = f"={total}{row}/(1+{rate})^A{row}"
        sheet[f"{own['Running sum, discounted']}{row}"] = f"=SUM({present}${FIRST_ROW}:{present}{row})"
        sheet[f"{own['Paid back']}{row}"] = (
            f'=IF({running}{row}>=0,0,"")'
            if year == 0
            else f'=IF(AND({running}{row}>=0,{running}{row - 1}<0),A{row - 1}-{running}{row - 1}/{total}{row},"")'
        )
        if cost.loan:
            sheet[f"{own['Loan owed']}{row}"] = formulas.owed(year)
        for letter in letters[1:]:
            sheet[f"{letter}{row}"].number_format = "0.00" if letter == own["Paid back"] else MONEY
    sheet.freeze_panes = "B2"
    return own


class _Formulas:
    """The formula of each item in each year."""

    def __init__(
        self,
        cost: Cost,
        inputs: _Inputs,
        years: dict[str, str],
        at: dict[str, str],
        own: dict[str, str],
        kinds: Mapping[str, str],
    ):
        self._cost, self._inputs, self._years = cost, inputs, years
        self._at, self._own, self._kinds = at, own, kinds
        self._inflation = inputs.of("Inflation a year", cost.inflation_fraction)
        self._parts = {part.name: part for part in cost.parts}

    def of(self, name: str, year: int) -> str:
        """The formula of an item in a year in which it is something."""
        kind, row = self._kinds[name], FIRST_ROW + year
        part: Any = self._parts.get(name)
        if kind == "saving":
            change = getattr(self._cost.escalation, GROUPS[name])
            cell = f"Years!{self._years[name]}{row}"
            return f"={cell}*(1+{self._change(name, change)})^({year}-1)"
        if kind == "capital":
            amount = self._cost.capital if part is None else part.amount
            return f"=-{self._inputs.of('amount', amount, name)}*(1+{self._inflation})^{year if part else 0}"
        if kind == "incentive" and part.capital_fraction is not None:
            share = self._inputs.of("share of capital", part.capital_fraction, name)
            return f"={share}*{self._laid_out()}"
        if kind == "incentive":
            return f"={self._inputs.of('amount', part.amount, name)}"
        if kind == "upkeep":
            amount = self._cost.yearly if part is None else part.amount
            change = self._change(name, part.change_fraction if part else None)
            return f"=-{self._inputs.of('year 1', amount, name)}*(1+{change})^({year}-1)"
        if kind == "replacement":
            change = self._change(name, part.change_fraction)
            return f"=-{self._inputs.of('today', part.amount, name)}*(1+{change})^{year}"
        if kind == "end value":
            return (
                f"={self._inputs.of('End value, today', self._cost.end_value)}*(1+{self._inflation})^{year}"
            )
        return self._loan(year) if kind == "loan" else self._tax(year)

    def _change(self, name: str, change: float | None) -> str:
        return self._inflation if change is None else self._inputs.of("change a year", change, name)

    def _laid_out(self) -> str:
        """What is laid out in year 0, positive."""
        cells = [f"{self._at[name]}${FIRST_ROW}" for name, kind in self._kinds.items() if kind == "capital"]
        return f"(-({'+'.join(cells)}))"

    def _loan(self, year: int) -> str:
        loan = self._cost.loan
        assert loan is not None
        amount, rate = (
            self._inputs.of("Loan", loan.amount),
            self._inputs.of("Loan, interest", loan.rate_fraction),
        )
        if year == 0:
            return f"={amount}"
        payment = f"PMT({rate},{self._inputs.of('Loan, years', loan.years)},-{amount})"
        ends_early = year == self._cost.life_years < loan.years
        rest = f"-{self._own['Loan owed']}{FIRST_ROW + year}" if ends_early else ""
        return f"=-{payment}{rest}"

    def owed(self, year: int) -> str:
        """What is still owed at the end of a year."""
        loan = self._cost.loan
        assert loan is not None
        amount, rate = (
            self._inputs.of("Loan", loan.amount),
            self._inputs.of("Loan, interest", loan.rate_fraction),
        )
        if year == 0:
            return f"={amount}"
        years = self._inputs.of("Loan, years", loan.years)
        before = f"{self._own['Loan owed']}{FIRST_ROW + year - 1}"
        return f"=IF({year}>={years},0,{before}*(1+{rate})-PMT({rate},{years},-{amount}))"

    def _tax(self, year: int) -> str:
        tax = self._cost.tax
        assert tax is not None
        row = FIRST_ROW + year
        counted = ["saving", "upkeep", "replacement", "end value"] + ["capital"] * (year > 0)
        cells = [f"{self._at[name]}{row}" for name, kind in self._kinds.items() if kind in counted]
        if year > 0:
            share = self._inputs.of("Share of capital written off", tax.depreciated_fraction)
            cells.append(f"-{share}*Years!{self._years['Written off']}{row}*{self._laid_out()}")
        if self._cost.loan and year > 0:
            rate = self._inputs.of("Loan, interest", self._cost.loan.rate_fraction)
            cells.append(f"-{self._own['Loan owed']}{row - 1}*{rate}")
        profit = "+".join(cells).replace("+-", "-")
        return f"=-{self._inputs.of('Tax rate', tax.rate_fraction)}*({profit})"


def _checks(sheet: Worksheet, appraisal: Appraisal, own: dict[str, str], inputs: _Inputs) -> None:
    """Results by the spreadsheet's own functions beside this program's, and whether they agree."""
    headings = ("Result", "This sheet", "The program", "Difference", "Check")
    for column, heading in enumerate(headings, 1):
        _words(sheet, 1, column, heading, bold=True)
    last = FIRST_ROW + len(appraisal.flows) - 1

    def cells(heading: str, first: int = FIRST_ROW) -> str:
        return f"'Cash flow'!{own[heading]}{first}:{own[heading]}{last}"

    rate = inputs.of("Discount rate, inflation in it", appraisal.discount_rate_fraction)
    start = f"'Cash flow'!{own['In the year']}{FIRST_ROW}"
    # The spreadsheet's NPV puts its first value at the end of year 1, so year 0 stands outside it.
    net = f"{start}+NPV({rate},{cells('In the year', FIRST_ROW + 1)})"
    rows: list[tuple[str, str, float, float, str]] = [
        ("Net present value", f"={net}", appraisal.npv, 0.005, MONEY),
        ("Sum of the cash flow", f"=SUM({cells('In the year')})", sum(appraisal.flows), 0.005, MONEY),
    ]
    if len(appraisal.internal_rates) == 1:
        guess = appraisal.internal_rates[0]
        rows.append(
            ("Internal rate of return", f"=IRR({cells('In the year')},{guess:.4f})", guess, 1e-6, "0.0000%")
        )
    if appraisal.payback_years is not None:
        back = appraisal.payback_years
        # Where the sum falls below zero again, the last year that it rises above counts.
        end = f"'Cash flow'!{own['Running sum']}{last}"
        formula = f'=IF({end}<0,"never",MAX({cells("Paid back")}))'
        rows.append(("Simple payback, years", formula, back, 1e-6, "0.00"))
    for row, (name, formula, ours, tolerance, shown) in enumerate(rows, 2):
        _words(sheet, row, 1, name)
        sheet.cell(row, 2, formula).number_format = shown
        sheet.cell(row, 3, ours).number_format = shown
        sheet.cell(row, 4, f"=B{row}-C{row}").number_format = "0.000000"
        sheet.cell(row, 5, f'=IF(ABS(D{row})<={tolerance},"agrees","differs")')
    notes = [
        "Differences are nothing until an input is changed; then the first column is the new result.",
        "Year 0 is not discounted; all amounts are in money of the day.",
    ]
    if len(appraisal.internal_rates) != 1:
        notes.append(f"There are {len(appraisal.internal_rates)} internal rates of return, so none is shown.")
    for row, note in enumerate(notes, len(rows) + 3):
        _words(sheet, row, 1, note)
