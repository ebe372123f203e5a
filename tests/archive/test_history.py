"""A folder of records as an archive: found by what they say, followed over the years, and never a stale index."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time

import numpy as np
import pytest

from tests.archive.small_records import NOISE_U_K, small_record
from thermscan.archive import index as index_module
from thermscan.archive.change_test import find_changes
from thermscan.archive.history import Filters, list_records, looks_at
from thermscan.archive.index import INDEX_FILE, open_index
from thermscan.archive.trend import trend_of
from thermscan.cli.main import main
from thermscan.errors import InputError
from thermscan.judge.board_wide import fit_board_wide

USUAL_K = {f"U{number}": 4.0 + 1.5 * number for number in range(1, 13)}
YEARS = ("2021", "2023", "2025")


@pytest.fixture
def archive(tmp_path):
    folder = tmp_path / "archive"
    (folder / "2023").mkdir(parents=True)
    small_record(folder / "a.zip", USUAL_K, taken="2021-05-02T10:00:00Z")
    small_record(folder / "2023" / "b", {**USUAL_K, "U7": 30.0}, taken="2023-05-02T10:00:00Z", flagged=["U7"])
    small_record(folder / "c", USUAL_K, board="door lock", serial="7", taken="2022-01-01")
    return folder


def names(folder, **wanted) -> list[str]:
    with open_index(folder) as index:
        return [os.path.relpath(each.bag, folder) for each in list_records(index, Filters(**wanted))]


def test_records_are_found_by_what_they_say(archive):
    assert names(archive) == ["a.zip", "c", "2023/b"]  # in time order
    assert names(archive, board="Tape Controller") == ["a.zip", "2023/b"]
    assert names(archive, serial="7") == ["c"]
    assert names(archive, overall="act") == ["2023/b"]
    assert (
        names(archive, finding="U7") == names(archive, finding="peer") == names(archive, finding="is hot") == ["2023/b"]
    )
    assert names(archive, finding="%") == []
    assert names(archive, part="U12", board="door lock") == ["c"]
    assert names(archive, part="U99") == []
    assert names(archive, since="2022-01-01", until="2022-01-01") == ["c"]  # a day means all of it
    assert names(archive, since="2023-05-02T10:00:01Z") == []


def test_the_list_is_told_as_json(archive, capsys):
    assert main(["record", "list", str(archive), "--board", "tape controller", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "thermscan.archive/1"
    assert document["records"][1] == {
        "bag": str(archive / "2023" / "b"), "board": "tape controller", "revision": "B", "serial": "0042",
        "taken": "2023-05-02T10:00:00Z", "stage": "idle", "overall": "act", "flagged": ["U7"],
    }  # fmt: skip


def test_the_index_follows_what_comes_goes_and_is_replaced(archive):
    assert len(names(archive)) == 3
    small_record(archive / "d.zip", USUAL_K, serial="9", taken=None)
    (archive / "a.zip").unlink()
    shutil.rmtree(archive / "c")
    small_record(archive / "c", USUAL_K, serial="8", taken="2022-01-01")  # another of the same size and time
    assert names(archive) == ["c", "2023/b", "d.zip"]
    assert names(archive, serial="8") == ["c"]
    assert names(archive, serial="7") == []


@pytest.mark.parametrize("spoil", ["remove", "text", "half", "former layout"])
def test_an_index_that_is_lost_or_damaged_is_made_anew(archive, spoil):
    wanted = names(archive)
    path = archive / INDEX_FILE
    if spoil == "remove":
        path.unlink()
    elif spoil == "text":
        path.write_text("not a database")
    elif spoil == "half":
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    else:
        with sqlite3.connect(path) as database:
            database.execute("PRAGMA user_version = 0")
        database.close()
    assert names(archive) == wanted
    # What is no database is somebody's own file: it keeps its contents under another name.
    kept = path.with_name(path.name + ".bak")
    assert (kept.read_text() == "not a database") if spoil == "text" else not kept.exists()


def test_only_new_records_are_read(archive, monkeypatch):
    names(archive)
    read = []
    whole = index_module.read_summary
    monkeypatch.setattr(index_module, "read_summary", lambda folder, bag: read.append(bag) or whole(folder, bag))
    small_record(archive / "d.zip", USUAL_K)
    assert len(names(archive)) == 4
    assert read == ["d.zip"]


def test_a_folder_that_cannot_be_written_to_is_listed_all_the_same(archive, monkeypatch, capsys):
    names(archive)
    small_record(archive / "d.zip", USUAL_K)
    monkeypatch.setattr(
        index_module, "_connected", lambda path: sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)
    )
    assert main(["record", "list", str(archive), "--json"]) == 0
    said = capsys.readouterr()
    assert len(json.loads(said.out)["records"]) == 4
    assert said.err.count("\n") == 1
    assert "the index cannot be written there (attempt to write a readonly database)" in said.err
    monkeypatch.undo()
    (archive / INDEX_FILE).unlink()

    def refuse(*_: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(index_module, "_rebuild", refuse)
    assert main(["record", "list", str(archive)]) == 0
    (line,) = capsys.readouterr().err.splitlines()
    assert line == (
        f"{archive}: the index cannot be written there (read-only file system); every record was read, and will be the "
        "next time"
    )
    assert not (archive / INDEX_FILE).exists()


def test_a_damaged_record_is_named_and_the_others_are_listed(archive, capsys):
    place = archive / "2023" / "b" / "data" / "report" / "results.json"
    place.write_text(place.read_text().replace("30.0", "20.0"))
    (archive / "e.zip").write_bytes(b"PK\x05\x06 no zip")
    assert main(["record", "list", str(archive), "--json"]) == 2
    said = capsys.readouterr()
    assert len(json.loads(said.out)["records"]) == 2
    assert "2023/b: data/report/results.json is not what was packed" in said.err
    assert "e.zip: is not a zip" in said.err


def test_a_zip_that_is_no_record_is_passed_over(archive, capsys):
    (archive / "letters").mkdir()
    (archive / "letters" / "a.txt").write_text("Dear …")
    shutil.make_archive(str(archive / "letters"), "zip", archive / "letters")
    assert main(["record", "list", str(archive), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["records"]) == 3


def test_a_wrong_board_part_or_date_is_told_with_the_nearest(archive, capsys):
    assert main(["record", "trend", str(archive), "--board", "tape controler"]) == 2
    assert main(["record", "trend", str(archive), "--board", "tape controller", "--ref", "U77"]) == 2
    assert main(["record", "list", str(archive), "--since", "May"]) == 2
    assert main(["record", "list", str(archive / "none")]) == 2
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 4
    assert "did you mean tape controller?" in said[0]
    assert "did you mean U7" in said[1]


def visits(folder, rises_a_visit, **facts) -> None:
    folder.mkdir(exist_ok=True)
    for number, rises in enumerate(rises_a_visit):
        told = {key: value[number] if isinstance(value, list) else value for key, value in facts.items()}
        small_record(folder / f"{number}.zip", rises, taken=f"{2010 + number}-05-02T10:00:00Z", **told)


def trended(folder, ref=None, **wanted):
    with open_index(folder) as index:
        return trend_of("b", looks_at(index, board="tape controller", ref=ref, **wanted), ref=ref)


def test_a_part_that_warmed_is_told_at_another_ambient_load_and_draught(tmp_path):
    """Visits at 1.3 times the load, 2 K of wrong ambient, another draught; U7 alone is warmer on the third."""
    seen = [
        USUAL_K,
        {ref: 1.3 * rise - 2.0 for ref, rise in USUAL_K.items()},
        {ref: 0.9 * (rise + (6.0 if ref == "U7" else 0.0)) + 1.0 for ref, rise in USUAL_K.items()},
    ]
    visits(tmp_path / "t", seen, watts=[5.0, 6.5, 4.5])
    trend = trended(tmp_path / "t")
    assert [(change.ref, change.level) for change in trend.changes] == [("U7", "act")]
    (change,) = trend.changes
    assert change.change_k == pytest.approx(6.0, abs=2.5 * change.u_k)
    assert change.u_k < 1.0
    assert (change.before.taken[:4], change.after.taken[:4]) == ("2011", "2012")
    steady = np.array([[point.rise_k for point in trend.points if point.look.ref == ref] for ref in ("U3", "U12")])
    assert np.ptp(steady, axis=1) == pytest.approx([0.0, 0.0], abs=0.3)


def test_where_too_few_parts_tell_what_is_shared_the_watts_do(tmp_path):
    visits(tmp_path / "t", [{"U1": 10.0}, {"U1": 20.0}], watts=[5.0, 10.0])
    trend = trended(tmp_path / "t")
    # 7.5 W is the median load: 10 K at 5 W and 20 K at 10 W are both 15 K there.
    assert [point.rise_k for point in trend.points] == pytest.approx([15.0, 15.0])
    assert trend.changes == ()
    # The camera and the thermometer do not cancel here.
    assert all(point.u_k > 1.0 for point in trend.points)


def test_good_boards_are_seldom_said_to_have_changed(tmp_path):
    """200 series of 3 visits to good boards of 12 parts: an 'act' on at most one in twenty (aim of the judge)."""
    rng = np.random.default_rng(11)
    folder = tmp_path / "t"
    folder.mkdir()
    series = 60
    for serial in range(series):
        for number, year in enumerate(YEARS):
            scale, shift = rng.uniform(0.8, 1.25), rng.normal(0.0, 1.0)
            noise = {ref: rng.normal(0.0, np.hypot(0.25, 0.04 * rise)) for ref, rise in USUAL_K.items()}
            rises = {ref: scale * (rise + noise[ref]) + shift for ref, rise in USUAL_K.items()}
            small_record(
                folder / f"{serial}-{number}.zip", rises, serial=str(serial), taken=f"{year}-01-01", watts=None
            )
    trend = trended(folder)
    accused = {change.after.serial for change in trend.changes if change.level == "act"}
    # 3 of 60 would be the rate of one in twenty; binomial, 95 %: up to 6.
    assert len(accused) <= 6
    scatter = [
        (points[0].rise_k - points[2].rise_k) / np.hypot(points[0].u_k, points[2].u_k)
        for points in _by_part(trend).values()
    ]
    # Stated uncertainties are those that are seen: 720 differences, 3 % of standard deviation, and the fits' shares.
    assert np.std(scatter) == pytest.approx(1.0, abs=0.15)


def _by_part(trend):
    found = {}
    for point in trend.points:
        found.setdefault((point.look.serial, point.look.ref), []).append(point)
    return found


def test_another_stage_is_another_series(tmp_path):
    visits(tmp_path / "t", [USUAL_K, {ref: 3 * rise for ref, rise in USUAL_K.items()}], stage=["bare board", "soak"])
    trend = trended(tmp_path / "t")
    assert trend.changes == ()
    assert "one visit only" in trend.remarks[0]


def test_boards_of_one_type_stand_side_by_side_and_are_not_mixed(tmp_path):
    hot = {**USUAL_K, "U7": 40.0}
    visits(tmp_path / "t", [USUAL_K, hot, USUAL_K, hot], serial=["1", "2", "1", "2"])
    trend = trended(tmp_path / "t")
    assert trend.changes == ()
    assert {point.look.serial for point in trend.points} == {"1", "2"}
    assert {point.look.serial for point in trended(tmp_path / "t", serial="2").points} == {"2"}


def test_what_cannot_be_ordered_or_told_apart_is_said(tmp_path):
    visits(tmp_path / "t", [USUAL_K] * 3, serial=None, watts=[5.0, None, 5.0], minutes_on=[2.0, 20.0, 20.0])
    small_record(tmp_path / "t" / "undated.zip", USUAL_K, serial=None, taken=None)
    said = "\n".join(trended(tmp_path / "t").remarks)
    for words in ("no visit states a serial", "supply is not stated on every visit", "after power-on", "state no time"):
        assert words in said


def test_one_part_alone_is_judged_as_one_of_all(tmp_path):
    seen = [USUAL_K, {**USUAL_K, "U7": USUAL_K["U7"] + 6.0}]
    visits(tmp_path / "t", seen)
    whole, alone = trended(tmp_path / "t"), trended(tmp_path / "t", ref="U7")
    assert {point.look.ref for point in alone.points} == {"U7"}
    assert [change.chance for change in alone.changes] == [change.chance for change in whole.changes]


def test_the_shared_fit_is_the_judges_own():
    from thermscan.archive.shared_level import fit_shared_level

    rng = np.random.default_rng(3)
    level = np.tile(np.linspace(3.0, 25.0, 15), (40, 1))
    sd = np.full(level.shape, 0.5)
    rise = rng.uniform(0.7, 1.4, (40, 1)) * level + rng.normal(0, 1, (40, 1)) + rng.normal(0.0, 0.5, level.shape)
    rise[:, 4] += 15.0
    fit = fit_shared_level(rise, level, sd)
    for row in range(40):
        own = fit_board_wide(rise[row], level[row], sd[row])
        assert (fit.shift_k[row], fit.scale[row]) == pytest.approx((own.shift_k, own.scale), abs=2e-3)
        assert fit.u_level_k(level)[row] == pytest.approx(own.u_level_k(level[row]), rel=0.02)


def test_trend_as_json_and_pictures(tmp_path, capsys):
    visits(tmp_path / "t", [USUAL_K, USUAL_K, {**USUAL_K, "U7": 24.0}])
    arguments = ["record", "trend", str(tmp_path / "t"), "--board", "tape controller", "--ref", "U7", "--json"]
    assert main([*arguments, "--out", str(tmp_path / "pictures")]) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "thermscan.trend/1"
    assert [point["taken"][:4] for point in document["points"]] == ["2010", "2011", "2012"]
    (change,) = document["changes"]
    assert (change["ref"], change["level"], change["from"], change["to"]) == (
        "U7", "act", str(tmp_path / "t" / "1.zip"), str(tmp_path / "t" / "2.zip"),
    )  # fmt: skip
    written = sorted(path.name for path in (tmp_path / "pictures").iterdir())
    assert written == ["boards.png", "report.sha256", "trend-U7.png", "trend.json"]


def test_a_rebuild_killed_at_any_moment_leaves_the_former_index_or_the_new_one(tmp_path):
    folder = tmp_path / "t"
    folder.mkdir()
    for number in range(60):
        small_record(folder / f"{number}.zip", USUAL_K, serial=str(number))
    wanted = names(folder)
    code = (
        "import sys\nfrom pathlib import Path\nfrom thermscan.archive.index import open_index\n"
        "print('ready', flush=True)\n"
        "while True:\n    with open_index(Path(sys.argv[1]), rebuild=True): pass\n"
    )
    rng = np.random.default_rng(5)
    for _ in range(6):
        work = subprocess.Popen([sys.executable, "-c", code, str(folder)], stdout=subprocess.PIPE)
        assert work.stdout is not None
        work.stdout.readline()
        time.sleep(float(rng.uniform(0.0, 0.15)))
        work.send_signal(signal.SIGKILL)
        work.wait()
        work.stdout.close()
        with sqlite3.connect(folder / INDEX_FILE) as database:
            assert database.execute("SELECT count(*) FROM records").fetchone() == (60,)
        database.close()
    assert names(folder) == wanted
    with open_index(folder, rebuild=True):
        pass
    assert not list(folder.glob(".thermscan-*"))  # what the dead ones left is gone


def test_a_folder_that_is_missing_is_an_error(tmp_path):
    with pytest.raises(InputError, match="no such folder"), open_index(tmp_path / "none"):
        pass


def test_uncertainties_are_raised_as_far_as_all_parts_scatter_and_no_further():
    rng = np.random.default_rng(8)
    rises = 10.0 + rng.normal(0.0, 1.0, (4, 60))
    rises[2:, 0] += 30.0
    for stated_k in (1.0, 0.25):
        change = next(each for each in find_changes(rises, np.full(rises.shape, stated_k)) if each.part == 0)
        # Two visits on either side, each with 1 K: the difference has 1 K, whatever was stated below that.
        assert change.u_k == pytest.approx(1.0, rel=0.25)


def test_what_the_surface_adds_is_the_same_on_every_visit(archive):
    with open_index(archive) as index:
        look = looks_at(index, board="door lock")[0]
    assert (look.visit_u_k, look.u_k) == pytest.approx((NOISE_U_K, np.sqrt(1.0 + 0.2**2 + NOISE_U_K**2)))
