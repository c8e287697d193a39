"""The shape that contributors rely on: imports point one way, SQL reads lower numbers, the papers name what is there."""

import ast
import csv
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import duckdb
import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "synthetic_data": {"synthetic_data"},
    "pipelines": {"pipelines"},
    "models": {"models", "pipelines.contract"},
    "dashboard": {"dashboard", "models", "pipelines", "synthetic_data"},
}
OWN = set(MAY_IMPORT)
SQL_FILES = sorted((ROOT / "pipelines" / "sql").glob("*.sql"))


def _imports(file: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return found


@pytest.mark.parametrize("package", sorted(OWN))
def test_imports_point_one_way(package):
    wrong = []
    for file in (ROOT / package).rglob("*.py"):
        for name in _imports(file):
            if name.split(".")[0] in OWN and not any(
                name == allowed or name.startswith(f"{allowed}.") or allowed.startswith(f"{name}.")
                for allowed in MAY_IMPORT[package]
            ):
                wrong.append(f"{file.relative_to(ROOT)} imports {name}")
    assert wrong == []


def test_streamlit_is_known_only_to_the_dashboard():
    wrong = [
        str(file.relative_to(ROOT))
        for package in OWN - {"dashboard"}
        for file in (ROOT / package).rglob("*.py")
        if any(name.split(".")[0] == "streamlit" for name in _imports(file))
    ]
    assert wrong == []


def test_loading_imports_nothing_heavy():
    script = (
        "import sys, dashboard.command_line, pipelines.loading, pipelines.grades, pipelines.store;"
        "print([name for name in ('streamlit', 'scipy', 'sklearn', 'altair', 'pandas') if name in sys.modules])"
    )
    printed = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)
    assert printed.stdout.strip() == "[]"


def _made_and_read(file: Path) -> tuple[set[str], set[str]]:
    made, read = set(), set()
    for statement in duckdb.extract_statements(file.read_text(encoding="utf-8")):
        match = re.search(
            r"create\s+(?:or\s+replace\s+)?(?:temp(?:orary)?\s+)?(?:table|view)\s+(\w+)", statement.query, re.I
        )
        if match:
            made.add(match[1].lower())
        read |= {
            name.lower()
            for name in re.findall(
                r"\b(?:from|join)\s+([a-z_][a-z_0-9]*)\b(?!\s*\()", _without_comments(statement.query), re.I
            )
        }
    return made, read


def _without_comments(sql: str) -> str:
    return re.sub(r"--[^\n]*", "", sql)


@pytest.mark.skipif(not SQL_FILES, reason="no SQL files")
def test_a_sql_file_reads_only_tables_that_lower_numbers_make():
    number_of = {}
    for file in SQL_FILES:
        for name in _made_and_read(file)[0]:
            number_of.setdefault(name, int(file.name[:3]))
    wrong = []
    for file in SQL_FILES:
        made, read = _made_and_read(file)
        wrong += [
            f"{file.name} reads {name} of {number_of[name]}"
            for name in read - made
            if name in number_of and number_of[name] > int(file.name[:3])
        ]
    assert wrong == []


def test_every_sql_file_opens_with_its_grain_and_says_why():
    wrong = [file.name for file in SQL_FILES if not re.match(r"--\s", file.read_text(encoding="utf-8"))]
    assert wrong == []


def test_no_limit_without_a_source():
    with open(ROOT / "pipelines" / "data" / "limits.csv", encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert rows
    assert [row["limit_id"] for row in rows if not row["source"] or not row["status"]] == []


def test_the_papers_name_every_command_and_table():
    from dashboard.command_line import app
    from pipelines.export import table_names

    paper = (ROOT / "README.md").read_text(encoding="utf-8") + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    commands = [command.name or command.callback.__name__ for command in app.registered_commands]
    assert [name for name in commands if f"slowfuse {name}" not in paper] == []
    assert [name for name in table_names() if f"`{name}`" not in paper] == []


def test_the_developers_paper_names_only_files_that_are_there():
    paper = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`((?:dashboard|models|pipelines|synthetic_data|tests|\.ci)/[\w./-]*)`", paper)
    assert named
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_the_wheel_holds_every_tracked_file_of_the_four_packages(tmp_path):
    tracked = subprocess.run(
        ["git", "ls-files", *sorted(OWN)], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    tracked = {name for name in tracked if name and (ROOT / name).exists()}
    if not tracked:
        pytest.skip("not a git checkout")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--no-deps", "--quiet", "--wheel-dir", str(tmp_path), str(ROOT)],
        check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    held = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    # the pictures of README.md lie beside the pages, and are no part of the program
    pictures = {name for name in tracked if name.startswith("dashboard/pictures/")}
    assert tracked - pictures - held == set()
    assert held & pictures == set()


def test_the_pictures_that_the_readme_shows_are_there_small_and_told_in_words():
    paper = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r'(?:src|srcset)="([^"]+\.png)"', paper)
    assert len(shown) >= 6
    assert [name for name in shown if not (ROOT / name).exists()] == []
    assert sorted(shown) == sorted(str(file.relative_to(ROOT)) for file in (ROOT / "dashboard" / "pictures").iterdir())
    assert [name for name in shown if (ROOT / name).stat().st_size >= 200_000] == []
    assert all(len(words) > 40 for words in re.findall(r'<img[^>]* alt="([^"]*)"', paper))
    assert paper.count("<img") == paper.count("<picture>") == len(shown) / 2
