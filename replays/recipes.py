"""What lies here and why: one recipe a recording. The table in README.md is written from it.

Rules: `expect` says what must happen by the course's truth, not what the behaviours happened to do. Seeds were taken
once and mean nothing: runs have all nominal perturbations but for those that `options` sizes anew.
"""

from replays.staging import Recipe, dazzled, flash, late, missing, shoved, silence, stale, stuck

RED = ("exactly 1 red strip", "must stop on red", "must finish", "never faster than 0.3 m/s")
CLEAN = ("no lost", "no fault", *RED)
STRAIGHT = ("no corner", "no crossing", "no marker left", "no marker right", "no marker both", "no obstacle", *RED)
NOTHING = ("no marker", "no fault", *STRAIGHT)
BLIND = ("exactly 1 fault blind", "no lost", *STRAIGHT)

RECIPES = (
    # -- the line and its arms
    Recipe("bends", "bends", "curves to 100 mm and a zigzag", ("no marker", "no gap", *CLEAN)),
    Recipe(
        "bends-cool",
        "bends",
        "the same with sixteen-bit eyes",
        ("no marker", "no gap", *CLEAN),
        "seed=2",
        "harbour-clear",
    ),
    Recipe("bends-slow", "bends", "the same with late sensors", ("no marker", "no lost", *RED), "seed=3&delay=3"),
    Recipe(
        "corners",
        "corners",
        "corners of 60, 90 and 120 degrees",
        ("exactly 3 corner left", "exactly 2 corner right", "no crossing", *CLEAN),
    ),
    Recipe(
        "corners-dim",
        "corners",
        "the same in half the light, tinted",
        ("exactly 3 corner left", "exactly 2 corner right", "no crossing", "no marker", *CLEAN),
        "seed=4&light=1.5&tint=1.5",
    ),
    Recipe(
        "corners-bare", "corners", "the same with the least rig", ("exactly 5 corner", *CLEAN), "seed=5", "harbour-bare"
    ),
    Recipe(
        "corner-unsure",
        "tees",
        "a corner at which the other eye sees black too",
        ("exactly 1 corner left", "no corner right", *RED),
        happens=(flash("floor_right", "black", 476, 4),),
    ),
    Recipe(
        "crossings",
        "crossings",
        "arms left, right and on both sides, decoys behind them",
        (
            "exactly 1 crossing left",
            "exactly 1 crossing right",
            "exactly 3 crossing both",
            "no corner",
            "no marker",
            *CLEAN,
        ),
    ),
    Recipe(
        "crossings-tinted",
        "crossings",
        "the same in tinted light",
        ("exactly 5 crossing", "no corner", "no marker", *CLEAN),
        "seed=6&tint=2&noise=2",
    ),
    Recipe(
        "wide",
        "wide",
        "a line of 20 mm",
        (
            "exactly 1 corner left",
            "exactly 1 corner right",
            "exactly 1 crossing both",
            "exactly 1 marker right",
            *CLEAN,
        ),
    ),
    Recipe("thin", "thin", "a line of 10 mm with a gap of 150", ("no corner", "no crossing", "no marker", *CLEAN)),
    Recipe(
        "hills",
        "hills",
        "a ramp of 25 degrees, bumps straight and askew: no false black, no false green",
        ("no corner", "no crossing", "no marker", "no gap", *CLEAN),
    ),
    Recipe(
        "hills-clear",
        "hills",
        "the same with sixteen-bit eyes",
        ("no corner", "no crossing", "no marker", *CLEAN),
        "seed=7",
        "harbour-clear",
    ),
    # -- markers
    Recipe(
        "marker-left",
        "marker-left",
        "a marker left, then one right; decoys behind",
        (
            "exactly 1 marker left",
            "exactly 1 marker right",
            "marker left before marker right",
            "no marker both",
            *CLEAN,
        ),
    ),
    Recipe(
        "marker-right",
        "marker-right",
        "a marker right, then one left; decoys behind",
        (
            "exactly 1 marker left",
            "exactly 1 marker right",
            "marker right before marker left",
            "no marker both",
            *CLEAN,
        ),
    ),
    Recipe(
        "marker-glare",
        "marker-left",
        "the same in much light",
        ("exactly 1 marker left", "exactly 1 marker right", *CLEAN),
        "seed=8&light=2&tint=2",
    ),
    Recipe(
        "marker-lossy",
        "marker-right",
        "the same with 3 % of readings dropped",
        ("exactly 1 marker left", "exactly 1 marker right", *RED),
        "seed=9&dropout=10",
    ),
    Recipe(
        "turn-round",
        "turn-round",
        "two markers: turn round; the decoy passed before holds now",
        ("exactly 1 marker both", "exactly 1 marker right", "marker both before marker right", *CLEAN),
    ),
    Recipe(
        "turn-round-clear",
        "turn-round",
        "the same with sixteen-bit eyes",
        ("exactly 1 marker both", "exactly 1 marker right", *CLEAN),
        "seed=10",
        "harbour-clear",
    ),
    Recipe(
        "paint",
        "paint",
        "a green strip across the line, and no junction",
        ("no marker left", "no marker right", "no marker both", "exactly 1 marker none", *CLEAN),
    ),
    Recipe(
        "ghost",
        "arms",
        "green before a junction that the second look does not find",
        ("no marker left", "no marker right", "no marker both", "exactly 2 marker none", *CLEAN),
        happens=(flash("floor_left", "green", 445, 8), flash("floor_right", "green", 810, 8)),
    ),
    Recipe(
        "green-twice",
        "straight",
        "two green readings are no marker",
        NOTHING,
        happens=(
            flash("floor_left", "green", 500, 2),
            flash("floor_right", "green", 650, 2),
            flash("floor_left", "green", 800, 2),
        ),
    ),
    Recipe(
        "green-thrice",
        "straight",
        "three green readings call for a second look, on either side",
        ("exactly 2 marker none", "no fault", *STRAIGHT),
        happens=(flash("floor_left", "green", 500, 3), flash("floor_right", "green", 800, 3)),
    ),
    Recipe(
        "green-dark",
        "straight",
        "green in too little light has no colour",
        NOTHING,
        happens=(flash("floor_left", "green", 500, 6, 0.2), flash("floor_right", "green", 800, 6, 0.2)),
    ),
    # -- gaps, the lost line
    Recipe(
        "gaps",
        "gaps",
        "gaps of 60, 120 and 200 mm",
        ("at least 2 gap", "no corner", "no crossing", "no marker", *CLEAN),
    ),
    Recipe(
        "gaps-slip",
        "gaps",
        "the same on slippery tracks",
        ("at least 2 gap", "no corner", "no crossing", "no marker", "no fault", *RED),
        "seed=11&slip=1.5",
    ),
    Recipe(
        "lost-right",
        "straight",
        "moved to the left: the line is found on the right",
        ("exactly 1 lost", "exactly 1 found right", "no fault", *RED),
        options="seed=2",
        happens=(shoved(600, left_mm=55),),
    ),
    Recipe(
        "lost-left",
        "straight",
        "moved and turned to the right: the line is found on the left",
        ("exactly 1 lost", "exactly 1 found left", "no fault", *RED),
        happens=(shoved(600, left_mm=-45, turn_deg=-25),),
    ),
    Recipe(
        "lost-turned",
        "straight",
        "moved and turned to the left, away from the line",
        ("exactly 1 lost", "exactly 1 found right", "no fault", *RED),
        happens=(shoved(600, left_mm=30, turn_deg=45),),
    ),
    Recipe(
        "lost-for-good",
        "straight",
        "carried away from the line: the robot gives up and stands",
        (
            "exactly 1 fault lost",
            "exactly 1 finish lost",
            "no found",
            "no red strip",
            "must stop on finish",
            "must finish",
        ),
        happens=(shoved(600, left_mm=400),),
    ),
    # -- obstacles
    Recipe(
        "box",
        "box",
        "a blue box",
        ("exactly 1 obstacle left", "exactly 1 passed left", "obstacle before passed", *CLEAN),
    ),
    Recipe(
        "box-right",
        "box",
        "the same passed on the right",
        ("exactly 1 obstacle right", "exactly 1 passed right", *CLEAN),
        "seed=12",
        "harbour-mirrored",
    ),
    Recipe(
        "box-optical",
        "box",
        "the same with the optical range sensor",
        ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN),
        "seed=13",
        "harbour-optical",
    ),
    Recipe(
        "box-plain",
        "box",
        "the same with neither range sensor nor button",
        ("exactly 1 start", "exactly 1 obstacle left", "exactly 1 passed left", *CLEAN),
        "seed=1",
        "harbour-plain",
    ),
    Recipe("drum", "drum", "a black drum", ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN)),
    Recipe(
        "drum-unheard",
        "drum",
        "the same with no word from the front for a while, and no echo for a second",
        ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN),
        happens=(missing("front", 300, 20), missing("side_range", 500, 100)),
    ),
    Recipe(
        "bollard",
        "bollard",
        "a yellow prism on a bend to the left",
        ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN),
    ),
    Recipe(
        "crate",
        "crate",
        "a red box askew on a bend to the right",
        ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN),
    ),
    Recipe(
        "crate-right",
        "crate",
        "the same passed on the right",
        ("exactly 1 obstacle right", "exactly 1 passed right", *CLEAN),
        "seed=14",
        "harbour-mirrored",
    ),
    Recipe(
        "front-flash",
        "straight",
        "a flash ahead of four readings is no obstacle",
        NOTHING,
        happens=(flash("front", "white", 500, 4), flash("front", "white", 700, 4)),
    ),
    # -- the red strip
    Recipe("strip-left", "strip-left", "the left eye meets the strip first", ("exactly 1 red strip left", *CLEAN)),
    Recipe("strip-right", "strip-right", "the right eye meets the strip first", ("exactly 1 red strip right", *CLEAN)),
    Recipe(
        "red-thrice",
        "straight",
        "three red readings are no strip; nor is red in too little light",
        NOTHING,
        happens=(
            flash("floor_left", "red", 500, 3),
            flash("floor_right", "red", 600, 3),
            flash("floor_left", "red", 700, 3),
            flash("floor_right", "red", 800, 6, 0.1),
        ),
    ),
    # -- readings that fail
    Recipe(
        "gone-left",
        "straight",
        "no word from the left eye: 0.2 s are held through, 0.6 s are not",
        BLIND,
        happens=(missing("floor_left", 500, 20), missing("floor_left", 700, 60)),
    ),
    Recipe(
        "gone-right",
        "straight",
        "the same on the right",
        BLIND,
        happens=(missing("floor_right", 500, 20), missing("floor_right", 700, 60)),
    ),
    Recipe(
        "gone-drive",
        "straight",
        "the same for the encoders",
        BLIND,
        happens=(missing("drive", 500, 20), missing("drive", 700, 60)),
    ),
    Recipe(
        "stale",
        "straight",
        "old readings of an eye and of the encoders",
        ("exactly 2 fault blind", "no lost", *STRAIGHT),
        happens=(stale("floor_left", 500, 60), stale("drive", 800, 60)),
    ),
    Recipe(
        "stuck",
        "straight",
        "readings that do not change, and do not say so",
        NOTHING,
        happens=(stuck("floor_left", 500, 20), stuck("floor_right", 700, 20), stuck("drive", 900, 20)),
    ),
    Recipe(
        "dazzled",
        "straight",
        "eyes at full scale",
        ("no marker", "no obstacle", "no corner", "exactly 1 red strip", "must finish"),
        happens=(dazzled("floor_left", 500, 15), dazzled("floor_right", 700, 15), dazzled("front", 900, 5)),
    ),
    Recipe(
        "dazzled-long",
        "straight",
        "an eye at full scale for 0.3 s: it may lose the line, and then says so",
        ("no marker", "no obstacle", "no corner", "exactly 1 red strip", "must finish"),
        happens=(dazzled("floor_left", 500, 30), dazzled("floor_right", 700, 30)),
    ),
    Recipe(
        "gone-button",
        "straight",
        "the button's first readings are missing",
        ("exactly 1 start button", "no start before 0.3 s", *NOTHING),
        happens=(missing("start_button", 0, 25),),
    ),
    # -- how a run can end, and what happens to the loop
    Recipe("link", "straight", "the link is down for 0.6 s", NOTHING, happens=(silence(600, 60),)),
    Recipe("late", "straight", "two late ticks; 13 are skipped", NOTHING, happens=(late(500, 0.035), late(700, 0.12))),
    Recipe(
        "stop-button",
        "straight",
        "the operator presses the button while the robot drives",
        ("exactly 1 start", "no red strip"),
        "seed=1&lift_at=4",
    ),
    Recipe("time-limit", "straight", "the run's time is over", ("exactly 1 start", "no red strip"), limit_s=4.0),
    Recipe(
        "error",
        "straight",
        "settings that contradict each other: a behaviour raises, and the run ends with a stop",
        ("no red strip",),
        changes=("marker.votes=5",),
    ),
)
