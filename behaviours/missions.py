"""The missions that ship with the project, by the name that the command line and recordings use."""

from behaviours.full_mission import full_mission
from behaviours.line_mission import line_mission
from behaviours.settings import LineSettings
from behaviours.zone.settings import MissionSettings
from robotcore.mission import Mission

MISSIONS: dict[str, Mission] = {
    "line": Mission("line", line_mission, LineSettings, "follow the line field from the start button to the red strip"),
    "zone": Mission(
        "zone", full_mission, MissionSettings, "from before the silver strip through the zone to the red strip",
        handles_button=True,
    ),
    "full": Mission(
        "full", full_mission, MissionSettings, "line field, zone, line behind it, red strip", handles_button=True
    ),
}
