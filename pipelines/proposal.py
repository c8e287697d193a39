"""A proposed mapping for an export that is not in the contract's headings, for a person to read before loading.

`propose` looks at some rows of every file, places the headings for which there is evidence, says how sure each is and
why, lists what it left without a place, and asks what a file cannot decide by itself (03/04/2024, or 1.200): a
question stands in the mapping as lines commented out, one of which the reader takes the mark away from.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines import cell_text, interpreting, units
from pipelines.cell_text import Ambiguous, Unreadable
from pipelines.contract import Column
from pipelines.errors import InputError
from pipelines.mapping import Cell, Mapping, Source, parse_mapping
from pipelines.placing import Layout, lay_out
from pipelines.sampling import Look, PassedOver, look_at, stacked
from pipelines.source_draft import Question, SourceDraft, comment, draft_sources, needed, toml_text

SAMPLES_SHOWN = 3


@dataclass(frozen=True)
class Sample:
    """A heading at its place, with cells as written and as they would be held."""

    file: str
    heading: str
    column: str
    unit: str
    before: str
    after: str
    how_sure: str
    why: str


@dataclass(frozen=True)
class Unplaced:
    """A heading that no column took, with samples and what is known of it."""

    file: str
    heading: str
    samples: tuple[str, ...]
    why: str

    def __str__(self) -> str:
        shown = f" (such as {', '.join(self.samples)})" if self.samples else ""
        return f'{self.file}, "{self.heading}"{shown}: {self.why}'


@dataclass(frozen=True)
class Untranslated:
    """A word in a column of codes whose meaning is not known: its cells are rejected until the mapping says it."""

    file: str
    heading: str
    column: str
    word: str
    times: int
    codes: tuple[str, ...]

    def __str__(self) -> str:
        expected = f" Expected one of {', '.join(self.codes)}." if self.codes else ""
        times = f"{self.times} times" if self.times != 1 else "once"
        return f'{self.file}, "{self.heading}": "{self.word}" ({times}) is no word known for {self.column}.{expected}'


@dataclass
class Proposal:
    """What was found, as a mapping to read and answer."""

    drafts: list[SourceDraft]
    passed_over: list[PassedOver]
    unplaced: list[Unplaced]
    untranslated: list[Untranslated]
    _samples: list[Sample] | None = field(default=None, repr=False)

    @property
    def needs_mapping(self) -> bool:
        """False where every file is in the contract's own headings and loads as it stands."""
        return any(not draft.is_plain_contract for draft in self.drafts)

    @property
    def questions(self) -> list[Question]:
        return [question for draft in self.drafts for question in draft.questions]

    @property
    def samples(self) -> list[Sample]:
        """Every placed heading with cells before and after reading, as the loader itself would read them."""
        if self._samples is None:
            self._samples = self.samples_for({})
        return self._samples

    def samples_for(self, answers: dict[str, str]) -> list[Sample]:
        """The samples as they are once questions have been answered (as in `to_toml`)."""
        return list(_samples(self.drafts, parse_mapping(self.to_toml(answers)))) if self.drafts else []

    def to_toml(self, answers: dict[str, str] | None = None) -> str:
        """The mapping as TOML. answers: question's key -> one of its options, written out instead of asked.

        Raises
        ------
        InputError : nothing could be placed, so there is no mapping.
        """
        if not self.drafts:
            raise InputError(
                "No file looks like records of jobs, units, calls, people or gauges, so no mapping can be proposed. "
                + "; ".join(f"{passed.place}: {passed.why}" for passed in self.passed_over[:5])
            )
        answers = answers or {}
        lines = [
            "# A proposed mapping: each heading stands with the reason for its place and how sure it is.",
            "# Change what is wrong; what has no place is kept aside, not lost.",
        ]
        asked = [question for question in self.questions if question.key not in answers]
        if asked:
            lines.append(
                f"# {len(asked)} to answer: look for QUESTION, and take the # away from the line that is true."
            )
        names = dict.fromkeys(draft.look.shown_path.split("/")[0] for draft in self.drafts)
        lines += ["", f"name = {toml_text('Proposed for ' + ', '.join(list(names)[:4]))}", ""]
        for passed in self.passed_over:
            lines.append(comment(f"passed over: {passed.place}: {passed.why}"))
        for draft in self.drafts:
            lines += ["", *draft.toml(answers)]
            left = [part for part in self.unplaced if part.file == draft.shown]
            if left:
                lines += ["", "# Left without a place:"]
                for part in left:
                    shown = f" ({', '.join(part.samples)})" if part.samples else ""
                    lines.append(comment(f'  "{part.heading}"{shown}: {part.why}'))
        alone = [part for part in self.unplaced if all(part.file != draft.shown for draft in self.drafts)]
        if alone:
            lines += ["", "# Files that look like no records known here:"]
            lines += [comment(f"  {part}") for part in alone]
        return "\n".join(lines) + "\n"

    def render(self, width: int = 118) -> str:
        """Tables for the terminal: what was placed, what was not, what is asked."""
        from rich.console import Console
        from rich.table import Table

        console = Console(file=io.StringIO(), width=width, force_terminal=False, color_system=None, highlight=False)
        for draft in self.drafts:
            console.print(f"\n{draft.shown}: {draft.says}", markup=False)
            table = Table("heading", "column", "unit", "as written", "as held", "how sure", box=None, pad_edge=False)
            for sample in self.samples:
                if sample.file == draft.shown:
                    cells = (sample.heading, sample.column, sample.unit, sample.before, sample.after, sample.how_sure)
                    table.add_row(*(_plain_text(cell) for cell in cells))
            console.print(table)
        if self.unplaced:
            console.print("\nLeft without a place (kept aside on loading, not lost):", markup=False)
            for part in self.unplaced:
                console.print(f"  {_plain_text(str(part))}", markup=False)
        if self.untranslated:
            console.print("\nWords whose meaning is not known:", markup=False)
            for word in self.untranslated:
                console.print(f"  {_plain_text(str(word))}", markup=False)
        if self.passed_over:
            console.print("\nPassed over:", markup=False)
            for passed in self.passed_over:
                console.print(f"  {_plain_text(passed.place)}: {_plain_text(passed.why)}", markup=False)
        if self.questions:
            console.print("\nTo answer in the mapping before loading:", markup=False)
            for question in self.questions:
                console.print(f"  {_plain_text(str(question))}", markup=False)
        return console.file.getvalue().strip("\n")  # type: ignore[attr-defined]


def propose(paths: list[Path]) -> Proposal:
    """A mapping for what stands in files and folders.

    Raises
    ------
    InputError : a path does not exist, or nothing under the paths is a table that can be read.
    """
    looks, passed = look_at(paths)
    if not looks:
        why = "; ".join(f"{part.place}: {part.why}" for part in passed[:5]) or "there is no file in it"
        raise InputError(f"{', '.join(map(str, paths))}: nothing here can be read as a table ({why}).")
    groups = _grouped(looks)
    layouts = lay_out([group[0] for group in groups])
    drafts = draft_sources(
        layouts, {id(group[0]): group[1] for group in groups}, [look for _, many in groups for look in many]
    )
    plain = [draft for draft in drafts if draft not in needed(drafts)]
    passed += [PassedOver(draft.shown, "in the contract's own headings: it loads as it stands") for draft in plain]
    layouts = [layout for layout in layouts if not any(layout in draft.layouts for draft in plain)]
    drafts = [draft for draft in drafts if draft not in plain]
    unplaced = [part for layout in layouts for part in _left_out(layout, drafts)]
    untranslated = [word for layout in layouts for word in _untranslated(layout)]
    proposal = Proposal(drafts, passed, unplaced, untranslated)
    if drafts:
        parse_mapping(proposal.to_toml(), "the proposed mapping")
    return proposal


def _grouped(looks: list[Look]) -> list[tuple[Look, list[Look]]]:
    """Files with the same headings, written in the same way, are one kind of file: (all as one, the files)."""
    groups: dict[tuple[Any, ...], list[Look]] = {}
    parents: dict[int, tuple[Any, ...]] = {}
    for look in looks:
        headings = tuple(sorted(look.headings)) if look.kind == "jsonl" else tuple(look.headings)
        above = 0 if look.comment else look.lines_above
        parent = parents.get(id(look.parent)) if look.parent is not None else None
        key = (
            look.kind,
            look.sheet,
            look.list_path,
            headings,
            look.delimiter,
            above,
            look.lines_below,
            look.comment,
            parent,
        )
        if look.list_path:
            # lists of one file stay with their own forms, whatever headings some items lack
            key = (look.kind, look.list_path, parent)
        parents[id(look)] = key
        groups.setdefault(key, []).append(look)
    whole: dict[tuple[Any, ...], Look] = {}
    found = []
    for key, many in groups.items():
        one = stacked(_alike(many))
        if one.parent is not None:
            one.parent = whole.get(parents[id(many[0].parent)], one.parent)
        encodings = {look.encoding for look in many if look.encoding}
        if len(encodings) > 1:
            one.encoding = None  # each file shows its own
        elif encodings:
            one.encoding = encodings.pop()
        whole[key] = one
        found.append((one, many))
    return found


def _alike(looks: list[Look]) -> list[Look]:
    """Looks with their columns in one order; items of lists may lack some headings."""
    names = list(dict.fromkeys(name for look in looks for name in look.headings))
    result = []
    for look in looks:
        if look.headings == names:
            result.append(look)
            continue
        known = dict(zip(look.headings, look.columns, strict=True))
        columns = [known.get(name, [None] * look.row_count) for name in names]
        result.append(Look(**{**vars(look), "headings": names, "columns": columns}))
    return result


def _left_out(layout: Layout, drafts: list[SourceDraft]) -> Iterator[Unplaced]:
    place = next((draft for draft in drafts if layout in draft.layouts), None)
    read = place.headings_read if place is not None else frozenset()
    for heading in layout.look.headings:
        if heading in read:
            continue
        cells = [text for text in layout.look.cells(heading) if text]
        samples = tuple(dict.fromkeys(cells))[:SAMPLES_SHOWN]
        if place is not None and heading in place.why_not:
            why = place.why_not[heading]
        elif heading in layout.aside:
            why = layout.aside[heading]
        elif heading in layout.guesses:
            why = f"perhaps {layout.guesses[heading]}, but the evidence is thin"
        else:
            why = "its words and cells say nothing known here"
        yield Unplaced(place.shown if place is not None else layout.look.shown, heading, samples, why)
    if place is not None and layout is place.layouts[0]:
        for part, why in place.why_not.items():
            if all(part not in other.look.headings for other in place.layouts):
                yield Unplaced(place.shown, part, (), why)


def _untranslated(layout: Layout) -> Iterator[Untranslated]:
    for placed in layout.placed.values():
        cells = layout.look.cells(placed.heading)
        codes = placed.place.codes or ("true", "false") if placed.place.kind != "code" or placed.place.codes else ()
        for word in placed.untranslated[:12]:
            yield Untranslated(layout.look.shown, placed.heading, placed.place.name, word, cells.count(word), codes)


def _plain_text(text: str) -> str:
    """Text for a terminal: cells can hold anything, also marks that a terminal would obey."""
    from rich.markup import escape

    return escape("".join(char if char.isprintable() else " " for char in text))


# --- samples before and after reading


def _samples(drafts: list[SourceDraft], mapping: Mapping) -> Iterator[Sample]:
    for draft, source in zip(drafts, mapping.source, strict=True):
        for feed in interpreting.feeds_of(source):
            look = draft.look_of_list(feed.list)
            marks = draft.marks(source)
            shown: list[tuple[str, Cell, Column, units.Quantity | None]] = []
            for name, cell in feed.columns.items():
                if name in ("job_id", "step") and feed.step:
                    continue  # the same in each of the steps
                column = feed.table.by_name[name]
                shown.append((f"{feed.step or feed.table.name}.{name}", cell, column, None))
            for quantity, cell in feed.readings.items():
                about = units.all_quantities()[feed.step, quantity]
                column = Column(quantity, "number" if about.unit else "text", about.texts)
                shown.append((f"{feed.step}.{quantity}", cell, column, about))
            for name, cell, column, about in shown:
                heading = cell.heading or " + ".join(cell.headings)
                if not heading:
                    continue
                if about is None and feed.table.name == "traces" and column.name == "value":
                    quantity = feed.columns["quantity"].constant
                    about = units.all_quantities().get(("", str(quantity)))
                    name = f"traces.{quantity or 'value'}"
                before, after = _before_and_after(look, draft, cell, column, about, source, marks)
                sureness, why = draft.reason_of(name, heading)
                unit = cell.unit or ""
                yield Sample(draft.shown, heading, name, unit, before, after, sureness, why)


def _before_and_after(
    look: Look, draft: SourceDraft, cell: Cell, column: Column, about: units.Quantity | None, source: Source, marks: Any
) -> tuple[str, str]:
    own = draft.look_holding(cell.heading, look) if cell.heading else look
    if cell.headings:
        parts = [own.cells(heading) for heading in cell.headings if heading in own.headings]
        texts = [cell.between.join(part for part in row if part) or None for row in zip(*parts, strict=True)]
    elif own is not None and cell.heading in own.headings:
        texts = own.cells(cell.heading)
    else:
        return "", ""
    reader = interpreting.Reader(column, cell, source, marks)
    different = list(dict.fromkeys(text for text in texts if text))[:SAMPLES_SHOWN]
    after = []
    for text in different:
        if cell.since is not None:
            after.append("seconds since the first row")
            break
        try:
            if about is not None:
                picked = reader.picked(text)
                if picked is None:
                    after.append("(nothing recorded)")
                    continue
                measured = interpreting.read_measured(about, picked, cell.unit or "", reader.mark)
                figure = measured.text if measured.text is not None else _figure(measured.value)
                after.append(f"{figure} {'psia' if measured.above_zero else about.unit}".strip())
            elif column.name == "value":
                after.append(text)
            else:
                value, reason = reader.read(text)
                if reason:
                    raise Ambiguous(reason) if "nothing in this file decides" in reason else Unreadable(reason)
                unit = column.unit if column.unit not in ("money", "") else ""
                after.append(f"{_shown_value(value)} {unit}".strip())
        except Ambiguous:
            after.append(
                f"open until {'date_order' if column.kind in ('date', 'time') else 'decimal_mark'} is answered"
            )
            break
        except Unreadable as error:
            after.append(f"cannot be read: {error}")
    return " | ".join(different), " | ".join(after)


def _shown_value(value: Any) -> str:
    if value is None:
        return "(nothing recorded)"
    if isinstance(value, bool):
        return "true" if value else "false"
    return _figure(value) if isinstance(value, float) else cell_text.as_text(value)


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"
