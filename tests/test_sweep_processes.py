"""Sweeps in processes: killed, interrupted, broken and hung; on a Dask cluster. Nothing is lost or done twice."""

import os
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

from robotcore.cli.single import work as drive_work
from robotcore.errors import UserError
from robotcore.sweep import pool
from robotcore.sweep.engine import sweep
from robotcore.sweep.job import Job
from robotcore.sweep.plan import make_plan
from robotcore.sweep.pool import cores, dask, processes
from robotcore.sweep.store import Store
from tests import sweep_kit
from tests.sweep_kit import SEEDS, Inline, Told, deadly_work, entries, refused_work, work

TOP = Path(__file__).parent.parent


@contextmanager
def child(tmp_path):
    """A sweep in a process group of its own, once it has kept its first results."""
    words = [sys.executable, "-m", "tests.sweep_kit", str(tmp_path / "s.db"), str(tmp_path / "log")]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=TOP, start_new_session=True
    ) as started:
        assert started.stdout.readline().startswith("kept")
        yield started


def check_it_goes_on(tmp_path):
    """What was kept is not run again, everything else is; afterwards all is there, each right."""
    log = tmp_path / "log"
    plan = make_plan(["fake:quay"], f"1-{SEEDS}")
    todo = entries(plan, str(log))
    before = log.read_text().split()
    with Store(tmp_path / "s.db") as store:
        kept = {key.seed for key in store.find([entry.key for entry in todo])}
        assert 0 < len(kept) < SEEDS
        watch = Told()
        found = sweep(todo, work, Inline(), 2, store, watch, lambda: 0.0)
        assert (watch.known, watch.done) == (len(kept), SEEDS - len(kept))
        assert len(store) == len(found) == SEEDS
    again = list(map(int, log.read_text().split()[len(before) :]))
    assert sorted(again) == [seed for seed in range(1, SEEDS + 1) if seed not in kept]
    assert all(result == sweep_kit.result(key.seed, key.seed % 3 != 0) for key, result in found.items())


def test_a_killed_sweep_goes_on_and_leaves_no_process(tmp_path):
    with child(tmp_path) as started:
        os.kill(started.pid, signal.SIGKILL)  # the parent alone
        said, wrong = started.communicate(timeout=60)  # ends when the last holder of the pipes is gone: the workers
    assert started.returncode == -signal.SIGKILL
    assert "done" not in said
    assert "Traceback" not in wrong
    check_it_goes_on(tmp_path)


def test_ctrl_c_leaves_a_sweep_that_goes_on(tmp_path):
    with child(tmp_path) as started:
        os.killpg(started.pid, signal.SIGINT)  # as a terminal does: to parent and workers alike
        said, wrong = started.communicate(timeout=60)
    assert "done" not in said
    assert wrong.count("Traceback") == 1  # the parent's own; workers say nothing
    assert wrong.strip().endswith("KeyboardInterrupt")
    check_it_goes_on(tmp_path)


def test_two_processes_come_to_the_same_as_none(tmp_path):
    plan = make_plan(["fake:quay"], "1-50")
    with Store(tmp_path / "a.db") as one, Store(tmp_path / "b.db") as two, processes(2) as executor:
        spread = sweep(entries(plan), work, executor, 2, one, Told(), lambda: 0.0)
        assert spread == sweep(entries(plan), work, Inline(), 2, two, Told(), lambda: 0.0)


def test_a_worker_that_dies_is_told_with_what_it_was_at(tmp_path):
    plan = make_plan(["fake:quay"], "1-9")
    with pytest.raises(UserError, match=r"worker process died.*fake:quay\?seed=1"):  # noqa: SIM117 - order matters
        with Store(tmp_path / "s.db") as store, processes(2) as executor:
            sweep(entries(plan), deadly_work, executor, 2, store, Told(), lambda: 0.0)


def test_a_refusal_crosses_processes(tmp_path):
    plan = make_plan(["fake:quay"], "1-9")
    with pytest.raises(UserError, match="cannot be driven; mend it"):  # noqa: SIM117
        with Store(tmp_path / "s.db") as store, processes(1) as executor:
            sweep(entries(plan), refused_work, executor, 1, store, Told(), lambda: 0.0)


@pytest.mark.skipif(not hasattr(signal, "ITIMER_VIRTUAL"), reason="this system has no timers of processor time")
def test_a_behaviour_that_hangs_is_a_result(monkeypatch):
    texts = [(TOP / "drivers" / folder / "harbour.toml").read_text() for folder in ("rigs", "calibrations")]
    job = Job("fake:pad?seed=1", "tests.sweep_kit:HANGS", *texts, "", 0.2)
    drive_work(job._replace(mission="tests.sweep_kit:ENDS"))  # what must be imported is imported
    monkeypatch.setattr(pool, "LEAST_CPU_S", 0.2)
    monkeypatch.setattr(pool._Worker, "limited", True)
    before = signal.signal(signal.SIGVTALRM, pool._too_long)
    try:
        (result,) = pool.do_jobs(drive_work, [job])
    finally:
        signal.signal(signal.SIGVTALRM, before)
    assert (result.success, result.how) == (False, "hung behaviour")
    assert result.error.startswith("HungError: took more processor time")


def test_there_is_a_core():
    assert 1 <= cores() <= (os.cpu_count() or 1)


# ---- Dask


@pytest.fixture
def cluster():
    distributed = pytest.importorskip("distributed", reason="Dask is not installed (robotcore[dask])")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=None
    ) as started:
        yield started.scheduler_address


@pytest.mark.filterwarnings("default")  # what Dask's own threads leave behind
def test_a_dask_cluster_comes_to_the_same(cluster, tmp_path):
    plan = make_plan(["fake:quay"], "1-60")
    with Store(tmp_path / "a.db") as one, Store(tmp_path / "b.db") as two, dask(cluster) as (executor, width):
        assert width == 2
        spread = sweep(entries(plan), work, executor, width, one, Told(), lambda: 0.0)
        assert spread == sweep(entries(plan), work, Inline(), 2, two, Told(), lambda: 0.0)


@pytest.mark.filterwarnings("default")
def test_a_refusal_crosses_a_cluster(cluster, tmp_path):
    plan = make_plan(["fake:quay"], "1-9")
    with pytest.raises(UserError, match="cannot be driven; mend it"):  # noqa: SIM117
        with Store(tmp_path / "s.db") as store, dask(cluster) as (executor, width):
            sweep(entries(plan), refused_work, executor, width, store, Told(), lambda: 0.0)


def test_without_dask_the_remedy_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UserError, match=r"install robotcore\[dask\]"), dask("tcp://127.0.0.1:1"):
        pass


def test_a_bad_cluster_address_is_told():
    pytest.importorskip("distributed", reason="Dask is not installed (robotcore[dask])")
    with pytest.raises(UserError, match="no cluster answers"), dask("nowhere://x:1"):
        pass
