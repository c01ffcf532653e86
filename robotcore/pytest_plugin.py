"""The pytest plugin: every recording is a test, and a team's own tests get courses, rigs, runs and recordings.

``pytest replays/`` judges each ``.rec`` as ``robotcore replay`` does. It passes where the replay is the same or
equivalent and every sentence of ``NAME.expect.txt`` is met, and fails with the story where a decision differs inside
the trust horizon. Undecided is neither: it is skipped and says how far it reached, or fails with ``--undecided=fail``.
``--accept "reason"`` writes ``NAME.accepted.toml`` beside each changed recording: the new decisions, the reason, to be
reviewed like any other change. Sentences and errors are never accepted that way.

Rule: pytest loads this file in every project of the environment, so it imports the rest only when it is used.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest

if TYPE_CHECKING:
    from robotcore.cli.judging import Judged
    from robotcore.log import Decision, Fault
    from robotcore.recording.content import Recording
    from robotcore.rig import Rig
    from robotcore.runtime import Outcome

REST_TICKS = 40  #: after the mission's end, so that a judge can see the robot stand


class ReplayFailedError(Exception):
    """A recording does not replay as it should; the text is the story."""


class Driven(NamedTuple):
    """A run on a backend: how it ended, what was said, and what the fake's judge makes of it (None elsewhere)."""

    outcome: "Outcome"
    decisions: "list[Decision]"
    faults: "list[Fault]"
    verdict: Any

    def names(self) -> list[str]:
        """Return the decisions' names, in order."""
        return [decision.name for decision in self.decisions]


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add this plugin's options."""
    group = parser.getgroup("robotcore", "recordings as tests")
    group.addoption("--accept", metavar="REASON", help="accept what changed recordings decide now; say why")
    group.addoption(
        "--undecided", choices=("skip", "fail"), default="skip", help="what becomes of undecided recordings (skip)"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Refuse to accept without a reason."""
    reason = config.getoption("--accept")
    if reason is not None and not reason.strip():
        raise pytest.UsageError('--accept: the reason is empty; write --accept "why this may be decided"')


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> "RecordingFile | None":
    """Collect recordings."""
    return RecordingFile.from_parent(parent, path=file_path) if file_path.suffix == ".rec" else None


class RecordingFile(pytest.File):
    """One recording: one test."""

    def collect(self) -> "list[RecordingItem]":
        """Return the test."""
        return [RecordingItem.from_parent(self, name="replay")]


class RecordingItem(pytest.Item):
    """Replays one recording and judges it."""

    def runtest(self) -> None:
        """Judge; fail where something differs, skip where nobody can know."""
        from robotcore.replay import Verdict

        judged = self._judged()
        judgement = judged.judgement
        if judgement.verdict == Verdict.CHANGED and self.config.getoption("--accept") is not None:
            self._accept()
            judged = self._judged()
            judgement = judged.judgement
        self._note(judged)
        if judgement.verdict == Verdict.CHANGED or any(finding.state == "not met" for finding in judged.findings):
            raise ReplayFailedError(self._story(judged))
        if judgement.verdict == Verdict.UNDECIDED:
            if self.config.getoption("--undecided") == "fail":
                raise ReplayFailedError(self._story(judged))
            pytest.skip(self._story(judged).splitlines()[0])

    def _judged(self, *, accepted: bool = True) -> "Judged":
        from robotcore.cli.judging import Request, judge_recording
        from robotcore.recording.reader import open_recording

        return judge_recording(open_recording(self.path), Request(accepted=accepted))

    def _accept(self) -> None:
        """Write what this recording decides now, judged against the run itself and not against an older acceptance."""
        from robotcore.replay.acceptance import accepted_text, path_beside

        text = accepted_text(self._judged(accepted=False).judgement, self.config.getoption("--accept"), self.path.name)
        path_beside(self.path).write_text(text, encoding="utf-8")

    def _note(self, judged: "Judged") -> None:
        """Put the verdict into JUnit reports."""
        judgement = judged.judgement
        self.user_properties += [
            ("verdict", judgement.verdict),
            ("held_against", judgement.expected.source),
            ("trusted_s", f"{judgement.trusted_s:.2f}"),
            ("end_s", f"{judgement.end_s:.2f}"),
        ]

    def _story(self, judged: "Judged") -> str:
        from robotcore.cli.judging import report

        told = report(str(self.path), judged)
        first = [f"{told.first} ({told.verdict})"] if told.broken and told.first.startswith("not met") else []
        return "\n".join([*first, *told.lines])

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Show the story, or the one line about bad input, without a traceback."""
        from robotcore.errors import UserError

        if isinstance(excinfo.value, UserError | ReplayFailedError):
            return str(excinfo.value).replace(str(self.path), self.path.name, 1)  # pytest has little room for it
        return super().repr_failure(excinfo)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Say what this test is called."""
        return self.path, None, f"replay of {self.path.name}"


@pytest.fixture(scope="session")
def rig() -> "Callable[..., Rig]":
    """Give ``rig(name="harbour")``: a shipped rig by name, or a team's own by path."""

    def load(name: str | Path = "harbour") -> "Rig":
        from robotcore.cli import plugins
        from robotcore.rig import load_rig

        return load_rig(plugins.rig_path(str(name)), plugins.device)

    return load


@pytest.fixture(scope="session")
def course(rig: "Callable[..., Rig]") -> Callable[..., Any]:
    """Give ``course("quay", seed=0)``: a course of the fake robot, by name or path."""

    def load(place: str | Path, seed: int = 0) -> Any:
        from robotcore.backend import parse_address
        from robotcore.cli import plugins

        address = parse_address(f"fake:{place}?seed={seed}")
        world: Any = plugins.backend(address)(address, rig())
        return world.judge.course

    return load


@pytest.fixture(scope="session")
def drive_course() -> Callable[..., Driven]:
    """Give ``drive_course("fake:quay?seed=3", mission="line", changes=["follow.cruise_m_s=0.2"])``: a run, not kept.

    Further arguments: ``rig``, ``calibration`` (default: named as the rig), ``seconds`` of robot time at most.
    """
    return _drive


@pytest.fixture
def recording(request: pytest.FixtureRequest) -> "Callable[[str | Path], Recording]":
    """Give ``recording("../replays/quay.rec")``: a recording by its path from the test's own folder."""

    def load(path: str | Path) -> "Recording":
        from robotcore.recording.reader import open_recording

        return open_recording(request.path.parent / path)

    return load


def _drive(
    url: str,
    *,
    mission: str = "line",
    rig: str = "harbour",
    calibration: str | None = None,
    changes: Sequence[str] = (),
    seconds: float = 480.0,
) -> Driven:
    from argparse import Namespace

    from robotcore.backend import parse_address
    from robotcore.brain import Brain
    from robotcore.cli import plugins
    from robotcore.cli.setup import from_words
    from robotcore.errors import UserError
    from robotcore.log import Log
    from robotcore.runtime import Limits, Run

    address = parse_address(url)
    if address.scheme not in plugins.HARMLESS:
        raise UserError(f"{url}: tests drive no real robot; give one of {', '.join(plugins.HARMLESS)}")
    words = Namespace(rig=rig, calibration=calibration, mission=mission, settings=None, set=list(changes))
    setup, log = from_words(words), Log()
    world: Any = plugins.backend(address)(address, setup.rig)
    brain = Brain(setup.rig, setup.calibration, setup.mission, setup.settings, log)
    outcome = Run(world, brain, log, Limits(run_s=seconds), button_stops=not setup.mission.handles_button).run()
    judge = getattr(world, "judge", None)
    if judge is not None:
        for tick in range(outcome.ticks, outcome.ticks + REST_TICKS):
            world.sense(tick)
    return Driven(outcome, log.decisions, log.faults, None if judge is None else judge.verdict())
