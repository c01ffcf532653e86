"""The missions that ship with the project, by the name that the command line and recordings use."""

from behaviours.line_mission import line_mission
from behaviours.settings import LineSettings
from robotcore.mission import Mission

MISSIONS: dict[str, Mission] = {
    "line": Mission("line", line_mission, LineSettings, "follow the line field from the start button to the red strip"),
}
