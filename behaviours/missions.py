"""The missions that ship with the project, by the name that the command line and recordings use.

Each stands beside its function; the command line finds one without importing the others (robotcore/cli/plugins.py).
"""

from behaviours.bench import BENCH
from behaviours.full_mission import FULL, ZONE
from behaviours.line_mission import LINE
from robotcore.mission import Mission

MISSIONS: dict[str, Mission] = {mission.name: mission for mission in (LINE, ZONE, FULL, BENCH)}
