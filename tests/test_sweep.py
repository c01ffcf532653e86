"""Sweeps without a robot: the plan, the store, the engine, the report. Runs that only their seed decides."""

import io
import json
import signal
import sqlite3
import statistics
from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from robotcore.backend import parse_address
from robotcore.errors import UserError
from robotcore.sweep.bar import Bar
from robotcore.sweep.engine import sweep
from robotcore.sweep.plan import Axis, Cell, Run, make_plan, parse_axis, parse_seeds
from robotcore.sweep.pool import AHEAD, PARCEL, carry_out
from robotcore.sweep.report import failures, report, table, to_json
from robotcore.sweep.store import APPLICATION_ID, SCHEMA_VERSION, Store
from tests.sweep_kit import CODE, Inline, Told, entries, new_code_work, refused_work, result, work


def swept(store, plan, log="", work=work, code=CODE, now=lambda: 0.0):
    watch = Told()
    return sweep(entries(plan, log, code), work, Inline(), 2, store, watch, now), watch


# ---- the plan


@pytest.mark.parametrize(
    ("text", "seeds"), [("5", (5,)), ("1-3", (1, 2, 3)), ("1-2,9, 4-5", (1, 2, 9, 4, 5)), ("0", (0,))]
)
def test_seeds_are_read(text, seeds):
    assert parse_seeds(text) == seeds


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no seed"), ("a", "no seed"), ("1-", "no seed"), ("-5", "no seed"), ("1.5", "no seed"),
        ("1,,2", "no seed"), ("9-1", "backwards"), ("1-5,3", "twice"),
        ("1-99999999", "too many"),
    ],
)  # fmt: skip
def test_bad_seeds_are_told(text, says):
    with pytest.raises(UserError, match=says) as told:
        parse_seeds(text)
    assert "\n" not in str(told.value)


@given(st.lists(st.integers(0, 10**6), unique=True, min_size=1, max_size=20))
def test_seeds_come_in_the_order_given(seeds):
    assert parse_seeds(",".join(map(str, seeds))) == tuple(seeds)


@pytest.mark.parametrize("text", ["noise", "=1", "noise=", "noise=1,,2", "noise=1,1", "seed=1,2"])
def test_bad_axes_are_told(text):
    with pytest.raises(UserError, match="--vary"):
        parse_axis(text)


def test_a_plan_is_every_value_with_every_course_and_seed_course_by_course():
    plan = make_plan(["fake:quay", "fake:storm"], "1-2", [parse_axis("noise=1,2")])
    urls = [plan.cells[run.cell].address(run.seed) for run in plan.runs()]
    assert urls == [f"fake:{c}?seed={s}&noise={n}" for c in ("quay", "storm") for s in (1, 2) for n in (1, 2)]
    assert len(urls) == plan.size() == 8


def test_only_options_of_the_url_go_into_it():
    cell = Cell("fake:mine.toml?slip=1", (("noise", "2"), ("rig", "harbour"), ("follow.kp_rad_s", "3"), ("slip", "0")))
    assert parse_address(cell.address(7)).options == {"seed": "7", "slip": "0", "noise": "2"}
    assert cell.settings() == ["follow.kp_rad_s=3"]
    assert cell.perturbations() == "noise=2&slip=0"
    assert (cell.place(), cell.value("rig"), cell.value("mission")) == ("fake:mine.toml", "harbour", None)


@given(st.text(st.characters(codec="ascii", exclude_characters="?#%&+\x00"), min_size=1), st.integers(0, 10**9))
def test_an_address_keeps_its_place(place, seed):
    assert parse_address(Cell(f"fake:{place}").address(seed)).place == place


@pytest.mark.parametrize("urls", [["fake:quay?seed=3"], ["quay"], ["fake:quay", "fake:quay"]])
def test_bad_courses_are_told(urls):
    with pytest.raises(UserError):
        make_plan(urls, "1")


def test_a_plan_has_an_end():
    with pytest.raises(UserError, match="too many"):
        make_plan(["fake:quay"], "1-900000", [Axis("noise", ("1", "2"))])


# ---- the store


def test_what_is_kept_comes_back_the_same(tmp_path):
    plan = make_plan(["fake:quay"], "1-9")
    odd = result(
        rms_mm=None, finish_s=None, sections={"curve 150": (1.25, 7), "other": (9.0, 1)}, error="X: \u00e4\n'\""
    )
    with Store(tmp_path / "s.db") as store:
        store.add([(entry.key, odd) for entry in entries(plan)])
    with Store(tmp_path / "s.db") as store:
        assert store.find([entry.key for entry in entries(plan)]) == {entry.key: odd for entry in entries(plan)}
        assert store.find([entry.key._replace(rig="other") for entry in entries(plan)]) == {}


def test_a_batch_is_whole_or_not_at_all(tmp_path):
    (first, second) = entries(make_plan(["fake:quay"], "1-2"))
    with Store(tmp_path / "s.db") as store:
        with pytest.raises(UserError, match="cannot be written"):
            store.add([(first.key, result()), (second.key, result(time_s=None))])
        assert len(store) == 0


@pytest.mark.parametrize("content", [b"not a database, but long enough to be read as one" * 40, b""])
def test_a_foreign_file_is_left_as_it_is(tmp_path, content):
    path = tmp_path / "s.db"
    path.write_bytes(content)
    if content:
        with pytest.raises(UserError, match="no store"):
            Store(path)
        assert path.read_bytes() == content
    else:
        Store(path).__exit__()  # an empty file is as good as none


def test_another_database_is_left_as_it_is(tmp_path):
    path = tmp_path / "s.db"
    with sqlite3.connect(path) as file:
        file.execute("CREATE TABLE mine (x)")
    file.close()
    before = path.read_bytes()
    with pytest.raises(UserError, match="no store of sweeps"):
        Store(path)
    assert path.read_bytes() == before


def test_a_store_of_another_schema_is_refused(tmp_path):
    path = tmp_path / "s.db"
    with sqlite3.connect(path) as file:
        file.execute(f"PRAGMA application_id={APPLICATION_ID}")
        file.execute(f"PRAGMA user_version={SCHEMA_VERSION + 1}")
    file.close()
    with pytest.raises(UserError, match=f"has schema {SCHEMA_VERSION + 1}"):
        Store(path)


def test_only_one_sweep_is_at_a_store(tmp_path):
    with Store(tmp_path / "s.db"), pytest.raises(UserError, match="another sweep is at it"):
        Store(tmp_path / "s.db")
    with Store(tmp_path / "s.db"):
        pass


def test_a_store_that_nothing_came_into_is_taken_away(tmp_path):
    with Store(tmp_path / "s.db") as store:
        assert store.path.exists()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("path", ["no/such/folder.db", "."])
def test_a_bad_path_is_told(tmp_path, path):
    with pytest.raises(UserError, match=r"folder"):
        Store(tmp_path / path)


# ---- the engine


def test_everything_is_done_once_and_never_again(tmp_path):
    log = tmp_path / "log"
    with Store(tmp_path / "s.db") as store:
        _, first = swept(store, make_plan(["fake:quay"], "1-20"), str(log))
        _, second = swept(store, make_plan(["fake:quay"], "1-30"), str(log))
        found, third = swept(store, make_plan(["fake:quay"], "1-30"), str(log))
    assert [watch.known for watch in (first, second, third)] == [0, 20, 30]
    assert [watch.done for watch in (first, second, third)] == [20, 10, 0]
    assert sorted(map(int, log.read_text().split())) == list(range(1, 31))
    assert len(found) == 30


def test_other_code_is_another_run(tmp_path):
    plan = make_plan(["fake:quay"], "1-5")
    with Store(tmp_path / "s.db") as store:
        store.describe({"setup": "text"}, CODE, "the old one")
        swept(store, plan)
        _, watch = swept(store, plan, code="another", work=new_code_work)
        assert (watch.known, watch.done) == (0, 5)
        assert store.other_code("another") == {"the old one": 5}
        assert store.other_code(CODE) == {"another": 5}


def test_code_that_changes_under_way_ends_the_sweep_and_keeps_nothing_of_it(tmp_path):
    with Store(tmp_path / "s.db") as store:
        with pytest.raises(UserError, match="the code changed"):
            swept(store, make_plan(["fake:quay"], "1-5"), work=new_code_work)
        assert len(store) == 0


def test_what_cannot_be_driven_ends_the_sweep_with_its_reason(tmp_path):
    with Store(tmp_path / "s.db") as store, pytest.raises(UserError, match=r"fake:quay\?seed=1: cannot be driven"):
        swept(store, make_plan(["fake:quay"], "1-5"), work=refused_work)


def test_results_are_kept_in_batches_by_time(tmp_path):
    def times(step):
        clock = iter(range(10**6))
        kept = []

        class Watch(Told):
            def kept(self, rows):
                kept.append(rows)

        with Store(tmp_path / f"{step}.db") as store:
            todo = entries(make_plan(["fake:quay"], "1-40"))
            sweep(todo, work, Inline(), 2, store, Watch(), lambda: next(clock) * step)
        return kept

    assert times(0.0) == [40]
    assert len(times(2.0)) > 5


def test_an_interrupt_keeps_what_came_back(tmp_path):
    class Interrupting(Told):
        def came(self, results):
            super().came(results)
            if self.done > 10:
                raise KeyboardInterrupt

    watch = Interrupting()
    with Store(tmp_path / "s.db") as store:
        with pytest.raises(KeyboardInterrupt):
            sweep(entries(make_plan(["fake:quay"], "1-50")), work, Inline(), 2, store, watch, lambda: 0.0)
        assert len(store) == watch.done > 10


def test_ctrl_c_in_the_middle_of_a_commit_waits_for_its_end(tmp_path):
    class Pressed(Store):
        def add(self, rows):
            signal.raise_signal(signal.SIGINT)
            super().add(rows)

    with Pressed(tmp_path / "s.db") as store:
        with pytest.raises(KeyboardInterrupt):
            swept(store, make_plan(["fake:quay"], "1-5"))
        assert len(store) == 5
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_any_executor_will_do_and_order_does_not_matter(tmp_path):
    plan = make_plan(["fake:quay"], "1-60")
    with Store(tmp_path / "a.db") as one, Store(tmp_path / "b.db") as two, ThreadPoolExecutor(3) as executor:
        threads = sweep(entries(plan), work, executor, 3, one, Told(), lambda: 0.0)
        assert threads == swept(two, plan)[0]


@given(st.integers(0, 200), st.integers(1, 8))
def test_parcels_are_small_and_smallest_at_the_end(count, width):
    executor = Inline()
    jobs = [(entry.key.seed, entry.job) for entry in (entries(make_plan(["fake:quay"], f"1-{count}")) if count else [])]
    came = [tag for parcel in carry_out(jobs, work, executor, width) for tag, _ in parcel]
    assert sorted(came) == list(range(1, count + 1))
    assert executor.parcels == sorted(executor.parcels, reverse=True)
    assert max(executor.parcels, default=0) <= PARCEL
    assert executor.parcels[-AHEAD * width :] == [1] * min(len(executor.parcels), AHEAD * width)


# ---- progress


def test_the_bar_tells_how_far_and_how_long():
    time_s, stream = [0.0], io.StringIO()
    bar = Bar(lambda: time_s[0], stream, live=True, label="new ")
    bar.begin(100, 20)
    time_s[0] = 10.0
    bar.came([result(success=False)] * 5 + [result()] * 35)
    assert bar.line() == "new [##############..........] 60/100  5 failed  4.0 runs/s  0:10 left"
    assert stream.getvalue().startswith("\r")
    assert all(len(line) == 79 for line in stream.getvalue().split("\r")[1:])
    bar.end()
    assert stream.getvalue().endswith(" \r")


def test_the_bar_is_silent_where_nobody_looks():
    stream = io.StringIO()
    bar = Bar(lambda: 0.0, stream)
    bar.begin(2, 0)
    bar.came([result()])
    bar.end()
    assert stream.getvalue() == ""


# ---- the report


def many(plan):
    return {
        run: result(
            run.seed, run.seed % (3 + run.cell) != 0, touches=run.seed % 2, error="E: x" if run.seed == 6 else ""
        )
        for run in plan.runs()
    }


def test_the_report_counts_right():
    """Against scipy's Wilson interval and the statistics module's medians, from the results themselves."""
    plan = make_plan(["fake:quay"], "1-50", [parse_axis("noise=1,2")])
    results = many(plan)
    for cell, one in enumerate(report(plan, results)):
        mine = [found for run, found in results.items() if run.cell == cell]
        good = [found for found in mine if found.success]
        low, high = binomtest(len(good), len(mine)).proportion_ci(method="wilson")
        assert (one.low, one.high) == pytest.approx((low, high), abs=1e-12)
        assert (one.runs, one.successes) == (50, len(good))
        assert one.time_s == statistics.median(found.time_s for found in good)
        assert one.rms_mm == statistics.median(found.rms_mm for found in good)
        assert one.touched == sum(found.touches > 0 for found in mine)
        assert one.errors == 1
        assert [seed for seed, _ in one.failed] == [s for s in range(1, 51) if s % (3 + cell) == 0]


def test_the_report_is_the_same_in_any_order():
    plan = make_plan(["fake:quay"], "1-20", [parse_axis("noise=1,2")])
    results = many(plan)
    assert report(plan, results) == report(plan, dict(reversed(results.items())))


def test_the_table_has_a_line_a_cell_and_a_column_an_axis():
    plan = make_plan(["fake:quay"], "1-10", [parse_axis("noise=1,2")])
    head, *rows = table(report(plan, many(plan)))
    assert head.split() == [
        "course",
        "noise",
        "success",
        "Wilson",
        "95",
        "%",
        "median",
        "time",
        "median",
        "rms",
        "touched",
        "errors",
    ]
    assert [row.split()[:3] for row in rows] == [["fake:quay", "1", "7/10"], ["fake:quay", "2", "8/10"]]


def test_a_cell_without_success_has_no_median():
    plan = make_plan(["fake:quay"], "1-2")
    (one,) = report(plan, {run: result(success=False) for run in plan.runs()})
    assert (one.successes, one.low, one.time_s, one.rms_mm) == (0, 0.0, None, None)


def test_a_stopped_sweep_reports_what_it_has():
    plan = make_plan(["fake:quay", "fake:storm"], "1-9")
    (one,) = report(plan, {Run(0, 3): result()})
    assert (one.cell.url, one.runs) == ("fake:quay", 1)


def test_every_failing_seed_is_named_and_the_first_have_a_command():
    plan = make_plan(["fake:quay"], "1-30")
    lines = failures(report(plan, many(plan)), lambda cell, seed: f"again {cell.address(seed)}", 4)
    assert lines[0].startswith("10 runs failed")
    assert [line for line in lines if "  again " in line] == [
        f"  again fake:quay?seed={seed}" for seed in (3, 6, 9, 12)
    ]
    assert all(f"seed={seed}" in lines[-1] for seed in (15, 18, 21, 24, 27, 30))
    assert failures(report(plan, {Run(0, 1): result()}), lambda cell, seed: "", 4) == []


def test_the_json_holds_every_run():
    plan = make_plan(["fake:quay"], "1-3", [parse_axis("noise=1,2")])
    data = json.loads(json.dumps(to_json(plan, many(plan), {"code": ["x"]}, lambda cell, seed: cell.address(seed))))
    assert len(data["runs"]) == 6
    assert data["runs"][0]["url"] == data["runs"][0]["command"] == "fake:quay?seed=1&noise=1"
    assert [cell["failed"] for cell in data["cells"]] == [[3], []]
    assert data["code"] == ["x"]
