"""What a sweep found: a table of cells, the seeds that failed with the command for each, and the same as JSON.

Rules: a success rate never stands without its Wilson interval; times are of successes, since a run that failed early
is not a fast one; the report is the same whatever the order in which runs came back.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from robotcore.stats import median, wilson
from robotcore.sweep.job import Result
from robotcore.sweep.plan import Cell, Plan, Run

FORMAT = 1  #: of the JSON

CommandOf = Callable[[Cell, int], str]
"""Returns the command that drives one run of a cell again."""


class CellReport(NamedTuple):
    """One cell. `low` and `high` are the Wilson interval; medians are None where there is nothing to take them of."""

    cell: Cell
    runs: int
    successes: int
    low: float
    high: float
    time_s: float | None
    rms_mm: float | None
    touched: int
    errors: int
    failed: tuple[tuple[int, Result], ...]


def cell_report(cell: Cell, results: Mapping[int, Result]) -> CellReport:
    """Sum up the results (seed -> result) of one cell."""
    good = [result for result in results.values() if result.success]
    errors = [result.rms_mm for result in good if result.rms_mm is not None]
    low, high = wilson(len(good), len(results))
    return CellReport(
        cell=cell,
        runs=len(results),
        successes=len(good),
        low=low,
        high=high,
        time_s=median(result.time_s for result in good) if good else None,
        rms_mm=median(errors) if errors else None,
        touched=sum(result.touches > 0 for result in results.values()),
        errors=sum(result.error != "" for result in results.values()),
        failed=tuple((seed, result) for seed, result in sorted(results.items()) if not result.success),
    )


def report(plan: Plan, results: Mapping[Run, Result]) -> list[CellReport]:
    """Sum up every cell of a plan that has results."""
    cells: list[dict[int, Result]] = [{} for _ in plan.cells]
    for run in plan.runs():
        if run in results:
            cells[run.cell][run.seed] = results[run]
    return [cell_report(cell, found) for cell, found in zip(plan.cells, cells, strict=True) if found]


def table(reports: Sequence[CellReport]) -> list[str]:
    """Return the table's lines, columns aligned."""
    axes = [name for name, _ in reports[0].cell.point] if reports else []
    head = ["course", *axes, "success", "", "Wilson 95 %", "median time", "median rms", "touched", "errors"]
    rows = [[one.cell.url, *(value for _, value in one.cell.point), *_figures(one)] for one in reports]
    return aligned([head, *rows], left=1 + len(axes))


def _figures(one: CellReport) -> list[str]:
    return [
        f"{one.successes}/{one.runs}",
        f"{100 * one.successes / one.runs:.1f} %",
        f"{100 * one.low:.1f} to {100 * one.high:.1f} %",
        _unit(one.time_s, "s"),
        _unit(one.rms_mm, "mm"),
        str(one.touched),
        str(one.errors),
    ]


def aligned(rows: Sequence[Sequence[str]], left: int = 1) -> list[str]:
    """Return rows of words as lines; the first `left` columns to the left, the others to the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        words = [
            word.ljust(w) if i < left else word.rjust(w) for i, (word, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(words).rstrip())
    return lines


def _unit(value: float | None, unit: str) -> str:
    return "-" if value is None else f"{value:.1f} {unit}"


def failures(reports: Sequence[CellReport], command: CommandOf, most: int) -> list[str]:
    """Return the seeds that failed, and the command for each of the first `most`."""
    failed = [(one.cell, seed, result) for one in reports for seed, result in one.failed]
    if not failed:
        return []
    lines = [f"{len(failed)} runs failed; each again with:" if len(failed) > 1 else "1 run failed; again with:"]
    for cell, seed, result in failed[:most]:
        lines += [f"  {command(cell, seed)}", f"      {result.how}: {'; '.join(result.reasons)}"]
    if len(failed) > most:
        rest = ", ".join(f"{cell.address(seed)}" for cell, seed, _ in failed[most:])
        lines.append(f"  and (--failures N shows more of the commands): {rest}")
    return lines


def to_json(plan: Plan, results: Mapping[Run, Result], facts: Mapping[str, Any], command: CommandOf) -> dict[str, Any]:
    """Return all of it as one JSON object: the cells, and every run with everything that came of it."""
    return {
        "format": FORMAT,
        **facts,
        "cells": [_cell_json(one) for one in report(plan, results)],
        "runs": [_run_json(plan.cells[run.cell], run, results[run], command) for run in plan.runs() if run in results],
    }


def _cell_json(one: CellReport) -> dict[str, Any]:
    fields = one._asdict()
    del fields["cell"]
    return {"url": one.cell.url, "point": dict(one.cell.point), **fields, "failed": [seed for seed, _ in one.failed]}


def _run_json(cell: Cell, run: Run, result: Result, command: CommandOf) -> dict[str, Any]:
    return {
        "url": cell.address(run.seed),
        "point": dict(cell.point),
        "seed": run.seed,
        "command": command(cell, run.seed),
        **result._asdict(),
    }
