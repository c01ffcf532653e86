"""Two runs as one table: joined by tick, both sides' values, differences, and what each side said."""

import csv

import pytest

from robotcore.cli import plugins
from robotcore.cli.main import main
from robotcore.recording.pairs import pair_table
from robotcore.recording.reader import open_recording
from tests.recording_kit import HEADER, LAYOUT, command, pose, raw, write
from tests.replay_kit import CROSSING, Settings, record, rows, think


@pytest.fixture(autouse=True)
def missions(monkeypatch):
    real = plugins.mission
    monkeypatch.setattr(plugins, "mission", lambda name, **how: CROSSING if name == "crossing" else real(name, **how))


def lines(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def pair(tmp_path, a_ticks, b_ticks, **b):
    one = open_recording(write(tmp_path / "a.rec", a_ticks))
    two = open_recording(write(tmp_path / "b.rec", b_ticks, **b))
    return pair_table(one, two)


def test_rows_are_joined_by_tick_and_what_a_side_lacks_is_empty(tmp_path):
    table = pair(tmp_path, range(10, 60), [*range(20), *range(30, 50)])
    assert table["tick"] == list(range(60))
    assert table["time_s"] == [tick * 0.01 for tick in range(60)]
    name = LAYOUT.names[3]
    assert table[f"a.{name}"] == [None] * 10 + [raw(tick)[3] for tick in range(10, 60)]
    assert [tick for tick in range(60) if table[f"b.{name}"][tick] is None] == [*range(20, 30), *range(50, 60)]
    assert table[f"b-a.{name}"] == [0 if 10 <= tick < 20 or 30 <= tick < 50 else None for tick in range(60)]
    assert {len(column) for column in table.values()} == {60}


def test_differences_are_the_second_less_the_first(tmp_path):
    moved = lambda tick: (pose(tick)[0] + 1.0, pose(tick)[1], 0.0)  # noqa: E731
    table = pair(tmp_path, range(60), range(60), poses=moved)
    assert table["b-a.truth.x_m"] == [1.0] * 60
    assert table["b-a.truth.heading_rad"] == [-0.25] * 60
    assert table["a.command.left_m_s"] == [command(tick)[0] for tick in range(60)]
    assert table["b-a.command.left_m_s"] == [0.0] * 60


def test_columns_that_one_side_has_alone_stay_and_have_no_difference(tmp_path):
    table = pair(tmp_path, range(60), range(60), poses=None)
    assert "a.truth.x_m" in table
    assert "b.truth.x_m" not in table
    assert "b-a.truth.x_m" not in table


def test_what_was_said_stands_in_its_tick(tmp_path):
    table = pair(tmp_path, range(60), range(60))
    assert table["a.decisions"][5] == "marker n=3 share=0.43 side=left sure=True"
    assert table["a.faults"][7] == "stale: side_range gave nothing for 0.2 s"
    assert [tick for tick in range(60) if table["b.faults"][tick]] == [7]


def test_runs_of_another_tick_are_refused(tmp_path, capsys):
    write(tmp_path / "a.rec")
    write(tmp_path / "b.rec", header=HEADER._replace(period_s=0.02))
    assert main(["export", str(tmp_path / "a.rec"), "--pair", str(tmp_path / "b.rec")]) == 2
    assert "its ticks are not those of" in capsys.readouterr().err


@pytest.fixture
def two_runs(tmp_path, monkeypatch):
    """The same drive over two stripes; the second run keeps another speed and says another colour."""
    monkeypatch.chdir(tmp_path)
    record(tmp_path / "a.rec", think(rows()))
    record(tmp_path / "b.rec", think(rows(), Settings(colour="green", speed_m_s=0.15)))
    return tmp_path


def test_a_pair_is_one_csv_table(two_runs, capsys):
    assert main(["export", "a.rec", "--pair", "b.rec", "--out", "pair.csv"]) == 0
    found = lines(two_runs / "pair.csv")
    assert capsys.readouterr().out == f"pair.csv: {len(found)} ticks\n"
    assert float(found[50]["b-a.command.left_m_s"]) == pytest.approx(0.05)
    last = [(line["a.decisions"], line["b.decisions"]) for line in found if "strip " in line["a.decisions"]]
    assert last == [("strip colour=red", "strip colour=green")]


def test_a_pair_is_one_parquet_table_that_pandas_reads(two_runs):
    pandas = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    assert main(["export", "a.rec", "--pair", "b.rec", "--out", "pair.parquet"]) == 0
    frame = pandas.read_parquet("pair.parquet")
    assert main(["export", "a.rec", "--pair", "b.rec"]) == 0
    assert len(frame) == len(lines(two_runs / "a.pair.csv"))
    assert frame["b-a.command.left_m_s"].max() == pytest.approx(0.05)


def test_a_replay_stands_beside_its_recording(two_runs):
    assert main(["export", "a.rec", "--replayed"]) == 0
    found = lines(two_runs / "a.replayed.csv")
    assert {line["replayed-recorded.command.left_m_s"] for line in found} == {"0.0"}
    assert {line["trusted"] for line in found} == {"True"}
    assert [line["recorded.decisions"] for line in found] == [line["replayed.decisions"] for line in found]
    names = LAYOUT.names[1:4]
    assert all(line[name] for line in found for name in names), "raw counts stand once, under their plain names"


def test_past_the_horizon_a_replay_has_no_values(two_runs, monkeypatch):
    faster = Settings(speed_m_s=0.2)
    monkeypatch.setattr("robotcore.cli.judging.read_settings", lambda kind, text, source: faster)
    assert main(["export", "a.rec", "--replayed"]) == 0
    found = lines(two_runs / "a.replayed.csv")
    until = sum(line["trusted"] == "True" for line in found)
    assert 0 < until < len(found)
    assert all(line["replayed.command.left_m_s"] == "0.2" for line in found[:until])
    assert all(line["replayed.command.left_m_s"] == "" for line in found[until:])
    assert all(line["recorded.command.left_m_s"] for line in found)


@pytest.mark.parametrize("words", [["--pair", "b.rec", "--replayed"], ["--decisions", "--replayed"]])
def test_kinds_of_table_exclude_each_other(two_runs, words, capsys):
    assert main(["export", "a.rec", *words]) == 2
    assert "not allowed with" in capsys.readouterr().err


def test_a_missing_other_recording_is_one_line(two_runs, capsys):
    assert main(["export", "a.rec", "--pair", "nix.rec"]) == 2
    assert "nix.rec" in capsys.readouterr().err
