"""A load that is killed at any moment leaves the last good store, and the next load works."""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from datetime import date
from pathlib import Path

import pytest

from pipelines import wholeness
from pipelines.store import Store
from synthetic_data import fleet, write

ROOT = Path(__file__).parents[2]
KILLS = 20


def _load(folder, store):
    return subprocess.Popen(
        [sys.executable, "-m", "dashboard.command_line", "load", str(folder), "--no-fit", "--store", str(store)],
        cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def _jobs(store):
    return store.read().cursor().execute("select count(*), sum(hash(job_id)) from staged_job").fetchone()


@pytest.fixture(scope="module")
def exports(tmp_path_factory):
    small, large = tmp_path_factory.mktemp("small"), tmp_path_factory.mktemp("large")
    write.write_contract(fleet.make_fleet(installs=200, seed=1, as_of=date(2026, 1, 31)), small)
    write.write_contract(fleet.make_fleet(installs=4000, seed=2, as_of=date(2026, 1, 31)), large)
    return small, large


def test_twenty_killed_loads_leave_the_last_good_store(exports, tmp_path):
    small, large = exports
    store = Store(tmp_path / "fleet")
    assert _load(small, store.folder).wait() == 0
    before, generation = _jobs(store), store.pointer().generation

    trial = tmp_path / "trial"
    started = time.perf_counter()
    assert _load(large, trial).wait() == 0
    whole_load_s = time.perf_counter() - started

    chance = random.Random(11)
    killed, begun = 0, 0
    while killed < KILLS:
        begun += 1
        assert begun <= 3 * KILLS, "most loads ended before they could be killed"
        process = _load(large, store.folder)
        # from the first import to just before the end: where it dies must not matter
        time.sleep(chance.uniform(0.2, 0.9) * whole_load_s)
        if process.poll() is None:
            os.kill(process.pid, signal.SIGKILL)
            killed += 1
        process.wait()
        if store.pointer().generation != generation:
            # it was quick enough to publish: then all of it must be there; begin again from the small store
            assert _jobs(store)[0] > before[0]
            shutil.rmtree(store.folder)
            assert _load(small, store.folder).wait() == 0
        assert _jobs(store) == before
        assert [finding.sentence for finding in wholeness.check(store) if not finding.is_right] == []

    assert _load(large, store.folder).wait() == 0
    assert _jobs(store)[0] > before[0]
    assert [finding.sentence for finding in wholeness.check(store) if not finding.is_right] == []
