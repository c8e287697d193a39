"""What a file looks like before anybody has said what it means: its headings and some of its rows, as text.

Only the first thousands of rows and the end of a file are read, however large it is. How the text is written
(encoding, delimiter, lines above the headings, totals below) is worked out here; what it means is not.
"""

from __future__ import annotations

import csv
import json
import re
import zipfile
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pipelines import cell_text
from pipelines.errors import InputError
from pipelines.mapping import DEFAULT_TOTALS
from pipelines.readers import InputFile, find_files, is_total, tidy_headings
from pipelines.units import unit_named

HEAD_BYTES = 1_500_000
TAIL_BYTES = 120_000
HEAD_ROWS = 3000
TAIL_ROWS = 300
LINES_SEARCHED = 40  # headings stand within the first lines, or nowhere

_DELIMITERS = (",", ";", "\t", "|")
_COMMENT_MARKS = ("#", "//", "%", "!", "*")
_BYTE_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_ENCODINGS_TRIED = ["cp1252", "mac_roman", "cp850", "cp1250", "utf_16_le", "utf_16_be"]


@dataclass
class Look:
    """One kind of row seen in a file, a sheet or a nested list.

    columns : for each heading its sampled cells as text, None where the cell is empty.
    headings_written_out : the mapping must name the headings, since no single line of the file holds them all.
    lines_above : lines to pass over before the line of headings (or before the first row, where written out).
    list_path : the nested list whose items make these rows; parent is the row that holds them.
    typed : figures and dates are stored as such, so no decimal mark or date order is in question.
    """

    path: Path
    root: Path
    kind: str
    headings: list[str]
    columns: list[list[str | None]]
    sheet: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    comment: str | None = None
    lines_above: int = 0
    lines_below: int = 0
    headings_written_out: bool = False
    list_path: str = ""
    parent: Look | None = None
    typed: bool = False
    row_count: int = 0
    whole: bool = True  # every row was seen
    heading_units: dict[str, str] = field(default_factory=dict)  # from a line of units below the headings

    @property
    def shown_path(self) -> str:
        return self.path.relative_to(self.root).as_posix() if self.path.is_relative_to(self.root) else self.path.name

    @property
    def shown(self) -> str:
        """The place as a person names it: file, sheet, list."""
        parts = [self.shown_path]
        if self.sheet is not None:
            parts.append(f'sheet "{self.sheet}"')
        if self.list_path:
            parts.append(f'list "{self.list_path}"')
        return ", ".join(parts)

    def cells(self, heading: str) -> list[str | None]:
        return self.columns[self.headings.index(heading)]


@dataclass(frozen=True)
class PassedOver:
    """A file or sheet that was not looked at, and why."""

    place: str
    why: str


def look_at(paths: list[Path]) -> tuple[list[Look], list[PassedOver]]:
    """Everything that can be read in files and folders.

    Raises
    ------
    InputError : a path does not exist.
    """
    looks: list[Look] = []
    files, notes = find_files(paths)
    passed = [PassedOver(*note.split(": ", 1)) for note in notes]
    alike = Counter((file.path.parent, file.path.suffix) for file in files)
    for file in files:
        # of very many files in one folder (gauge logs) the beginning of each tells enough
        many = alike[file.path.parent, file.path.suffix]
        head_bytes = HEAD_BYTES if many <= 20 else HEAD_BYTES // 8 if many <= 200 else 1 << 14
        try:
            if file.kind == "csv":
                found = _text_table(file, head_bytes)
            elif file.kind == "jsonl":
                found = _json_lines(file)
            elif file.kind == "parquet":
                found = _parquet(file)
            else:
                found, empty = _workbook(file)
                passed += [PassedOver(f'{file.shown}, sheet "{name}"', why) for name, why in empty]
        except InputError as error:
            passed.append(PassedOver(file.shown, str(error)))
            continue
        except OSError as error:
            passed.append(PassedOver(file.shown, f"cannot be read ({error.strerror or error})"))
            continue
        if not found and file.kind != "xlsx":
            passed.append(PassedOver(file.shown, "holds no rows"))
        looks += found
    return looks, passed


# --- text files


def _text_table(file: InputFile, head_bytes: int) -> list[Look]:
    head, tail, whole = _ends(file.path, head_bytes)
    if not head.strip(b"\x00 \t\r\n"):
        return []
    encoding, stated = encoding_of(head + tail)
    text, end = _decoded(head, encoding, tail_cut=not whole), _decoded(tail, encoding, head_cut=True)
    if text.count("\x00") > max(3, len(text) // 1000):
        raise InputError("is not text")
    comment = _comment_mark(text)
    delimiter = _delimiter(text, comment)
    numbered = _rows_of_text(text, delimiter, comment)
    rows = [row for _, row in numbered]
    if not rows:
        return []
    if not whole and len(rows) > 1:
        rows.pop()  # the last row may be cut off
    cut = len(rows) > HEAD_ROWS
    ends = [row for _, row in _rows_of_text(end, delimiter, comment)][1:] if not whole else rows[HEAD_ROWS:]
    look = _table(rows[:HEAD_ROWS], ends[-TAIL_ROWS:], [line for line, _ in numbered])
    if look is None:
        return []
    return [
        replace(
            look,
            path=file.path,
            root=file.root,
            kind="csv",
            encoding=encoding if stated else None,
            delimiter=delimiter,
            comment=comment,
            whole=whole and not cut,
        )
    ]


def _ends(path: Path, head_bytes: int = HEAD_BYTES) -> tuple[bytes, bytes, bool]:
    """The beginning and the end of a file, and whether the beginning is all of it."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(head_bytes)
        if size <= head_bytes:
            return head, b"", True
        file.seek(max(head_bytes, size - TAIL_BYTES) // 4 * 4)
        return head, file.read(), False


def encoding_of(content: bytes) -> tuple[str, bool]:
    """The encoding of a text, and whether it must be stated (plain ASCII is the same in all of them)."""
    for mark, name in _BYTE_MARKS:
        if content.startswith(mark):
            return name, name != "utf-8-sig"
    sample = content[: 1 << 16]
    if sample.count(b"\x00") > len(sample) // 5:
        return ("utf-16-le" if sample[1::2].count(b"\x00") >= sample[0::2].count(b"\x00") else "utf-16-be"), True
    if content.isascii():
        return "utf-8", False
    for trim in range(4):  # a character may be cut in two at the end of the sample
        try:
            content[: len(content) - trim].decode("utf-8")
            return "utf-8", True
        except UnicodeDecodeError as error:
            if error.start < len(content) - 4 and not _is_at_seam(error, content):
                break
    return _single_byte_encoding(content), True


def _is_at_seam(error: UnicodeDecodeError, content: bytes) -> bool:
    return abs(error.start - HEAD_BYTES) < 4 and len(content) > HEAD_BYTES


def _single_byte_encoding(content: bytes) -> str:
    """Windows-1252 unless the file shows otherwise: each old code page puts the degree sign at another byte."""
    odd = Counter(byte for byte in content if byte >= 0x80)
    for byte, name in ((0xB0, "cp1252"), (0xA1, "mac_roman"), (0xF8, "cp850")):
        if re.search(rb"[ \d(,;\t]" + bytes([byte]) + rb"\s?[CF]\b", content):
            return name
    from charset_normalizer import from_bytes

    lines = [line for line in content.splitlines() if not line.isascii()][:400]
    best = from_bytes(b"\n".join(lines), cp_isolation=_ENCODINGS_TRIED).best()
    found = best.encoding if best is not None else "cp1252"
    # bytes 0x80 to 0x9f are rare in Western Windows text: their absence leaves no reason to think of another page
    if found != "cp1252" and not any(byte < 0xA0 for byte in odd):
        return "cp1252"
    try:
        content.decode(found)
    except (UnicodeDecodeError, LookupError):
        return "latin-1"
    return found.replace("_", "-") if found.startswith("utf") else found


def _decoded(content: bytes, encoding: str, tail_cut: bool = False, head_cut: bool = False) -> str:
    if head_cut and encoding == "utf-16":
        encoding = "utf-16-le"
    text = content.decode(encoding, errors="replace")
    if tail_cut and "\n" in text:
        text = text[: text.rfind("\n") + 1]
    if head_cut and "\n" in text:
        text = text[text.find("\n") + 1 :]
    return text.removeprefix("\ufeff")


def _comment_mark(text: str) -> str | None:
    """The mark that begins every line above the table, where there are such lines."""
    first = next((line for line in text.splitlines()[:LINES_SEARCHED] if line.strip()), "")
    for mark in _COMMENT_MARKS:
        if first.startswith(mark):
            lines = [line for line in text.splitlines()[:LINES_SEARCHED] if line.strip()]
            leading = next((n for n, line in enumerate(lines) if not line.startswith(mark)), len(lines))
            after = lines[leading] if leading < len(lines) else ""
            # "# joints,Date" is a heading that begins with the mark, and "#,Job" too
            if after and (first.count(",") < after.count(",") or first.count(";") < after.count(";") or leading > 1):
                return mark
    return None


def _delimiter(text: str, comment: str | None) -> str:
    lines = [line for line in text.splitlines()[:400] if line.strip() and not (comment and line.startswith(comment))]
    best, best_score = ",", 0.0
    for delimiter in _DELIMITERS:
        try:
            widths = [len(row) for row in csv.reader(lines, delimiter=delimiter) if row]
        except csv.Error:
            continue
        if not widths:
            continue
        width, times = Counter(widths).most_common(1)[0]
        if width < 2:
            continue
        # a decimal comma splits rows unevenly, and rows of another width than the headings' tell of it
        score = times / len(widths) + min(width, 40) / 200
        if score > best_score + 1e-9:
            best, best_score = delimiter, score
    return best


def _rows_of_text(text: str, delimiter: str, comment: str | None) -> list[tuple[int, list[str | None]]]:
    """(number of the physical line, cells) of every row; comment lines are left out, blank ones kept as []."""
    reader_lines: list[str] = []
    numbers: list[int] = []
    for number, line in enumerate(text.splitlines(keepends=True), start=1):
        if comment and line.startswith(comment):
            continue
        reader_lines.append(line)
        numbers.append(number)
    rows: list[tuple[int, list[str | None]]] = []
    csv.field_size_limit(2 * HEAD_BYTES)
    reader = csv.reader(reader_lines, delimiter=delimiter)
    while len(rows) <= HEAD_ROWS * 4:
        start = reader.line_num
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error:
            continue
        if start < len(numbers):
            rows.append((numbers[start], [cell.strip() or None for cell in row]))
    return rows


# --- the table within rows of cells


def _table(rows: list[list[str | None]], tail: list[list[str | None]], lines: list[int]) -> Look | None:
    """Where the headings stand, and the rows below them. lines: the physical line at which each row begins."""
    at = _heading_row(rows)
    if at is None:
        return None
    width = max((len(row) for row in rows[at:]), default=0)
    headings, written_out, first, heading_units = _headings(rows, at, width)
    below = [row for row in rows[first:] if any(row)]
    lines_below, below, tail = _without_totals(below, [row for row in tail if any(row)], headings)
    body = below + tail
    columns: list[list[str | None]] = [[] for _ in headings]
    for row in body:
        if len(row) == 1 and len(headings) > 1:
            continue
        for n in range(len(headings)):
            columns[n].append(row[n] if n < len(row) else None)
    # a column without a heading and without content is only the width of the sheet
    keep = [
        n for n, name in enumerate(headings) if written_out or any(columns[n]) or not re.fullmatch(r"column \d+", name)
    ]
    names = [headings[n] for n in keep]
    if not names:
        return None
    physical = lines[at] if at < len(lines) else at + 1
    above = physical - 1
    if written_out:
        above = (lines[first] if first < len(lines) else physical + (first - at)) - 1
    return Look(
        Path(),
        Path(),
        "",
        names,
        [columns[n] for n in keep],
        lines_above=above,
        lines_below=lines_below,
        headings_written_out=written_out,
        row_count=len(body),
        heading_units=heading_units,
    )


def _is_figure_or_date(cell: str) -> bool:
    try:
        figure = cell_text.read_figure(cell, ".")
        return len(figure.unit) <= 6
    except cell_text.Unreadable:
        pass
    try:
        cell_text.read_date(cell, "mdy")
        return True
    except cell_text.Unreadable:
        return bool(re.match(r"^\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}", cell))


def _heading_row(rows: list[list[str | None]]) -> int | None:
    """The row that reads like a line of headings: many cells, all different, words rather than figures."""
    searched = rows[:LINES_SEARCHED]
    filled = [sum(1 for cell in row if cell) for row in rows[: LINES_SEARCHED * 3]]
    usual = sorted(filled)[int(len(filled) * 0.7)] if filled else 0
    best, best_score = None, 0.0
    for n, row in enumerate(searched):
        cells = [cell for cell in row if cell]
        if not cells or (len(cells) < 2 and usual >= 2):
            continue
        words = sum(1 for cell in cells if not _is_figure_or_date(cell) and len(cell) <= 60) / len(cells)
        if words < 0.6:
            continue
        different = len({cell.lower() for cell in cells}) / len(cells)
        width = min(1.0, len(cells) / max(usual, 1))
        # rows below that look like this one, in the same cells, tell that it is a row and not the headings
        below = rows[n + 1 : n + 30]
        contrast = _contrast(row, below)
        units_line = sum(1 for cell in cells if unit_named(cell)) / len(cells)
        score = words + different + width + contrast - 0.02 * n - units_line
        if score > best_score:
            best, best_score = n, score
    return best


def _contrast(row: list[str | None], below: list[list[str | None]]) -> float:
    """Share of the cells of a row that do not come again below it in the same place."""
    if not below:
        return 0.0
    cells = [(n, cell) for n, cell in enumerate(row) if cell]
    again = sum(1 for n, cell in cells if any(n < len(other) and other[n] == cell for other in below))
    return 1 - again / len(cells)


def _headings(rows: list[list[str | None]], at: int, width: int) -> tuple[list[str], bool, int, dict[str, str]]:
    """(headings, whether they must be written out, first row below them, units of a line of units).

    A line of groups above ("Pressure test" over "start" and "end") is joined in, and a line of units below is read.
    """
    row = [*rows[at], *([None] * width)][:width]
    first = at + 1
    units: list[str | None] = []
    if first < len(rows):
        below = rows[first]
        cells = [cell for cell in below if cell]
        if (
            cells
            and all(unit_named(cell.strip("()[] ")) or cell in ("-", "--") for cell in cells)
            and not any(_is_figure_or_date(cell) for cell in cells)
        ):
            units, first = below, first + 1
    named = [cell or "" for cell in row]
    repeated = {name for name, times in Counter(name.lower() for name in named if name).items() if times > 1}
    groups: list[str | None] = []
    if at > 0 and repeated:
        above = rows[at - 1]
        if sum(1 for cell in above if cell) >= 2:
            group = None
            for n in range(width):
                group = above[n] if n < len(above) and above[n] else group
                groups.append(group)
    if groups:
        named = [
            f"{group} {name}" if group and name else name or group or ""
            for group, name in zip(groups, named, strict=True)
        ]
    written_out = bool(groups) or bool(units)
    named = tidy_headings(named)
    heading_units = {
        named[n]: cell.strip("()[] ")
        for n, cell in enumerate(units)
        if cell and n < len(named) and cell not in ("-", "--")
    }
    return named, written_out, first, heading_units


_END_WORDS = (
    "total",
    "totals",
    "sum",
    "count",
    "average",
    "records",
    "rows",
    "end",
    "printed",
    "page",
    "subtotal",
    "grand",
)


def _without_totals(
    below: list[list[str | None]], tail: list[list[str | None]], headings: list[str]
) -> tuple[int, list[list[str | None]], list[list[str | None]]]:
    """(lines at the end that are no rows, rows, tail), lines of totals taken out."""
    kept, ends = ([row for row in rows if not is_total(row, DEFAULT_TOTALS)] for rows in (below, tail))
    lines_below = 0
    last = ends or kept
    while len(last) > 3 and lines_below < 5:
        row = last[-1]
        filled = sum(1 for cell in row if cell)
        first = (next((cell for cell in row if cell), "") or "").strip()
        begins = re.split(r"[^a-z]", first.lower())[0]
        few = filled <= max(2, len(headings) // 4)
        if len(headings) >= 3 and few and (begins in _END_WORDS or (filled == 1 and len(first) > 12 and " " in first)):
            last.pop()
            lines_below += 1
        else:
            break
    return lines_below, kept, ends


# --- workbooks, JSON Lines and Parquet


def _workbook(file: InputFile) -> tuple[list[Look], list[tuple[str, str]]]:
    import fastexcel

    try:
        book = fastexcel.read_excel(str(file.path))
        names = list(book.sheet_names)
    except Exception as error:  # the reader raises its own and Rust's errors
        raise InputError(f"cannot be read as a workbook ({_first_line(error)})") from None
    looks, passed = [], []
    for name in names:
        try:
            sheet = book.load_sheet(name, header_row=None, dtypes="string", n_rows=HEAD_ROWS)
            if sheet.visible != "visible":
                passed.append((name, "the sheet is hidden"))
                continue
            total = sheet.total_height
            rows = _sheet_rows(sheet)
            tail: list[list[str | None]] = []
            if total > HEAD_ROWS:
                last = book.load_sheet(
                    name, header_row=None, dtypes="string", skip_rows=max(HEAD_ROWS, total - TAIL_ROWS)
                )
                tail = _sheet_rows(last)
        except Exception as error:
            passed.append((name, f"cannot be read ({_first_line(error)})"))
            continue
        first = first_row_of_sheet(file.path, names.index(name)) if rows else 1
        look = _table(rows, tail, list(range(first, first + len(rows)))) if any(any(row) for row in rows) else None
        if look is None or not look.row_count:
            passed.append((name, "the sheet holds no rows"))
            continue
        whole = total <= HEAD_ROWS
        looks.append(replace(look, path=file.path, root=file.root, kind="xlsx", sheet=name, typed=True, whole=whole))
    return looks, passed


def first_row_of_sheet(path: Path, index: int) -> int:
    """The first row of a sheet that holds anything: rows above it are left out of what the workbook's reader gives."""
    try:
        with zipfile.ZipFile(path) as archive:
            book = archive.read("xl/workbook.xml").decode("utf-8", "replace")
            links = archive.read("xl/_rels/workbook.xml.rels").decode("utf-8", "replace")
            wanted = re.findall(r'<sheet\b[^>]*\br:id="([^"]+)"', book)[index]
            link = next(tag for tag in re.findall(r"<Relationship\b[^>]*>", links) if f'Id="{wanted}"' in tag)
            target = re.search(r'Target="([^"]+)"', link)
            name = target[1] if target else ""
            with archive.open(name.lstrip("/") if name.startswith("/") else f"xl/{name}") as sheet:
                start = sheet.read(1 << 18)
    except (KeyError, IndexError, StopIteration, OSError, zipfile.BadZipFile):
        return 1
    filled = re.search(rb'<c r="[A-Z]+(\d+)"[^>]*?(?<!/)>', start)
    return int(filled[1]) if filled else 1


def _sheet_rows(sheet: Any) -> list[list[str | None]]:
    if not sheet.width:
        return []
    return [[_cell(cell) for cell in row] for row in sheet.to_polars().rows()]


def _cell(value: Any) -> str | None:
    if value is None:
        return None
    text = cell_text.as_text(value).strip()
    # a workbook's day is a time at midnight
    return (text.removesuffix(" 00:00:00") if re.fullmatch(r"\d{4}-\d\d-\d\d 00:00:00", text) else text) or None


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0][:120]


def _json_lines(file: InputFile) -> list[Look]:
    head, tail, whole = _ends(file.path)
    encoding, _ = encoding_of(head)
    if encoding.startswith("utf-16"):
        raise InputError("is not JSON Lines in UTF-8")
    text = head.decode("utf-8", errors="replace").removeprefix("\ufeff")
    lines = [line for line in text.splitlines() if line.strip()]
    if not whole:
        lines = lines[:-1] + [line for line in tail.decode("utf-8", errors="replace").splitlines()[1:] if line.strip()]
    forms, bad = [], 0
    for line in lines[: HEAD_ROWS + TAIL_ROWS]:
        try:
            form = json.loads(line)
        except (ValueError, RecursionError):
            bad += 1
            continue
        if isinstance(form, dict):
            forms.append(form)
        else:
            bad += 1
    if not forms or bad > len(forms):
        raise InputError("is not JSON Lines (one form as a JSON object on each line)")
    tables: dict[str, list[dict[str, str | None]]] = {}
    for form in forms:
        _flatten(form, "", "", tables, 0)
    looks: dict[str, Look] = {}
    for list_path in sorted(tables, key=lambda name: (name.count("."), name)):
        rows = tables[list_path]
        names: dict[str, None] = {}
        for row in rows:
            names.update(dict.fromkeys(row))
        names = {name: None for name in names if name not in tables}  # a nested list, empty in some forms
        if not names:
            continue
        holder = max((name for name in looks if name == "" or list_path.startswith(name + ".")), key=len, default=None)
        looks[list_path] = Look(
            file.path,
            file.root,
            "jsonl",
            list(names),
            [[row.get(name) for row in rows] for name in names],
            list_path=list_path,
            parent=looks[holder] if holder is not None and list_path else None,
            typed=True,
            row_count=len(rows),
            whole=whole and len(lines) <= HEAD_ROWS + TAIL_ROWS,
        )
    return list(looks.values())


def _flatten(
    item: dict[str, Any], prefix: str, list_path: str, tables: dict[str, list[dict[str, str | None]]], depth: int
) -> None:
    row: dict[str, str | None] = {}
    rows = tables.setdefault(list_path, [])
    if len(rows) < (HEAD_ROWS + TAIL_ROWS) * 3:
        rows.append(row)
    _fill(item, prefix, row, tables, depth)


def _fill(
    item: dict[str, Any],
    prefix: str,
    row: dict[str, str | None],
    tables: dict[str, list[dict[str, str | None]]],
    depth: int,
) -> None:
    for key, value in item.items():
        name = f"{prefix}.{key}" if prefix else str(key)
        if isinstance(value, dict) and depth < 12:
            _fill(value, name, row, tables, depth + 1)
        elif isinstance(value, list) and any(isinstance(part, dict) for part in value) and depth < 12:
            for part in value:
                if isinstance(part, dict):
                    _flatten(part, name, name, tables, depth + 1)
        elif isinstance(value, list | dict):
            parts = value if isinstance(value, list) else [json.dumps(value)[:200]]
            row[name] = cell_text.as_text([part for part in parts if not isinstance(part, list | dict)]) or None
        else:
            row[name] = None if value is None else (cell_text.as_text(value).strip() or None)


def _parquet(file: InputFile) -> list[Look]:
    import pyarrow.parquet as pq

    try:
        parquet = pq.ParquetFile(file.path)
        names = tidy_headings(parquet.schema_arrow.names)
        batch = next(parquet.iter_batches(batch_size=HEAD_ROWS), None)
    except Exception as error:
        raise InputError(f"cannot be read as Parquet ({_first_line(error)})") from None
    if batch is None or not names:
        return []
    columns = [[_cell(value) for value in batch.column(n).to_pylist()] for n in range(len(names))]
    whole = parquet.metadata.num_rows <= HEAD_ROWS
    return [Look(file.path, file.root, "parquet", names, columns, typed=True, row_count=batch.num_rows, whole=whole)]


def stacked(looks: list[Look]) -> Look:
    """Looks at files with the same headings as one, so that every file's cells count as evidence."""
    first = looks[0]
    if len(looks) == 1:
        return first
    share = max(50, (HEAD_ROWS * 2) // len(looks))
    columns = [
        [cell for look in looks for cell in (look.columns[n][:share] + look.columns[n][share:][-50:])]
        for n in range(len(first.headings))
    ]
    return replace(
        first, columns=columns, row_count=sum(look.row_count for look in looks), whole=all(look.whole for look in looks)
    )
