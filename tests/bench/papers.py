"""How long the crew review of a large house takes: gathering, setting the type, writing.

.venv/bin/python -m tests.bench.papers --technicians 200 --jobs 6000
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

from dashboard.papers import crew, typesetting
from dashboard.papers.ledger import opened
from tests.dashboard import small_store


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--technicians", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=6000)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        store = small_store.make(Path(folder), jobs=asked.jobs, technicians=asked.technicians)
        typesetting.unpacked_type()
        began, cpu = time.perf_counter(), time.process_time()
        with opened(store) as ledger:
            content = crew.content(ledger)
        gathered = time.perf_counter()
        pdf = typesetting.to_pdf("crew", content, title=crew.TITLE)
        done, cpu = time.perf_counter(), time.process_time() - cpu
    print(
        f"{len(content['sheets'])} sheets: gathered in {gathered - began:.1f} s, set in {done - gathered:.1f} s, "
        f"{cpu:.1f} s of processor, {len(pdf) / 1e6:.1f} MB, "
        f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB at the peak"
    )


if __name__ == "__main__":
    main()
