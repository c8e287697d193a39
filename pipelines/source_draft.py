"""From what each file was taken for to the text of a mapping: one [[source]] for each kind of file, with its reasons."""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from pipelines import cell_text, interpreting, units
from pipelines.cell_text import Unreadable
from pipelines.column_evidence import IMPERIAL, METRIC, STEP_OF_QUANTITY, profile_of, system_of_units, unit_of_column
from pipelines.contract import QUANTITY_UNIT, STEPS, TABLE_BY_NAME
from pipelines.heading_match import Place, all_places, heading_of
from pipelines.mapping import MAY_BE_UNMAPPED, Source
from pipelines.placing import Layout, Placed
from pipelines.sampling import Look

WORDS_ON_ONE_LINE = 3
_TWINS = {"area": "systems", "site_id": "systems"}
_SITE_DETAILS = ("label", "address", "contact", "phone", "time_note", "latitude", "longitude", "altitude_ft")


# --- TOML as text


def toml_text(text: str) -> str:
    """A TOML string."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_key(text: str) -> str:
    return (
        text
        if re.fullmatch(r"[A-Za-z0-9_-]+", text)
        else json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
    )


def comment(text: str) -> str:
    """A comment of one line, whatever stands in the text."""
    return "# " + "".join(char if char.isprintable() else " " for char in text)


@dataclass(frozen=True)
class Question:
    """What a file does not decide by itself.

    key : names the question (source and key of the mapping); options : (what is written in the mapping, what it means).
    """

    key: str
    text: str
    options: tuple[tuple[str, str], ...]

    def __str__(self) -> str:
        return f"{self.key}: {self.text} " + " or ".join(f"{line} ({meaning})" for line, meaning in self.options)


@dataclass
class Entry:
    """One key of the mapping with its reason above it; asked where it is a question."""

    lines: list[str]
    why: str = ""
    question: Question | None = None

    def toml(self, answers: dict[str, str]) -> list[str]:
        above = [comment(self.why)] if self.why else []
        if self.question is None:
            return [*above, *self.lines]
        answer = answers.get(self.question.key)
        if answer is not None:
            known = [line for line, _ in self.question.options if answer == line or f'"{answer}"' in line]
            if known:
                return [*above, comment(f"answered: {self.question.text}"), known[0]]
        asked = [comment(f"QUESTION: {self.question.text}")]
        return [*above, *asked, *(f"# {line}   # {meaning}" for line, meaning in self.question.options)]


@dataclass
class Feed:
    """A [[source.table]] or [[source.step]] with its entries."""

    kind: str
    head: list[str]
    entries: list[Entry] = field(default_factory=list)


@dataclass
class SourceDraft:
    """One [[source]] in the making. layouts : the file's own rows first, then its nested lists."""

    name: str
    layouts: list[Layout]
    looks: list[Look]
    files: list[str]
    entries: list[Entry] = field(default_factory=list)
    feeds: list[Feed] = field(default_factory=list)
    reasons: dict[tuple[str, str], tuple[str, str]] = field(default_factory=dict)
    why_not: dict[str, str] = field(default_factory=dict)
    read: set[str] = field(default_factory=set)
    elsewhere: dict[str, Look] = field(default_factory=dict)  # headings taken from another source
    is_plain_contract: bool = False
    looks_up_in: set[str] = field(default_factory=set)

    @property
    def look(self) -> Look:
        return self.layouts[0].look

    @property
    def shown(self) -> str:
        if len(self.looks) > 1:
            names = list(dict.fromkeys(look.shown_path for look in self.looks))
            where = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more like it"
        else:
            where = self.look.shown_path
        return f'{where}, sheet "{self.look.sheet}"' if self.look.sheet is not None else where

    @property
    def says(self) -> str:
        """What the file was taken for."""
        kinds = list(dict.fromkeys(_PLAIN_SHAPE[layout.shape.name] for layout in self.layouts if layout.shape))
        own = "; in the contract's own headings, it loads without a mapping too" if self.is_plain_contract else ""
        return " and ".join(kinds) + own

    @property
    def questions(self) -> list[Question]:
        entries = [*self.entries, *(entry for feed in self.feeds for entry in feed.entries)]
        return [entry.question for entry in entries if entry.question is not None]

    @property
    def headings_read(self) -> frozenset[str]:
        return frozenset(self.read)

    def toml(self, answers: dict[str, str]) -> list[str]:
        lines = [comment(f"{self.shown}: {self.says}"), "[[source]]"]
        for entry in self.entries:
            lines += entry.toml(answers)
        for feed in self.feeds:
            lines += ["", f"[[source.{feed.kind}]]", *feed.head]
            for entry in feed.entries:
                lines += entry.toml(answers)
        return lines

    def look_of_list(self, path: str) -> Look:
        return next((layout.look for layout in self.layouts if layout.look.list_path == path), self.look)

    def look_holding(self, heading: str | None, look: Look) -> Look:
        for one in (look, *(layout.look for layout in self.layouts), *self.elsewhere.values()):
            if heading in one.headings:
                return one
        return look

    def marks(self, source: Source) -> interpreting.Marks:
        """The marks that the loader will see, from the rows that were looked at."""
        layout = self.layouts[0]
        decimal = source.decimal_mark or layout.decimal.found
        return interpreting.Marks({}, {}, decimal, source.date_order or layout.date_order.found)

    def reason_of(self, name: str, heading: str) -> tuple[str, str]:
        return self.reasons.get((name, heading)) or self.reasons.get(("", heading)) or ("sure", "")


_PLAIN_SHAPE = {
    "jobs": "one row for each job", "systems": "a register of units", "sites": "a list of sites",
    "calls": "later visits and calls", "technicians": "a list of technicians", "training": "courses held",
    "steps": "one row for each step of a job", "readings": "one row for each reading", "traces": "gauge logs",
    "instruments": "a list of instruments", "inspections": "steps measured again", "equipment_limits": "makers' limits",
    "blower_table": "makers' blower tables",
}  # fmt: skip


# --- all sources


def draft_sources(layouts: list[Layout], looks_of: dict[int, list[Look]], all_looks: list[Look]) -> list[SourceDraft]:
    """A draft for each kind of file (with its nested lists) that could be taken for something."""
    drafts: list[SourceDraft] = []
    by_look: dict[int, SourceDraft] = {}
    for layout in layouts:
        parent = by_look.get(id(layout.look.parent)) if layout.look.parent is not None else None
        if parent is not None:
            parent.layouts.append(layout)
            by_look[id(layout.look)] = parent
            continue
        draft = SourceDraft("", [layout], looks_of[id(layout.look)], [])
        by_look[id(layout.look)] = draft
        drafts.append(draft)
    drafts = [draft for draft in drafts if any(layout.shape is not None for layout in draft.layouts)]
    names: Counter[str] = Counter()
    for draft in drafts:
        name = _name_of(draft)
        names[name] += 1
        draft.name = name if names[name] == 1 else f"{name} {names[name]}"
        draft.files = _patterns(draft.looks, all_looks)
    registers = [draft for draft in drafts if draft.layouts[0].shape and draft.layouts[0].shape.name == "systems"]
    job_ids = _job_ids(drafts)
    for draft in drafts:
        _SourceWriter(draft, drafts, registers, job_ids).write()
    return [draft for draft in drafts if draft.feeds]


def needed(drafts: list[SourceDraft]) -> list[SourceDraft]:
    """Drafts without those of files that load as they stand, unless a look_up names them or all are such files."""
    others = [draft for draft in drafts if not draft.is_plain_contract]
    if not others:
        return drafts
    named = {name for draft in others for name in draft.looks_up_in}
    return [draft for draft in drafts if not draft.is_plain_contract or draft.name in named]


def _name_of(draft: SourceDraft) -> str:
    look = draft.look
    if look.sheet is not None:
        base = look.sheet
    elif len(draft.looks) > 3 and len({one.path.parent for one in draft.looks}) == 1 and "/" in look.shown_path:
        base = look.path.parent.name
    else:
        stems = list(dict.fromkeys(one.path.stem for one in draft.looks))
        base = look.path.stem if len(stems) == 1 else _common_start(stems).strip("-_ .") or look.path.parent.name
        base = re.sub(r"[\s_.-]*(part)?[\s_.-]*\d[\d_.-]*$", "", base) or base
    return re.sub(r"[^a-z0-9]+", "_", base.lower()).strip("_") or "source"


def _job_ids(drafts: list[SourceDraft]) -> set[str]:
    found: set[str] = set()
    for draft in drafts:
        for layout in draft.layouts:
            placed = layout.placed.get("jobs.job_id")
            if placed is not None:
                found.update(text for text in layout.look.cells(placed.heading) if text)
    return found


def _patterns(looks: list[Look], all_looks: list[Look]) -> list[str]:
    """Patterns that take the files of one kind and no other file that was looked at."""
    paths = list(dict.fromkeys(look.path for look in looks))
    root = looks[0].root
    others = {look.path for look in all_looks} - set(paths)
    names = [path.name for path in paths]

    def takes_only_these(patterns: list[str]) -> bool:
        source = Source(name="x", files=tuple(patterns))
        roots = {look.path: look.root for look in all_looks}
        return all(source.takes(path, roots[path]) for path in paths) and not any(
            source.takes(path, roots[path]) for path in others
        )

    tried: list[list[str]] = []
    if len(names) == 1:
        year = re.sub(r"(?<!\d)(19|20)\d\d([-_.]?\d\d){0,2}(?!\d)", "*", _as_pattern(names[0]))
        tried += [[year], [_as_pattern(names[0])]]
    else:
        start, end = _common_start(names), _common_start([name[::-1] for name in names])[::-1]
        end = end[max(0, len(start) + len(end) - min(map(len, names))) :]
        suffix = Path(names[0]).suffix
        if start:
            tried.append([f"{_as_pattern(start)}*{_as_pattern(end)}"])
        folders = {path.parent for path in paths}
        if len(folders) == 1:
            folder = folders.pop()
            inside = folder.relative_to(root).as_posix() if folder.is_relative_to(root) else folder.name
            if inside not in (".", ""):
                tried.insert(0, [f"{_as_pattern(inside)}/*{suffix}"])
            if not start and end == suffix:
                tried.append([f"*{suffix}"])
    for patterns in tried:
        if takes_only_these(patterns):
            return patterns
    exact = [_as_pattern(name) for name in dict.fromkeys(names)]
    if takes_only_these(exact):
        return exact
    return [_as_pattern(look.shown_path) for look in {look.path: look for look in looks}.values()]


def _as_pattern(name: str) -> str:
    return re.sub(r"([\[*?])", r"[\1]", name)


def _common_start(names: list[str]) -> str:
    first, last = min(names), max(names)
    n = 0
    while n < min(len(first), len(last)) and first[n] == last[n]:
        n += 1
    return re.sub(r"\d+$", "", first[:n])


# --- one source


class _SourceWriter:
    def __init__(
        self, draft: SourceDraft, drafts: list[SourceDraft], registers: list[SourceDraft], job_ids: set[str]
    ) -> None:
        self.draft, self.drafts, self.registers, self.job_ids = draft, drafts, registers, job_ids
        self.own = draft.layouts[0]

    def write(self) -> None:
        draft = self.draft
        if draft.look.kind != "jsonl":
            from pipelines.recognising import contract_source

            draft.is_plain_contract = contract_source(
                draft.look.sheet or "", draft.look.path, [list(draft.look.headings)]
            ) is not None  # fmt: skip
        for layout in draft.layouts:
            if layout.shape is not None:
                getattr(self, f"_{layout.shape.name}", self._plain)(layout)
        if draft.feeds:
            self._how_it_is_written()

    # the file itself

    def _how_it_is_written(self) -> None:
        draft, look = self.draft, self.draft.look
        head = [f"name = {toml_text(draft.name)}", f"files = [{', '.join(map(toml_text, draft.files))}]"]
        if look.sheet is not None:
            head.append(f"sheet = {toml_text(look.sheet)}")
        if look.encoding is not None:
            head.append(f"encoding = {toml_text(look.encoding)}")
        if look.kind == "csv" and look.delimiter is not None:
            head.append(f"delimiter = {toml_text(look.delimiter)}")
        if look.comment is not None:
            head.append(f"comment = {toml_text(look.comment)}")
        above = look.lines_above if look.comment is None or look.headings_written_out else 0
        if above:
            head.append(f"lines_above = {above}")
        if look.lines_below:
            head.append(f"lines_below = {look.lines_below}")
        if look.headings_written_out:
            head.append(f"headings = [{', '.join(map(toml_text, look.headings))}]")
        entries = [Entry(head)]
        entries += [entry for entry in (self._date_order(), self._decimal_mark(), self._return_static()) if entry]
        draft.entries = [*entries, *draft.entries]

    def _placed_anywhere(self) -> list[tuple[Layout, Placed]]:
        return [(layout, placed) for layout in self.draft.layouts for placed in layout.placed.values()]

    def _date_order(self) -> Entry | None:
        orders = [layout.date_order for layout in self.draft.layouts]
        dated = any(p.place.kind in ("date", "time") or p.unit.how == "since" for _, p in self._placed_anywhere())
        if not dated:
            return None
        found = next((mark for mark in orders if mark.found), None)
        unsure = next((mark for mark in orders if mark.is_open), None)
        if found is not None and unsure is None:
            word = "month first" if found.found == "mdy" else "day first"
            return Entry([f"date_order = {toml_text(found.found or '')}"], f"{found.proof} can only be {word}")
        if unsure is None:
            return None
        if unsure.is_mixed:
            text = f"some dates can only be read day first, others only month first (such as {unsure.example}): which is right?"
        else:
            text = f"{unsure.example} and every other date of these files can be read in two ways: is it month first or day first?"
        options = tuple(
            (f'date_order = "{order}"', f"{unsure.example} is {_day_in_words(unsure.example, order)}")
            for order in ("mdy", "dmy")
        )
        return Entry([], question=Question(f"{self.draft.name}.date_order", text, options))

    def _decimal_mark(self) -> Entry | None:
        if self.draft.look.typed or not any(p.place.kind in ("number", "integer") for _, p in self._placed_anywhere()):
            return None
        mark = self.own.decimal
        if mark.found:
            return Entry([f'decimal_mark = "{mark.found}"'], f"{mark.proof} shows it")
        if not mark.is_open:
            return None
        if mark.is_mixed:
            text = f"some figures are written with a decimal point, others with a comma (such as {mark.example}): which is right?"
        else:
            text = f"{mark.example} can be read in two ways, and no other figure decides: where is the decimal mark?"
        options = tuple(
            (f'decimal_mark = "{m}"', f"{mark.example} is {_figure_in_words(mark.example, m)}") for m in (".", ",")
        )
        return Entry([], question=Question(f"{self.draft.name}.decimal_mark", text, options))

    def _return_static(self) -> Entry | None:
        placed = self.own.placed.get("airflow.return_static")
        if placed is None:
            return None
        values = profile_of(self.own.look.cells(placed.heading), self.own.decimal.found).values
        negative, positive = sum(v < 0 for v in values), sum(v > 0 for v in values)
        if not (negative and positive):
            return None
        text = (
            f'the return static pressure ("{placed.heading}") is written with both signs '
            f"({negative} below zero, {positive} above): what do they mean?"
        )
        options = (
            ('return_static = "size_only"', "suction either way: the sign says nothing"),
            ('return_static = "suction_is_negative"', "a figure above zero is a pressure, not a suction"),
            ('return_static = "suction_is_positive"', "a figure below zero is a pressure, not a suction"),
        )
        return Entry([], question=Question(f"{self.draft.name}.return_static", text, options))

    # cells

    def _read(self, *headings: str) -> None:
        self.draft.read.update(headings)

    def _because(self, name: str, placed: Placed) -> str:
        why = "; ".join(placed.why) or "it is left for it"
        if placed.rival:
            why += f"; it could also be {placed.rival}"
        self.draft.reasons[name, placed.heading] = (placed.sureness, why)
        return f"{placed.sureness}: {why}"

    def _entry(self, key: str, placed: Placed, more: dict[str, str] | None = None) -> Entry:
        """key = the cell that a placed heading is read from, with its unit and words."""
        place = placed.place
        self._read(placed.heading)
        why = self._because(place.name, placed)
        parts: dict[str, str] = {}
        if placed.with_date_of:
            parts["headings"] = f"[{toml_text(placed.with_date_of)}, {toml_text(placed.heading)}]"
            self._read(placed.with_date_of)
            self.draft.reasons["", f"{placed.with_date_of} + {placed.heading}"] = (placed.sureness, why)
        else:
            parts["heading"] = toml_text(placed.heading)
        if placed.unit.how == "since":
            parts["since"] = toml_text("first_row")
        elif (
            placed.unit.unit
            and place.unit_kind
            and place.unit_kind != "money"
            and (place.step or placed.unit.how != "only")
        ):
            parts["unit"] = toml_text(placed.unit.unit)
        parts |= self._own_marks(placed)
        parts |= more or {}
        words = _words_needed(placed)
        if place.kind == "flag" and len(set(placed.words.values())) == 1 and "true" in placed.words.values():
            why += '; blank cells stay unknown: if a blank means no, add words = { "" = "false" }'
        if placed.untranslated:
            shown = ", ".join(f'"{word}"' for word in placed.untranslated[:8])
            why += f"; NOT TRANSLATED, give each a code in words: {shown}"
        if placed.unit.open_between:
            question = Question(
                f"{self.draft.name}.{place.name}",
                f'in which unit is "{placed.heading}" written? Its figures suit more than one.',
                tuple(
                    (_assignment(key, parts | {"unit": toml_text(unit)}, {})[0], f"in {unit}")
                    for unit in placed.unit.open_between
                ),
            )
            return Entry([], why, question)
        return Entry(_assignment(key, parts, words), why)

    def _own_marks(self, placed: Placed) -> dict[str, str]:
        """Decimal mark and date order of one column, where the file's columns differ in them."""
        layout = next((one for one in self.draft.layouts if placed.heading in one.look.headings), self.own)
        if placed.place.kind in ("number", "integer") and layout.decimal.found is None:
            own = layout.decimal_by.get(placed.heading)
            return {"decimal_mark": toml_text(own.found)} if own is not None and own.found else {}
        if placed.place.kind in ("date", "time") and layout.date_order.found is None:
            own = layout.date_order_by.get(placed.heading)
            return {"date_order": toml_text(own.found)} if own is not None and own.found else {}
        return {}

    # tables

    def _plain(self, layout: Layout) -> None:
        """A table filled by the headings of its own name."""
        assert layout.shape is not None
        self._table(layout, layout.shape.tables[0], {})

    def _table(self, layout: Layout, table: str, keys: dict[str, Entry], only_if: str = "") -> Feed | None:
        """One [[source.table]]; keys are entries beside those of placed headings. None where a key is not to be had."""
        entries: dict[str, Entry] = dict(keys)
        for column in TABLE_BY_NAME[table].column_names:
            placed = layout.placed.get(f"{table}.{column}")
            if placed is not None and column not in entries:
                entries[column] = self._entry(f"columns.{column}", placed)
            elif placed is None and column in layout.inherited and column not in entries:
                heading = layout.inherited[column]
                needed = column in TABLE_BY_NAME[table].key or TABLE_BY_NAME[table].by_name[column].parent_needed
                if needed:
                    entries[column] = Entry(
                        [f"columns.{column} = {toml_text(heading)}"], f"of what holds the list: {heading}"
                    )
        return self._feed_of(layout, table, entries, only_if)

    def _feed_of(self, layout: Layout, table: str, entries: dict[str, Entry], only_if: str = "") -> Feed | None:
        contract = TABLE_BY_NAME[table]
        needed = [n for n in (*contract.key, *contract.required) if n not in MAY_BE_UNMAPPED.get(table, ())]
        if any(name not in entries or not entries[name].lines for name in needed):
            return None
        head = [f"table = {toml_text(table)}"]
        if layout.look.list_path:
            head.append(f"list = {toml_text(layout.look.list_path)}")
        if only_if:
            head.append(only_if)
        ordered = [entries[name] for name in contract.column_names if name in entries]
        feed = Feed("table", head, ordered)
        self.draft.feeds.append(feed)
        return feed

    def _jobs(self, layout: Layout) -> None:
        draft = self.draft
        system = layout.placed.get("jobs.system_id") or layout.placed.get("systems.system_id")
        key = self._job_key(layout, system)
        keys: dict[str, Entry] = {}
        shown = self._key_heading(layout, system)
        if "jobs.job_id" not in layout.placed:
            draft.reasons["jobs.job_id", shown] = ("look at it", "no heading numbers the jobs")
            keys["job_id"] = Entry(
                [f"columns.job_id = {key}"],
                "look at it: no heading numbers the jobs, so the unit and the day name them",
            )
        if system is not None:
            keys["system_id"] = self._entry("columns.system_id", system)
        else:
            for table in ("jobs", "systems"):
                draft.reasons[f"{table}.system_id", shown] = ("look at it", "no heading names the unit")
            keys["system_id"] = Entry([f"columns.system_id = {key}"], "look at it: no heading names the unit, so each job stands for a unit of its own")  # fmt: skip
        register = self._register_of(layout, system)
        if register is not None and system is not None:
            keys |= self._looked_up(layout, system, register)
        self._table(layout, "jobs", keys)
        if register is None:
            system_entries = {"system_id": Entry(list(keys["system_id"].lines), "the unit that the job names")}
            self._systems_columns(layout, system_entries)
            self._feed_of(layout, "systems", system_entries)
            self._sites_beside(layout)
        else:
            for name, placed in layout.placed.items():
                if placed.place.table in ("systems", "sites") and placed.place.column != "system_id":
                    draft.why_not[placed.heading] = f"{name} is given by the register ({register.shown})"
        self._steps_of_row(layout, key)

    @staticmethod
    def _key_heading(layout: Layout, system: Placed | None) -> str:
        """The heading (or headings) that number the jobs, as a sample shows them."""
        placed = layout.placed.get("jobs.job_id")
        parts = [placed] if placed is not None else [system, layout.placed.get("jobs.finished_on")]
        return " + ".join(part.heading for part in parts if part is not None)

    def _job_key(self, layout: Layout, system: Placed | None) -> str:
        placed = layout.placed.get("jobs.job_id")
        if placed is not None:
            return toml_text(placed.heading)
        finished = layout.placed.get("jobs.finished_on")
        parts = [part.heading for part in (system, finished) if part is not None]
        self._read(*parts)
        return f"{{ headings = [{', '.join(map(toml_text, parts))}] }}"

    def _register_of(self, layout: Layout, system: Placed | None) -> SourceDraft | None:
        """Another file that lists the units which these jobs name."""
        if system is None:
            return None
        named = {text for text in layout.look.cells(system.heading) if text}
        for register in self.registers:
            other = register.layouts[0]
            placed = other.placed.get("systems.system_id")
            if register is not self.draft and placed is not None and named:
                listed = {text for text in other.look.cells(placed.heading) if text}
                # rows of the register beyond those looked at may list the rest
                if len(named & listed) >= (0.5 if other.look.whole else 0.05) * len(named):
                    return register
        return None

    def _looked_up(self, layout: Layout, system: Placed, register: SourceDraft) -> dict[str, Entry]:
        """Columns of the job that stand in the register, found there by the unit's number."""
        other = register.layouts[0]
        by = other.placed["systems.system_id"].heading
        found = {}
        for name, placed in other.placed.items():
            column = placed.place.column
            if placed.place.table == "jobs" and name not in layout.placed:
                look_up = f"{{ source = {toml_text(register.name)}, key = {toml_text(by)}, by = {toml_text(system.heading)} }}"
                found[column] = self._entry(f"columns.{column}", placed, {"look_up": look_up})
                self.draft.elsewhere[placed.heading] = other.look
                self.draft.looks_up_in.add(register.name)
                register.read.add(placed.heading)
                self.draft.read.discard(placed.heading)
        if system.heading in layout.look.headings:
            self._read(system.heading)
        return found

    def _systems_columns(self, layout: Layout, entries: dict[str, Entry]) -> None:
        for column in TABLE_BY_NAME["systems"].column_names:
            placed = layout.placed.get(f"systems.{column}")
            if placed is None and column in _TWINS:
                placed = layout.placed.get(f"sites.{column}")
                if placed is not None:
                    placed = Placed(**{**vars(placed), "place": all_places()[f"systems.{column}"]})
            if placed is not None and column not in entries:
                entries[column] = self._entry(f"columns.{column}", placed)

    def _sites_beside(self, layout: Layout) -> None:
        """Address and the like of the site, where the row names it."""
        details = [name for name in _SITE_DETAILS if f"sites.{name}" in layout.placed]
        site = layout.placed.get("sites.site_id") or layout.placed.get("systems.site_id")
        if not details:
            return
        if site is None:
            for name in details:
                self.draft.why_not[layout.placed[f"sites.{name}"].heading] = (
                    f"sites.{name}, but no heading numbers the sites"
                )
            return
        place = all_places()
        entries = {"site_id": self._entry("columns.site_id", Placed(**{**vars(site), "place": place["sites.site_id"]}))}
        area = layout.placed.get("sites.area") or layout.placed.get("systems.area")
        if area is not None:
            entries["area"] = self._entry("columns.area", Placed(**{**vars(area), "place": place["sites.area"]}))
        for name in details:
            entries[name] = self._entry(f"columns.{name}", layout.placed[f"sites.{name}"])
        self._feed_of(layout, "sites", entries)

    def _steps_of_row(self, layout: Layout, key: str) -> None:
        any_step = False
        for step in STEPS:
            entries: list[Entry] = []
            for column in ("ticked", "started_at", "ended_at", "technician_id", "taken_at", "instrument_id"):
                placed = layout.placed.get(f"{step}.{column}")
                if placed is not None:
                    entries.append(self._entry(column, placed))
            for quantity in QUANTITY_UNIT[step]:
                placed = layout.placed.get(f"{step}.{quantity}")
                if placed is not None:
                    entries.append(self._entry(f"readings.{quantity}", placed))
            if entries:
                any_step = True
                self.draft.feeds.append(Feed("step", [f"step = {toml_text(step)}"], entries))
        if any_step:
            self.draft.entries.append(Entry([f"job_id = {key}"]))

    def _systems(self, layout: Layout) -> None:
        entries: dict[str, Entry] = {}
        self._systems_columns(layout, entries)
        self._feed_of(layout, "systems", entries)
        self._sites_beside(layout)
        jobs = [d for d in self.drafts if d.layouts[0].shape and d.layouts[0].shape.name == "jobs"]
        for name, placed in layout.placed.items():
            if placed.place.table == "jobs" and not jobs:
                self.draft.why_not[placed.heading] = f"{name}, but no file of jobs was looked at with it"
            elif placed.place.table == "jobs" and all(name in d.layouts[0].placed for d in jobs):
                self.draft.why_not[placed.heading] = f"{name} is given by the jobs themselves"

    def _calls(self, layout: Layout) -> None:
        keys: dict[str, Entry] = {}
        if "calls.call_id" not in layout.placed:
            parts = [
                layout.heading_at("calls.system_id") or layout.inherited.get("system_id"),
                layout.heading_at("calls.opened_on"),
            ]
            texts = [part for part in parts if part]
            if len(texts) == 2:
                keys["call_id"] = Entry(
                    [f"columns.call_id = {{ headings = [{', '.join(map(toml_text, texts))}] }}"],
                    "look at it: no heading numbers the visits, so the unit and the day name them",
                )
        self._table(layout, "calls", keys)

    def _training(self, layout: Layout) -> None:
        self._table(layout, "training", {})

    # long tables of readings

    def _readings(self, layout: Layout) -> None:
        self._measured(layout, "readings")

    def _inspections(self, layout: Layout) -> None:
        self._measured(layout, "inspections")

    def _measured(self, layout: Layout, table: str) -> None:
        """Long readings: the step may follow from the quantity, and the unit may stand in its own column or nowhere."""
        look = layout.look
        quantity = layout.placed[f"{table}.quantity"]
        value = layout.placed[f"{table}.value"]
        words = {word: code for word, code in quantity.words.items() if word != code}
        keys: dict[str, Entry] = {}
        self._read(quantity.heading, value.heading)
        keys["quantity"] = Entry(
            _assignment("columns.quantity", {"heading": toml_text(quantity.heading)}, words),
            self._because_words(quantity),
        )
        if f"{table}.step" not in layout.placed and "step" not in layout.inherited:
            step_words = {
                word: STEP_OF_QUANTITY[code] for word, code in quantity.words.items() if code in STEP_OF_QUANTITY
            }
            keys["step"] = Entry(
                _assignment("columns.step", {"heading": toml_text(quantity.heading)}, step_words),
                "each quantity is of one step",
            )
        elif f"{table}.step" not in layout.placed:
            self._read(layout.inherited["step"])
            keys["step"] = self._inherited_step(layout)
        unit = layout.placed.get(f"{table}.unit")
        heading_unit = heading_of(value.heading).unit
        base = {"heading": toml_text(value.heading)}
        if unit is None and heading_unit is None:
            self._by_unit(layout, table, keys, quantity, value)
            return
        if unit is None and heading_unit is not None:
            keys["value"] = Entry(_assignment("columns.value", base | {"unit": toml_text(heading_unit)}, {}), self._because(f"{table}.value", value))  # fmt: skip
            self._table(layout, table, keys)
            return
        assert unit is not None
        written = Counter(text for text in look.cells(unit.heading) if text)
        unknown = [text for text in written if units.unit_named(text) is None and not cell_text.is_blank(text)]
        why = self._because(f"{table}.value", value)
        if unknown:
            why += f"; UNITS NOT KNOWN, give each in unit_words of columns.unit: {', '.join(toml_text(text) for text in unknown[:8])}"
        differences = self._differences(look, quantity, unit)
        if differences:
            # "°F" beside a subcooling means a difference of temperatures
            names, unit_words = differences
            among = (
                f"only_if = {{ heading = {toml_text(quantity.heading)}, is = [{', '.join(map(toml_text, names))}] }}"
            )
            others = among.replace(", is = [", ", is_not = [")
            keys["value"] = Entry(_assignment("columns.value", base, {}), why)
            self._table(layout, table, dict(keys), others)
            keys["value"] = Entry(_assignment("columns.value", base, {}), f"{why}; a difference of temperatures")
            written_as = ", ".join(
                f"{toml_key(word)} = {toml_text(unit_name)}" for word, unit_name in unit_words.items()
            )
            parts = {"heading": toml_text(unit.heading), "unit_words": f"{{ {written_as} }}"}
            keys["unit"] = Entry(_assignment("columns.unit", parts, {}), self._because(f"{table}.unit", unit))
            self._table(layout, table, dict(keys), among)
            return
        keys["value"] = Entry(_assignment("columns.value", base, {}), why)
        self._table(layout, table, keys)

    def _inherited_step(self, layout: Layout) -> Entry:
        heading = layout.inherited["step"]
        holder = next((other for other in self.draft.layouts if other.heading_at("steps.step") == heading), None)
        placed = holder.placed["steps.step"] if holder is not None else None
        words = _words_needed(placed) if placed is not None else {}
        return Entry(
            _assignment("columns.step", {"heading": toml_text(heading)}, words), f"of what holds the list: {heading}"
        )

    def _because_words(self, placed: Placed) -> str:
        why = self._because(placed.place.name, placed)
        if placed.untranslated:
            why += "; NOT TRANSLATED, give each a code in words: " + ", ".join(
                f'"{word}"' for word in placed.untranslated[:8]
            )
        return why

    @staticmethod
    def _differences(look: Look, quantity: Placed, unit: Placed) -> tuple[list[str], dict[str, str]] | None:
        """(words of target subcooling and superheat, unit word -> difference) where degF or degC stands beside them."""
        names, unit_words = [], {}
        for what, written in zip(look.cells(quantity.heading), look.cells(unit.heading), strict=True):
            if what and written and quantity.words.get(what) in ("target_subcooling", "target_superheat"):
                named = units.unit_named(written)
                if named is not None and named.name in ("degF", "degC"):
                    unit_words[written] = f"delta_{named.name}"
                    names.append(what)
        return (list(dict.fromkeys(names)), unit_words) if names else None

    def _by_unit(self, layout: Layout, table: str, keys: dict[str, Entry], quantity: Placed, value: Placed) -> None:
        """No unit is written anywhere: each quantity's figures tell it, or it is asked."""
        look = layout.look
        places = all_places()
        by_unit: dict[str, list[str]] = {}
        undecided: dict[str, tuple[str, ...]] = {}
        for word, code in quantity.words.items():
            step = STEP_OF_QUANTITY.get(code)
            if step is None:
                continue
            place = places[f"{step}.{code}"]
            if not place.unit_kind:
                by_unit.setdefault("", []).append(word)
                continue
            cells = [
                v for w, v in zip(look.cells(quantity.heading), look.cells(value.heading), strict=True) if w == word
            ]
            named = heading_of(word).unit
            choice = unit_of_column(place, named, profile_of(cells, layout.decimal.found), frozenset(), None)
            if choice.unit and choice.suits:
                by_unit.setdefault(choice.unit, []).append(word)
            else:
                undecided[word] = choice.open_between
        # what the other quantities are written in decides between two units that suit
        system = system_of_units(by_unit)
        for word, between in undecided.items():
            mine = [u for u in between if system and u not in (IMPERIAL if system == "metric" else METRIC)]
            if len(mine) == 1:
                by_unit.setdefault(mine[0], []).append(word)
            else:
                suits = f"its figures suit {' and '.join(between)}" if between else "its figures suit no usual unit"
                self.draft.why_not[f"{quantity.heading} = {word}"] = (
                    f"no heading and no cell names its unit, and {suits}: give it a [[source.table]] of its own with only_if"
                )
        for unit, names in by_unit.items():
            among = (
                f"only_if = {{ heading = {toml_text(quantity.heading)}, is = [{', '.join(map(toml_text, names))}] }}"
            )
            parts = {"heading": toml_text(value.heading)} | ({"unit": toml_text(unit)} if unit else {})
            why = self._because(f"{table}.value", value) + "; no unit is written, these figures suit this one"
            own = dict(keys)
            own["value"] = Entry(_assignment("columns.value", parts, {}), why)
            base = {"heading": toml_text(quantity.heading)}
            words = {word: code for word, code in quantity.words.items() if word in names}
            own["quantity"] = Entry(_assignment("columns.quantity", base, {w: c for w, c in words.items() if w != c}), self._because_words(quantity))  # fmt: skip
            if f"{table}.step" not in layout.placed and "step" not in layout.inherited:
                steps = {word: STEP_OF_QUANTITY[code] for word, code in words.items() if code in STEP_OF_QUANTITY}
                own["step"] = Entry(_assignment("columns.step", base, steps), "each quantity is of one step")
            self._table(layout, table, own, among)

    # gauge logs

    def _traces(self, layout: Layout) -> None:
        keys: dict[str, Entry] = {}
        if "traces.job_id" not in layout.placed and "job_id" not in layout.inherited:
            found = job_in_name([look.path.name for look in self.draft.looks], self.job_ids)
            if found is None:
                for placed in layout.placed.values():
                    self.draft.why_not[placed.heading] = (
                        f"{placed.place.name}, but neither a heading nor the file's name tells the job"
                    )
                return
            pattern, why = found
            self.draft.entries.append(Entry([f"file_name_pattern = {toml_text(pattern)}"], why))
            keys["job_id"] = Entry(['columns.job_id = { file_name = "job_id" }'])
        if "traces.quantity" in layout.placed and "traces.value" in layout.placed:
            self._long_traces(layout, keys)
            return
        for quantity in ("vacuum", "test_pressure", "test_temperature"):
            placed = layout.placed.get(f"traces.{quantity}")
            if placed is None:
                continue
            own = dict(keys)
            own["quantity"] = Entry([f"columns.quantity = {{ constant = {toml_text(quantity)} }}"])
            own["value"] = self._entry("columns.value", placed)
            if own["value"].question is not None:
                self.draft.entries.append(own["value"])
                continue
            self._table(layout, "traces", own)

    def _long_traces(self, layout: Layout, keys: dict[str, Entry]) -> None:
        value = layout.placed["traces.value"]
        unit = heading_of(value.heading).unit
        parts = {"heading": toml_text(value.heading)}
        if unit is not None and "traces.unit" not in layout.placed:
            parts["unit"] = toml_text(unit)
        self._read(value.heading)
        keys["value"] = Entry(_assignment("columns.value", parts, {}), self._because("traces.value", value))
        self._table(layout, "traces", keys)


def job_in_name(names: list[str], job_ids: set[str]) -> tuple[str, str] | None:
    """(pattern of the file's name with the job's number in it, why); None where a name shows no number."""
    stems = [name.rpartition(".")[0] or name for name in names]
    known = [stem for stem in stems if stem in job_ids]
    if len(known) >= 0.5 * len(stems):
        return _whole_name(stems), f"the file's name is the job's number, as in {known[0]}"
    inside: Counter[str] = Counter()
    shown: dict[str, str] = {}
    by_length = sorted(job_ids, key=len, reverse=True)[:20000]
    for stem in stems[:200]:
        parts = [part for part in re.split(r"[\s_.()]+", stem) if part]
        candidates = {*parts, *(piece for part in parts for piece in part.split("-"))}
        hit = next((part for part in candidates if part in job_ids), None)
        hit = hit or next(
            (job for job in by_length if len(job) >= 4 and re.search(rf"(?<!\w){re.escape(job)}(?!\w)", stem)), None
        )
        if hit is not None:
            at = stem.index(hit)
            pattern = f"^{_shape_of(stem[:at])}(?P<job_id>{_shape_of(hit)})(?![A-Za-z0-9])"
            inside[pattern] += 1
            shown.setdefault(pattern, f"{hit} in {stem}")
    if inside:
        pattern, times = inside.most_common(1)[0]
        if times >= 0.5 * min(len(stems), 200):
            return pattern, f"the file's name holds the job's number: {shown[pattern]}"
    if job_ids:
        return None
    numbered = [stem for stem in stems if re.search(r"\d", stem)]
    if (
        len(numbered) == len(stems)
        and len({_shape_of(stem) for stem in stems}) == 1
        and len(re.findall(r"\d+", stems[0])) == 1
    ):
        return _whole_name(stems), "look at it: the file's name seems to be the job's number"
    return None


def _whole_name(stems: list[str]) -> str:
    return r"^(?P<job_id>.+)\.[A-Za-z]+$" if any("." in stem for stem in stems) else r"^(?P<job_id>[^.]+)"


def _shape_of(text: str) -> str:
    """A pattern for texts like this one: other digits, the same letters."""
    return "".join(
        r"\d+" if part.isdigit() else re.escape(part).replace(r"\ ", " ").replace(r"\-", "-")
        for part in re.findall(r"\d+|\D+", text)
    )


# --- words


def _words_needed(placed: Placed) -> dict[str, str]:
    """Words that the loader does not know by itself."""
    place: Place = placed.place
    needed = {}
    for word, code in placed.words.items():
        if cell_text.is_blank(word) and word not in place.codes:
            continue
        try:
            read = cell_text.read_flag(word) if place.kind == "flag" else cell_text.read_code(word, place.codes)
            known = ("true" if read else "false") if place.kind == "flag" else read
        except Unreadable:
            known = None
        if known != code:
            needed[word] = code
    return needed


def _assignment(key: str, parts: dict[str, str], words: dict[str, str]) -> list[str]:
    """key = heading, or an inline table, or a line for each word where there are many."""
    if not words and set(parts) == {"heading"}:
        return [f"{key} = {parts['heading']}"]
    if len(words) <= WORDS_ON_ONE_LINE:
        inside = [f"{name} = {value}" for name, value in parts.items()]
        if words:
            inside.append("words = { " + ", ".join(f"{toml_key(w)} = {toml_text(c)}" for w, c in words.items()) + " }")
        return [f"{key} = {{ {', '.join(inside)} }}"]
    lines = [f"{key}.{name} = {value}" for name, value in parts.items()]
    return [*lines, *(f"{key}.words.{toml_key(word)} = {toml_text(code)}" for word, code in words.items())]


def _day_in_words(text: str, order: str) -> str:
    try:
        day = cell_text.read_date(text, order)
    except Unreadable:
        return "no date then"
    return f"{day.day} {('January', 'February', 'March', 'April', 'May', 'June', 'July', 'August', 'September', 'October', 'November', 'December')[day.month - 1]} {day.year}"


def _figure_in_words(text: str, mark: str) -> str:
    try:
        return f"{cell_text.read_figure(text, mark).value:.6g}"
    except Unreadable:
        return "no figure then"
