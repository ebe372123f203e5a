"""Several runs at once: each has its line, a bad one stops no other, and it is no matter where they were inspected."""

from __future__ import annotations

import io
import json
import os
import shutil
import signal
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from tests.archive.conftest import write_job
from thermscan import many_runs
from thermscan.cli.main import main
from thermscan.exit_status import worst_status
from thermscan.many_runs import Outcome, Work

NAMES = ("clear", "missing", "act", "typo")


@pytest.fixture(scope="module")
def jobs(tmp_path_factory) -> Path:
    """Four runs: one to act on, one clear, one whose frame is missing, one that names no such key."""
    folder = tmp_path_factory.mktemp("jobs")
    for name in ("act", "clear", "missing", "typo"):
        write_job(folder / name)
        (folder / name / "run.toml").rename(folder / name / f"{name}.toml")
    parts = folder / "clear" / "parts.csv"
    parts.write_text(parts.read_text().replace(",33,", ",95,"))
    (folder / "missing" / "frame.tiff").unlink()
    typo = folder / "typo" / "typo.toml"
    typo.write_text(typo.read_text().replace("ambient_c", "ambiant_c"))
    return folder


def named(jobs: Path, *names: str) -> list[str]:
    return [str(jobs / name / f"{name}.toml") for name in names]


@pytest.fixture(scope="module")
def one_by_one(jobs) -> dict[str, str]:
    """The line of each run, inspected in this process."""
    with redirect_stdout(io.StringIO()) as said, redirect_stderr(io.StringIO()) as faults:
        assert main(["inspect", *named(jobs, *NAMES), "--json"]) == 2
    assert faults.getvalue().count("frame.tiff") == 1
    return dict(zip(NAMES, said.getvalue().splitlines(keepends=True), strict=True))


def test_each_run_has_a_line_in_the_order_given(jobs, one_by_one):
    lines = {name: json.loads(line) for name, line in one_by_one.items()}
    assert [line["run"] for line in lines.values()] == named(jobs, *NAMES)
    assert {name: line["exit"] for name, line in lines.items()} == {"clear": 0, "missing": 2, "act": 1, "typo": 2}
    assert lines["clear"]["result"]["overall"] in ("clear", "watch")
    assert lines["act"]["faults"] == []
    assert lines["missing"]["result"] is None
    assert "frame.tiff" in lines["missing"]["faults"][0]
    assert "ambient_c" in "".join(lines["typo"]["faults"])


def test_a_run_is_the_same_alone_and_among_others(jobs, one_by_one, capsys):
    assert main(["inspect", *named(jobs, "act"), "--json"]) == 1
    assert json.loads(capsys.readouterr().out) == json.loads(one_by_one["act"])["result"]


def test_the_table_says_what_was_found(jobs, one_by_one, monkeypatch, capsys):
    known = {line["run"]: line for line in map(json.loads, one_by_one.values())}

    def recall(work: Work) -> Outcome:
        line = known[work.run]
        return Outcome(line["run"], line["exit"], line["result"], tuple(line["faults"]))

    monkeypatch.setattr(many_runs, "inspect_one", recall)
    assert main(["inspect", *named(jobs, "clear", "act")]) == 1
    said = capsys.readouterr()
    head, clear, act = said.out.splitlines()
    assert head.split() == ["run", "exit", "what", "was", "found"]
    assert act.endswith("act: U1 hot")
    assert " 0 " in clear
    assert said.err == ""


def test_each_report_has_a_folder_of_its_own(jobs, tmp_path, monkeypatch, capsys):
    seen = []
    monkeypatch.setattr(many_runs, "inspect_one", lambda work: seen.append(work) or Outcome(work.run, 0))
    twins = [*named(jobs, "act"), str(tmp_path / "act.toml"), str(tmp_path / "ACT.toml")]
    assert main(["inspect", *twins, "--out", str(tmp_path / "out")]) == 0
    assert [Path(work.out).name for work in seen] == ["act", "act-2", "ACT-3"]
    assert not (tmp_path / "out").exists()  # nothing came, so that nothing is left
    capsys.readouterr()


def test_what_is_wrong_for_all_is_told_before_any_work(jobs, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(many_runs, "inspect_one", lambda _: pytest.fail("work was begun"))
    (tmp_path / "a-file").write_text("mine")
    names = named(jobs, "act", "clear")
    for wrong in (
        ["--baseline", str(tmp_path / "none.json")],
        ["--out", str(tmp_path / "a-file")],
        ["--explain", "U1"],
        ["--jobs", "2", "--cluster", "tcp://127.0.0.1:1"],
        ["--jobs", "-1"],
    ):
        assert main(["inspect", *names, *wrong]) == 2
        assert capsys.readouterr().err.count("\n") == 1


def test_a_wrong_part_or_a_baseline_of_another_layout_is_told_before_the_work(jobs, tmp_path, monkeypatch, capsys):
    (act,) = named(jobs, "act")
    other = Path(shutil.copytree(jobs / "clear", tmp_path / "other"))
    (other / "board.toml").write_text((other / "board.toml").read_text().replace("small board", "another board"))
    assert main(["baseline", str(other / "clear.toml"), "--out", str(tmp_path / "good.json")]) == 0
    monkeypatch.setattr("thermscan.inspection.inspect_run", lambda *_, **__: pytest.fail("work was begun"))
    capsys.readouterr()
    assert main(["inspect", act, "--explain", "U11"]) == 2
    assert "did you mean U1?" in capsys.readouterr().err
    assert main(["inspect", act, "--baseline", str(tmp_path / "good.json")]) == 2
    assert "another board" in capsys.readouterr().err


def test_side_by_side_gives_the_same_bytes_and_a_worker_that_dies_takes_only_its_own_run_along(
    jobs, one_by_one, monkeypatch, capsys
):
    monkeypatch.setattr(many_runs, "_serve", die_over_the_missing)
    assert main(["inspect", *named(jobs, "missing", "clear", "act"), "--json", "--jobs", "2"]) == 3
    died, *others = capsys.readouterr().out.splitlines(keepends=True)
    assert others == [one_by_one["clear"], one_by_one["act"]]
    assert "died" in json.loads(died)["faults"][0]


def die_over_the_missing(connection) -> None:
    """A worker that is killed over one of the runs, as one that needs too much memory is."""
    while True:
        work = connection.recv()
        if "missing" in work.run:
            os.kill(os.getpid(), signal.SIGKILL)
        connection.send(many_runs.inspect_one(work))


def test_an_internal_fault_of_one_run_is_its_own(jobs, monkeypatch):
    def break_down(*_, **__):
        raise ZeroDivisionError("by design")

    monkeypatch.setattr(many_runs, "inspect_run", break_down)
    outcome = many_runs.inspect_one(Work(named(jobs, "act")[0]))
    assert outcome.exit_status == 3
    assert "ZeroDivisionError" in outcome.faults[0]
    assert "test_many_runs.py line" in outcome.faults[0]


@pytest.mark.parametrize(("statuses", "worst"), [((0, 0), 0), ((0, 1), 1), ((1, 3, 0), 3), ((3, 2, 1), 2)])
def test_the_worst_status_is_told(statuses, worst):
    assert worst_status(statuses) == worst


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_gives_the_same_bytes(jobs, one_by_one, capsys):
    from distributed import LocalCluster

    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster:
        arguments = ["inspect", *named(jobs, "act", "missing"), "--json", "--cluster", cluster.scheduler_address]
        assert main(arguments) == 2
    assert capsys.readouterr().out == one_by_one["act"] + one_by_one["missing"]


def test_a_cluster_that_does_not_answer_is_told(jobs, capsys, monkeypatch):
    monkeypatch.setattr(many_runs, "_ANSWERS_S", 0.2)
    assert main(["inspect", *named(jobs, "act"), "--cluster", "tcp://127.0.0.1:1"]) == 2
    said = capsys.readouterr().err
    assert "no scheduler answers" in said


def test_a_run_by_its_url_gives_the_result_of_the_files(jobs, one_by_one, capsys):
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    memory.put(str(jobs / "act"), "/depot/act", recursive=True)
    memory.put(str(jobs / "missing"), "/depot/missing", recursive=True)
    assert main(["inspect", "memory://depot/act/act.toml", "memory://depot/missing/missing.toml", "--json"]) == 2
    there, missing = capsys.readouterr().out.splitlines(keepends=True)
    assert there.replace("memory://depot", str(jobs)) == one_by_one["act"]
    assert "memory://depot/missing" in missing
    assert "frame.tiff" in json.loads(missing)["faults"][0]
    memory.pipe("/depot/odd/run.toml", b'layout = "../act/board.toml"\nframes = ["frame.tiff"]\nambient_c = 23\n')
    assert main(["inspect", "memory://depot/odd/run.toml", "memory://depot/no/run.toml", "--json"]) == 2
    odd, lost = (json.loads(line)["faults"][0] for line in capsys.readouterr().out.splitlines())
    assert odd.startswith('memory://depot/odd/run.toml, layout: "../act/board.toml" is not in the folder of the run')
    assert lost.startswith("memory://depot/no/run.toml: cannot be read")
