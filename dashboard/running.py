"""Loads and fits started from a page: the command line in a process of its own, so that no session waits for another."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipelines.store import FOLDER_VARIABLE, Store

ROOT = Path(__file__).resolve().parent.parent
LOOK_EVERY_S = 0.3


@dataclass
class Command:
    """One run of the command line: what it has said so far, and its exit code once it has ended."""

    said: str = ""
    code: int | None = None


def run(arguments: list[str], store: Store) -> Iterator[Command]:
    """Run `slowfuse` with these arguments and yield what it says as it goes; the last one yielded has the exit code."""
    environment = {
        **os.environ,
        FOLDER_VARIABLE: str(store.folder.resolve()),
        "NO_COLOR": "1",
        "COLUMNS": "160",
        "PYTHONUNBUFFERED": "1",
    }
    # what it says goes to a file, not a pipe: a page that is left must not stop a load half-way
    with tempfile.NamedTemporaryFile("w+", suffix=".txt", encoding="utf-8", errors="replace") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.command_line", *arguments],
            cwd=ROOT,
            env=environment,
            stdout=log,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
        )
        while True:
            code = process.poll()
            yield Command(Path(log.name).read_text(encoding="utf-8", errors="replace"), code)
            if code is not None:
                return
            time.sleep(LOOK_EVERY_S)
