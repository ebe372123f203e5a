"""``thermscan demo`` writes its sample, finds its three faults and leaves other people's folders alone."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from samples.departure_board import departure_board
from samples.make_departure_display import HERE, STORIES
from thermscan.cli import demo as demo_module
from thermscan.cli.demo import MARKER, TEST_RUNS
from thermscan.cli.demo_records import VISITS
from thermscan.cli.main import main, thermscan
from thermscan.frames.reading import read_frames
from thermscan.layout.reading import read_board
from thermscan.runs.reading import read_run


def _once(function):
    """The function, whose first result every later call gets."""
    results = []

    def called(*arguments, **options):
        if not results:
            results.append(function(*arguments, **options))
        return results[0]

    return called


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The whole demo, once; a second call in these tests writes the sample and gets what was found in it before."""
    folder = tmp_path_factory.mktemp("demo") / "try-it"
    with pytest.MonkeyPatch.context() as patch:
        for name in ("_run_sample", "pack_visits", "_run_recordings"):
            patch.setattr(demo_module, name, _once(getattr(demo_module, name)))
        result = CliRunner().invoke(thermscan, ["demo", str(folder), "--json"], standalone_mode=False)
        assert result.exception is None, result.exception
        yield folder, result


def acted_on(demo, run):
    _, result = demo
    document = json.loads(result.stdout)
    found = next(item for item in document["runs"] if item["run"] == run)
    return {item["ref"]: item for item in found["act"]}


def test_the_demo_ends_with_status_0_although_it_finds_faults(demo):
    _, result = demo
    assert result.return_value == 0
    assert json.loads(result.stdout)["schema"] == "thermscan.demo/1"


def test_the_overloaded_driver_and_the_shorted_capacitor_are_found_in_their_recordings(demo):
    folder, result = demo
    recordings = {each["run"]: each for each in json.loads(result.stdout)["recordings"]}
    assert {act["ref"] for act in recordings["power-up"]["act"]} == {"U22"}
    assert {act["ref"] for act in recordings["shorted-capacitor"]["act"]} == {"C4"}
    assert (folder / "reports" / "power-up" / "warmup.png").stat().st_size > 10_000
    truth = json.loads((HERE / "recordings-truth.json").read_text())["recordings"]["shorted-capacitor"]
    located = json.loads((folder / "reports" / "shorted-capacitor" / "locate.json").read_text())
    # All of its chips are as cold as the board: nothing lies over them.
    assert not any("lie over" in remark for remark in located["remarks"])
    (source,) = located["sources"]
    assert source["watts"] == pytest.approx(truth["watts"], rel=0.25)
    assert located["period_s"] == pytest.approx(truth["period_s"], rel=0.02)


@pytest.mark.parametrize("run", TEST_RUNS)
def test_each_judged_run_has_a_report(demo, run):
    folder, _ = demo
    assert (folder / "reports" / run / "report.pdf").stat().st_size > 10_000


def test_the_shorted_latch_is_named_hot_by_what_it_adds(demo):
    found = acted_on(demo, "shorted-latch")
    assert set(found) == {"U15"}
    assert found["U15"]["direction"] == "hot"
    truth = json.loads((HERE / "truth.json").read_text())["runs"]["shorted-latch"]["added_by_the_fault_k"]["U15"]
    # Natural spread between boards (3 %) and emissivity leave about half a kelvin; two of them.
    assert found["U15"]["excess_k"] == pytest.approx(truth, abs=1.5)


def test_the_dead_memory_is_named_cold(demo):
    found = acted_on(demo, "dead-ram")
    assert set(found) == {"U10"}
    assert found["U10"]["direction"] == "cold"


def test_the_overloaded_regulator_is_named_and_its_warmed_neighbours_are_not(demo):
    found = acted_on(demo, "warm-neighbour")
    assert set(found) == {"Q1"}
    assert found["Q1"]["direction"] == "hot"


def test_the_good_recording_has_nothing_to_act_on(demo):
    assert acted_on(demo, "recording") == {}


def test_three_visits_are_packed_as_records_and_the_part_that_wears_is_named_by_what_it_gained(demo):
    folder, result = demo
    document = json.loads(result.stdout)
    assert [Path(name).is_file() for name in document["records"]] == [True] * 3
    (change,) = [each for each in document["changes"] if each["level"] == "act"]
    added = [
        json.loads((HERE / "truth.json").read_text())["runs"][run]["added_by_the_fault_k"]["U21"] for run in VISITS
    ]
    # The change is told against the mean of the two visits before it.
    assert change["ref"] == "U21"
    assert change["change_k"] == pytest.approx(added[2] - (added[0] + added[1]) / 2, abs=2 * change["u_k"])
    assert (folder / "trend" / "trend-U21.png").is_file()


def test_without_json_the_summary_names_parts_and_reports_in_plain_lines(demo, capsys):
    folder, _ = demo
    assert main(["demo", str(folder)]) == 0  # its own folder may be written again
    said = capsys.readouterr().out
    assert "U15 (octal latch): hot by " in said
    assert "U21 of serial 0031 is " in said
    assert str(folder / "reports" / "dead-ram" / "report.pdf") in said


def test_a_folder_of_someone_else_is_refused_and_left_as_it_was(tmp_path, capsys):
    (tmp_path / "letters.txt").write_text("mine")
    assert main(["demo", str(tmp_path)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == (
        f"{tmp_path}: the folder is not empty and was not made by the demo; "
        "name another folder, such as: thermscan demo try-it\n"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["letters.txt"]


def test_a_file_in_the_folders_place_is_refused(tmp_path, capsys):
    (tmp_path / "demo").write_text("a file")
    assert main(["demo", str(tmp_path / "demo")]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not (tmp_path / "demo" / MARKER).exists()


def test_the_samples_layout_files_say_what_the_simulator_was_given():
    read, given = read_board(HERE / "board.toml"), departure_board()
    assert read.remarks == ()
    assert [part.ref for part in read.parts] == [part.ref for part in given.parts]
    for part, wanted in zip(read.parts, given.parts, strict=True):
        assert part.corners_mm() == pytest.approx(wanted.corners_mm())
        assert (part.kind, part.group, part.surface, part.max_c) == (
            wanted.kind,
            wanted.group,
            wanted.surface,
            wanted.max_c,
        )


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.name)
def test_the_samples_frames_state_their_unit_and_are_all_there(story):
    run = read_run(HERE / f"{story.name}.toml", overrides={})
    frames = [frame for path in run.frames for frame in read_frames(path, unit=run.unit, ambient_c=run.ambient_c)]
    assert len(frames) == story.frames
    assert {frame.unit_source for frame in frames} == {"file"}
    assert {frame.shape for frame in frames} == {story.shape}
