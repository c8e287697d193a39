"""A backup comes back byte for byte and entry for entry; a damaged one changes nothing."""

import json
import sqlite3
import zipfile
from datetime import date

import pytest

from pipelines import backup, loading, wholeness
from pipelines.entries import Entries
from pipelines.errors import InputError, StoreBusyError
from pipelines.house_rules import HouseRules
from pipelines.store import Store
from synthetic_data import fleet, write


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    exports = tmp_path_factory.mktemp("exports")
    write.write_contract(fleet.make_fleet(installs=80, seed=4, as_of=date(2026, 1, 31)), exports)
    made = Store(tmp_path_factory.mktemp("house") / "fleet")
    loading.load(made, [exports], None, HouseRules())
    entries = Entries(made.entries_file)
    entries.change_setting("visit_cost", 180.0, "R. Hale")
    entries.dispute("J00001", "evacuation", "the gauge was mine", "T. Moss")
    return made


@pytest.fixture(scope="module")
def packed(store, tmp_path_factory):
    file = tmp_path_factory.mktemp("safe") / "fleet.zip"
    backup.back_up(store, file)
    return file


def rows(store, table):
    con = store.read()
    try:
        return con.execute(f"select * from {table} order by all").fetchall()
    finally:
        con.close()


def tree(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.endswith(("-wal", "-shm", "lock"))
    }


def test_restored_store_holds_the_same_rows_gauge_logs_and_entries(store, packed, tmp_path):
    fresh = Store(tmp_path / "new" / "fleet")
    contents, aside = backup.restore(packed, fresh)
    assert aside is None
    assert contents.entries == 2
    for table in ("staged_job", "staged_trace", "step_grade", "load_run"):
        assert rows(fresh, table) == rows(store, table) != []
    assert Entries(fresh.entries_file).all() == Entries(store.entries_file).all()
    assert fresh.pointer() == store.pointer()
    assert all(finding.is_right for finding in wholeness.check(fresh))
    # a load can go on from it
    with fresh.write("load"):
        pass
    assert fresh.pointer().generation == store.pointer().generation + 1


def test_store_that_is_not_empty_is_refused_and_moved_aside_only_when_told(packed, tmp_path):
    other = Store(tmp_path / "fleet")
    with other.write("load"):
        pass
    Entries(other.entries_file).change_setting("currency", "CAD")
    before = tree(other.folder)
    with pytest.raises(InputError, match="not empty"):
        backup.restore(packed, other)
    assert tree(other.folder) == before
    _, aside = backup.restore(packed, other, replace=True)
    assert tree(aside) == before
    assert Entries(other.entries_file).house_rules().visit_cost == 180.0
    assert len(rows(other, "staged_job")) > 0


def test_store_being_changed_is_not_replaced(packed, tmp_path):
    other = Store(tmp_path / "fleet")
    with other.write("load"), pytest.raises(StoreBusyError):
        backup.restore(packed, other, replace=True)


def test_entries_alone_are_backed_up_too(tmp_path):
    store = Store(tmp_path / "fleet")
    Entries(store.entries_file).change_setting("currency", "CAD")
    contents = backup.back_up(store, tmp_path / "b.zip")
    assert [part.name for part in contents.parts] == ["entries.sqlite"]
    backup.restore(tmp_path / "b.zip", Store(tmp_path / "again"))
    assert Entries(tmp_path / "again" / "entries.sqlite").house_rules().currency == "CAD"


def test_nothing_to_back_up_is_said_and_writes_no_file(tmp_path):
    with pytest.raises(InputError, match="nothing in"):
        backup.back_up(Store(tmp_path / "fleet"), tmp_path / "b.zip")
    assert not (tmp_path / "b.zip").exists()


def repacked(packed, to, change):
    """The same ZIP with some parts changed: change(name, bytes) gives the new bytes, or None to leave the part out."""
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(to, "w") as new:
        for name in old.namelist():
            content = change(name, old.read(name))
            if content is not None:
                new.writestr(name, content)
    return to


def flipped(content):
    middle = len(content) // 2
    return content[:middle] + bytes([content[middle] ^ 1]) + content[middle + 1 :]


def test_one_flipped_bit_in_any_part_is_found_and_nothing_changes(packed, tmp_path):
    for name in zipfile.ZipFile(packed).namelist():
        broken = repacked(packed, tmp_path / "broken.zip", lambda n, c, name=name: flipped(c) if n == name else c)
        target = Store(tmp_path / "fleet")
        with pytest.raises(InputError):
            backup.restore(broken, target)
        assert not target.folder.exists()
        assert [path.name for path in tmp_path.iterdir()] == ["broken.zip"]


def test_missing_part_cut_file_and_strange_file_are_said_in_words(packed, tmp_path):
    target = Store(tmp_path / "fleet")
    without = repacked(packed, tmp_path / "a.zip", lambda n, c: None if n == "entries.sqlite" else c)
    with pytest.raises(InputError, match="is not in it"):
        backup.restore(without, target)
    (tmp_path / "cut.zip").write_bytes(packed.read_bytes()[:-200])
    with pytest.raises(InputError, match="damaged or cut short"):
        backup.restore(tmp_path / "cut.zip", target)
    (tmp_path / "letter.txt").write_text("dear sir")
    with pytest.raises(InputError, match="cannot be read as a backup"):
        backup.restore(tmp_path / "letter.txt", target)
    with pytest.raises(InputError, match="no such file"):
        backup.restore(tmp_path / "nothing.zip", target)
    assert not target.folder.exists()


def test_name_that_leads_out_of_the_folder_is_refused(packed, tmp_path):
    def lead_out(name, content):
        if name != "parts.json":
            return content
        listed = json.loads(content)
        listed["parts"][0]["name"] = "../outside.duckdb"
        return json.dumps(listed).encode()

    bad = repacked(packed, tmp_path / "bad.zip", lead_out)
    with pytest.raises(InputError, match="no part of a store"):
        backup.restore(bad, Store(tmp_path / "in" / "fleet"))
    assert not (tmp_path / "in" / "outside.duckdb").exists()


def test_entries_changed_before_the_backup_are_found(store, tmp_path):
    copy = Store(tmp_path / "copy")
    backup.back_up(store, tmp_path / "a.zip")
    backup.restore(tmp_path / "a.zip", copy)
    con = sqlite3.connect(copy.entries_file)
    con.execute("update entry set content = '1.0' where entry_no = 1")
    con.commit()
    con.close()
    backup.back_up(copy, tmp_path / "b.zip")
    with pytest.raises(InputError, match="entry 1"):
        backup.restore(tmp_path / "b.zip", Store(tmp_path / "again"))


def test_backup_of_a_newer_program_is_refused(packed, tmp_path):
    newer = repacked(
        packed,
        tmp_path / "newer.zip",
        lambda n, c: json.dumps(json.loads(c) | {"store_version": 99}).encode() if n == "parts.json" else c,
    )
    with pytest.raises(InputError, match="newer slowfuse"):
        backup.restore(newer, Store(tmp_path / "fleet"))


def test_former_backup_stays_when_a_new_one_cannot_be_made(store, packed, tmp_path):
    file = tmp_path / "fleet.zip"
    file.write_bytes(packed.read_bytes())
    damaged = Store(tmp_path / "damaged")
    backup.restore(packed, damaged)
    next(damaged.gauge_log_folder.iterdir()).unlink()
    with pytest.raises(InputError, match="gauge logs"):
        backup.back_up(damaged, file)
    assert file.read_bytes() == packed.read_bytes()
