"""A blank commissioning sheet: what to measure on a job, with its limits and cautions, to be filled in and loaded back.

As a workbook it has a sheet for each of the contract's tables that a job needs, in the contract's own headings, so that
it loads with no mapping. A line that nobody filled in stays empty in every column that is read, and is passed over: not
recorded, which is never the same as not done. As PDF it is the same list on paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dashboard import limit_words, words
from pipelines import limits, steps, units
from pipelines.contract import QUANTITY_UNIT, STEPS, TABLE_BY_NAME, UNIT_CODES

# figures of the plate: what the readings are held against, not measured
FROM_THE_PLATE = {
    "design_pressure_low", "design_pressure_high", "factory_charge", "line_set_adder", "maximum_static",
    "target_subcooling", "target_superheat", "rated_load_current", "rated_voltage",
}  # fmt: skip
CODES = {"test_gas": ("nitrogen", "air", "other")}
# which derived limit is said beside which reading
SAID_BESIDE = {
    "pressure_drop_compensated": "end_pressure", "pressure_drop_share": "end_pressure", "rise_fall": "rise_end",
    "charge_deviation": "charge_weight", "total_external_static": "supply_static", "airflow_per_ton": "airflow",
    "fan_power_per_cfm": "fan_power", "subcooling_deviation": "liquid_temperature",
    "superheat_deviation": "suction_temperature", "current_share": "compressor_current",
    "voltage_deviation": "voltage", "voltage_unbalance": "voltage_ca",
}  # fmt: skip
FACTS = {step.name: step for step in steps.steps()}
LIMITS_SAID_AT_MOST = 4
FIRST_LINE = 6  # the headings stand on line 6, what is filled in from line 7 on


@dataclass(frozen=True)
class Line:
    """One thing to measure: its step, what it is, its unit, the limits in words, and the bounds where one pair holds for all."""

    step: str
    quantity: str
    what: str
    unit: str
    limit: str
    at_least: float | None
    at_most: float | None
    excludes: bool


def lines(rules: Any) -> list[Line]:
    """Everything that can be measured on a job, in the order of the work, with the limits in force under these rules."""
    deciding = limits.that_can_decide(limits.layers(rules))
    found = []
    for step in STEPS:
        for quantity, unit in QUANTITY_UNIT[step].items():
            own = [limit for limit in deciding if limit.step == step and limit.quantity == quantity]
            beside = [limit for limit in deciding if limit.step == step and SAID_BESIDE.get(limit.quantity) == quantity]
            same_for_all = own[0] if len(own) == 1 and not own[0].applies_to else None
            found.append(
                Line(
                    step=step,
                    quantity=quantity,
                    what=words.quantity(quantity)
                    + (
                        " (from the plate)"
                        if quantity in FROM_THE_PLATE and "late" not in words.quantity(quantity)
                        else ""
                    ),
                    unit=unit,
                    limit="; ".join(_limit_in_words(limit) for limit in (own + beside)[:LIMITS_SAID_AT_MOST]),
                    at_least=same_for_all.at_least if same_for_all else None,
                    at_most=same_for_all.at_most if same_for_all else None,
                    excludes=bool(same_for_all and same_for_all.bound == "excl"),
                )
            )
    return found


def _limit_in_words(limit: limits.Limit) -> str:
    bounds = limit_words.bounds(
        {"at_least": limit.at_least, "at_most": limit.at_most, "unit": limit.unit, "bound": limit.bound}
    )
    if bounds == "–":
        bounds = "nitrogen only" if limit.quantity == "test_gas" else "as the plate says"
    name = f"{words.quantity(limit.quantity).lower()} " if limit.quantity in SAID_BESIDE else ""
    where = limit.applies_to.replace("=", " ").replace("|", ", ").replace("plate known", "").replace("_", " ").strip()
    status = ", from memory: check your edition" if limit.status == "memory" else ""
    return f"{name}{bounds}" + (f" ({where}{status})" if where else f" ({status[2:]})" if status else "")


def cautions_of(step: str) -> list[str]:
    """The cautions that stand beside a step."""
    return [words.CAUTION[name] for name in words.STEP_CAUTIONS.get(step, ())]


# --- the workbook


def write_xlsx(to: Path, rules: Any, filled: Mapping[str, Any] | None = None) -> None:
    """The sheet as a workbook.

    filled : what a spreadsheet would hold after somebody filled it in, by "table.column" of systems and jobs, "step.ticked"
        and "step.quantity"; without it the sheet is blank.
    """
    import xlsxwriter

    book = xlsxwriter.Workbook(to, {"in_memory": True})
    book.set_properties({"title": "Commissioning sheet"})
    try:
        _Book(book, rules, dict(filled or {})).write()
    finally:
        book.close()


class _Book:
    def __init__(self, book: Any, rules: Any, filled: dict[str, Any]) -> None:
        self.book, self.rules, self.filled = book, rules, filled
        wrap = {"text_wrap": True, "valign": "top"}
        self.title = book.add_format({"bold": True, "font_size": 15})
        self.head = book.add_format({"bold": True, "bottom": 1, **wrap})
        self.code = book.add_format({"font_color": "#56615F", "font_size": 8, **wrap})
        self.text = book.add_format(wrap)
        self.small = book.add_format({"font_size": 9, "font_color": "#3C4745", **wrap})
        self.entry = book.add_format({"border": 1, "border_color": "#8C9793", "locked": False, **wrap})
        self.day = book.add_format({"border": 1, "border_color": "#8C9793", "num_format": "yyyy-mm-dd", **wrap})
        self.time = book.add_format({"border": 1, "border_color": "#8C9793", "num_format": "yyyy-mm-dd hh:mm", **wrap})

    def write(self) -> None:
        self._guide()
        self._one_row("jobs", "The job")
        self._one_row("systems", "The system")
        self._steps()
        self._readings()

    def _guide(self) -> None:
        sheet = self.book.add_worksheet("Read first")
        sheet.set_column(0, 0, 110, self.text)
        sheet.write(0, 0, "Commissioning sheet", self.title)
        told = [
            "One file for one job. Fill in the bordered cells on the sheets jobs, systems, steps and readings; leave the "
            "headings and the columns at the right as they are.",
            "Write the job's number once, on the sheet jobs; the other sheets take it from there.",
            "Leave a cell empty where nothing was recorded. Empty is never counted as not done; choose not_done only where "
            "the step was really left out.",
            "A tick alone proves nothing: write what was measured, with the unit it was measured in.",
            "The column Check says whether a figure lies within the limit where one limit holds for every job; the rest "
            "is judged when the file is loaded. Limits are those of your House rules on the day this sheet was made.",
            "Load it with: slowfuse load this-file.xlsx",
        ]
        for number, text in enumerate(told, 2):
            sheet.write(number, 0, f"{number - 1}. {text}", self.text)
        row = len(told) + 3
        sheet.write(row, 0, "Before anybody works", self.head)
        for text in dict.fromkeys(caution for step in STEPS for caution in cautions_of(step)):
            row += 1
            sheet.write(row, 0, text, self.text)
        sheet.write(row + 1, 0, words.CAUTION["records"], self.text)

    def _begin(self, name: str, title: str, hint: str) -> Any:
        sheet = self.book.add_worksheet(name)
        sheet.write(0, 0, title, self.title)
        sheet.write(2, 0, hint)
        sheet.freeze_panes(FIRST_LINE, 1)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        return sheet

    def _one_row(self, table: str, title: str) -> None:
        """A table of one row: plain words above the contract's headings, drop-down words where there are any."""
        sheet = self._begin(table, title, "Fill in line 7. What you do not know stays empty.")
        for place, column in enumerate(TABLE_BY_NAME[table].columns):
            sheet.set_column(place, place, 16)
            sheet.write(FIRST_LINE - 2, place, _in_words(column.name), self.head)
            sheet.write(FIRST_LINE - 1, place, column.name, self.code)
            shape = {"date": self.day, "time": self.time}.get(column.kind, self.entry)
            value = self.filled.get(f"{table}.{column.name}")
            if table == "systems" and column.name == "system_id":
                self._formula(sheet, FIRST_LINE, place, f'=IF({_job_cell("system_id")}="","",{_job_cell("system_id")})',
                              self.filled.get("jobs.system_id", ""))  # fmt: skip
            elif value is None:
                sheet.write_blank(FIRST_LINE, place, None, shape)
            else:
                sheet.write(FIRST_LINE, place, value, shape)
            choices = ("true", "false") if column.kind == "flag" else column.codes
            if choices:
                _choose(sheet, FIRST_LINE, place, list(choices))

    def _formula(self, sheet: Any, row: int, place: int, formula: str, value: Any) -> None:
        sheet.write_formula(row, place, formula, self.code, value)

    def _steps(self) -> None:
        sheet = self._begin(
            "steps",
            "The steps",
            "Choose done or not_done; leave empty what nobody recorded. Times as 2025-07-03 14:05.",
        )
        heads = (
            ("What is done", 24), ("ticked", 11), ("started_at", 17), ("ended_at", 17), ("technician_id", 15),
            ("What proves it", 44), ("If it is left out", 40), ("Cautions", 70), ("job_id", 10), ("step", 16),
        )  # fmt: skip
        self._heads(sheet, heads)
        for number, step in enumerate(STEPS):
            row = FIRST_LINE + number
            ticked = self.filled.get(f"{step}.ticked")
            sheet.write(row, 0, f"{number + 1}. {words.step(step)}", self.text)
            sheet.write(row, 1, ticked, self.entry) if ticked else sheet.write_blank(row, 1, None, self.entry)
            _choose(sheet, row, 1, ["done", "not_done"])
            for place, shape in ((2, self.time), (3, self.time), (4, self.entry)):
                sheet.write_blank(row, place, None, shape)
            sheet.write(row, 5, FACTS[step].proof, self.small)
            sheet.write(row, 6, FACTS[step].if_left_out, self.small)
            sheet.write(row, 7, " ".join(cautions_of(step)), self.small)
            # a step that nobody ticked loads too, as not recorded
            job = self.filled.get("jobs.job_id", "")
            self._formula(sheet, row, 8, f'=IF({_job_cell("job_id")}="","",{_job_cell("job_id")})', job)
            self._formula(sheet, row, 9, f'=IF({_job_cell("job_id")}="","","{step}")', step if job else "")

    def _heads(self, sheet: Any, heads: tuple[tuple[str, int], ...]) -> None:
        for place, (head, width) in enumerate(heads):
            sheet.set_column(place, place, width)
            is_read = head in {name for table in ("steps", "readings") for name in TABLE_BY_NAME[table].column_names}
            sheet.write(FIRST_LINE - 2, place, _in_words(head) if is_read else head, self.head)
            sheet.write(FIRST_LINE - 1, place, head, self.code if is_read else self.head)

    def _readings(self) -> None:
        sheet = self._begin(
            "readings",
            "The readings",
            "Write the figure; choose another unit where the tool shows another. A second reading of the same thing goes "
            "into a new line below, with its step and quantity written out.",
        )
        heads = (
            ("What is measured", 34), ("value", 12), ("unit", 12), ("taken_at", 17), ("instrument_id", 15),
            ("Check", 30), ("Limit", 60), ("job_id", 10), ("step", 16), ("quantity", 20),
        )  # fmt: skip
        self._heads(sheet, heads)
        row, before = FIRST_LINE, ""
        for line in lines(self.rules):
            value = self.filled.get(f"{line.step}.{line.quantity}")
            step_name = f"{words.step(line.step)}: " if line.step != before else "    "
            before = line.step
            sheet.write(row, 0, step_name + line.what, self.text)
            sheet.write(row, 1, value, self.entry) if value is not None else sheet.write_blank(row, 1, None, self.entry)
            if line.quantity in CODES:
                _choose(sheet, row, 1, list(CODES[line.quantity]))
            choices = suiting_units(line)
            if choices:
                sheet.write(row, 2, line.unit, self.entry)
                _choose(sheet, row, 2, choices)
            sheet.write_blank(row, 3, None, self.time)
            sheet.write_blank(row, 4, None, self.entry)
            sheet.write_formula(row, 5, _check(line, row + 1), self.small, _checked(line, value))
            sheet.write(row, 6, line.limit, self.small)
            is_there = value is not None
            for place, text, cached in (
                (7, _job_cell("job_id"), self.filled.get("jobs.job_id", "")),
                (8, f'"{line.step}"', line.step),
                (9, f'"{line.quantity}"', line.quantity),
            ):
                self._formula(sheet, row, place, f'=IF(B{row + 1}="","",{text})', cached if is_there else "")
            row += 1


def _in_words(column: str) -> str:
    return column.replace("_", " ").capitalize().replace(" id", " number")


def _job_cell(column: str) -> str:
    place = TABLE_BY_NAME["jobs"].column_names.index(column)
    return f"jobs!${chr(ord('A') + place)}${FIRST_LINE + 1}"


def _choose(sheet: Any, row: int, place: int, choices: list[str]) -> None:
    sheet.data_validation(row, place, row, place, {
        "validate": "list", "source": choices, "ignore_blank": True,
        "error_title": "Not one of the words", "error_message": f"Choose one of: {', '.join(choices)}"[:255],
    })  # fmt: skip


def suiting_units(line: Line) -> list[str]:
    """The unit codes that a reading can be written in; none where it has no unit."""
    if not line.unit:
        return []
    kind = units.all_quantities()[line.step, line.quantity].kind
    return [line.unit] + [unit for unit in UNIT_CODES if unit != line.unit and units.suits(unit, line.unit, kind)]


def _check(line: Line, row: int) -> str:
    """Says in words whether the figure lies within the limit, in the unit that the limit is in."""
    if line.quantity == "test_gas":
        return f'=IF(B{row}="","",IF(B{row}="nitrogen","within the limit","NITROGEN ONLY: do not go on"))'
    if line.at_least is None and line.at_most is None:
        return (
            f'=IF(B{row}="","",IF(C{row}="","noted","judged when loaded"))'
            if line.unit
            else f'=IF(B{row}="","","noted")'
        )
    below, above = ("<=", ">=") if line.excludes else ("<", ">")
    outside = [
        f"B{row}{sign}{bound:g}" for sign, bound in ((below, line.at_least), (above, line.at_most)) if bound is not None
    ]
    return (
        f'=IF(B{row}="","",IF(C{row}<>"{line.unit}","judged when loaded",'
        f'IF(OR({",".join(outside)}),"OUTSIDE THE LIMIT","within the limit")))'
    )


def _checked(line: Line, value: Any) -> str:
    """What the formula shows, for readers that do not work formulas out."""
    if value is None:
        return ""
    if line.quantity == "test_gas":
        return "within the limit" if value == "nitrogen" else "NITROGEN ONLY: do not go on"
    if line.at_least is None and line.at_most is None:
        return "judged when loaded" if line.unit else "noted"
    low, high = line.at_least, line.at_most
    is_below = low is not None and (value <= low if line.excludes else value < low)
    is_above = high is not None and (value >= high if line.excludes else value > high)
    return "OUTSIDE THE LIMIT" if is_below or is_above else "within the limit"


# --- on paper


def to_pdf(rules: Any, page_size: str = "letter") -> bytes:
    """The sheet as a tagged PDF, to be filled in by pen."""
    from dashboard.papers.typesetting import to_pdf as typeset

    found = lines(rules)
    listed = [
        {
            "number": str(number),
            "name": words.step(step),
            "proof": FACTS[step].proof,
            "lines": [
                {"what": line.what, "unit": words.unit(line.unit) if line.unit else "", "limit": line.limit}
                for line in found
                if line.step == step
            ],
        }
        for number, step in enumerate(STEPS, 1)
    ]
    head = [
        ("Job", "job_id"), ("System (serial number)", "system_id"), ("Finished on", "finished_on"),
        ("Lead technician", "technician_id"), ("Helpers", "helper_ids"), ("Equipment", "equipment"),
        ("Refrigerant", "refrigerant"), ("Nominal tons", "nominal_tons"), ("Metering device", "metering"),
        ("Joints", "joints"), ("Line set, ft", "line_set_ft"), ("Ducts kept", "ducts_kept"),
    ]  # fmt: skip
    content = {
        "fields": [{"name": name, "choices": _choices(code)} for name, code in head],
        "steps": listed,
        "cautions": list(dict.fromkeys(caution for step in STEPS for caution in cautions_of(step))),
        "foot": words.CAUTION["records"],
    }
    return typeset("sheet", content, title="Commissioning sheet", page_size=page_size)


def _choices(code: str) -> str:
    for table in ("jobs", "systems"):
        for column in TABLE_BY_NAME[table].columns:
            if column.name == code:
                found = ("yes", "no") if column.kind == "flag" else column.codes or ()
                return " / ".join(choice.replace("_", " ") for choice in found)
    return ""
