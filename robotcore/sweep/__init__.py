"""Sweeps: a mission driven over a grid of worlds, rigs and seeds, and what came of it, kept and compared.

Rules:
- Nothing here knows a backend, a mission or a course. Whoever calls brings the work: a function that takes a `Job`
  and returns a `Result`, found by its name in any process (`robotcore.cli.single.work` is the one that drives).
- A run is named by everything that decides it: URL, seed, perturbations, rig, mission, setup and code. What stands in
  the store under that name is never run again; other code is another name.
- Whatever a behaviour does wrong is a result. Only what a person can mend ends a sweep.
- Results come back in any order; a report depends on none.

Where to look: `job` (what goes to a worker and comes back), `plan` (which runs), `store` (SQLite), `pool` (processes,
Dask, any executor), `bar` (progress), `report` (table, failing seeds, JSON), `pairs` (two versions, seed by seed),
`trees` (versions of the code in folders of their own).
"""
