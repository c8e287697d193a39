"""python -m synthetic_data --installs N --to FOLDER: an invented fleet as files."""

from __future__ import annotations

import argparse
import sys
from datetime import date
from pathlib import Path

from synthetic_data.fleet import make_fleet
from synthetic_data.messy import WRITERS, write_messy
from synthetic_data.truth import write_truth
from synthetic_data.worlds import WORLDS
from synthetic_data.write import FORMATS, write_contract


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m synthetic_data",
        description="Write an invented fleet as ordinary export files. People, places, models and effects are invented.",
    )
    parser.add_argument("--installs", type=int, default=8000, help="own installs of the first life (default 8000)")
    parser.add_argument("--to", type=Path, required=True, metavar="FOLDER", help="where the files go")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--as-of", type=date.fromisoformat, metavar="DATE", help="last day (default: three days ago)")
    parser.add_argument("--world", choices=sorted(WORLDS), default="usual")
    parser.add_argument("--style", choices=["contract", *WRITERS], default="contract")
    parser.add_argument("--format", choices=FORMATS, default="csv", help="of the contract's tables")
    parser.add_argument("--by-year", action="store_true", help="jobs in one file for each year")
    parser.add_argument("--truth", type=Path, metavar="FOLDER", help="write what is true there, apart from the files")
    asked = parser.parse_args(given)
    try:
        fleet = make_fleet(asked.installs, asked.seed, asked.as_of, asked.world)
    except ValueError as error:
        print(f"synthetic_data: {error}", file=sys.stderr)
        return 1
    if asked.style == "contract":
        write_contract(fleet, asked.to, asked.format, by_year=asked.by_year)
    else:
        write_messy(fleet, asked.to, asked.style)
    if asked.truth:
        write_truth(fleet, asked.truth)
    print(
        f"{fleet.jobs.height:,} jobs on {fleet.systems.height:,} systems, {fleet.calls.height:,} calls, to {fleet.as_of}: {asked.to}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
