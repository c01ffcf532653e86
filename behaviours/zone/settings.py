"""Every number that the zone's behaviours use, with its meaning, its unit and why it is what it is.

Rules: frozen, plain numbers and texts, all with defaults, checked when built. What the rig says (body, mounts) does not
stand here; what the jaws and the flap do at which angle does, since a rig knows only their limits. What kinds of
objects there are is a table: another event means other numbers here, not other code.
"""

from behaviours.settings import LineSettings
from robotcore.settings import number, part, settings, whole, word

COLOURS = ("silver", "black", "white", "red", "orange", "brown", "yellow", "green", "blue", "")
SIDES = ("left", "right", "")
CHECKPOINTS = ("", "line", "zone", "exit")


@settings
class SilverSettings:
    """Telling the silver strip from white floor: metal throws more of the lamp's light back than any white paint."""

    factor: float = number(1.50, 1.05, 4.0)
    """Green over that of white floor here, from which a reading may be silver. Calibrated white with the venue's
    light may read 1.15; bare metal reads 1.06 to 1.15 times a perfect white even without any gloss, and far more
    where the lamp's image is seen; white floor reads up to 1.5 where a dipping nose brings the eye close."""
    dim: float = number(0.80, 0.1, 1.0)
    """Where both eyes had less than this share of white, the nose was up: a bump or a ramp ..."""
    dim_s: float = number(0.4, 0.0, 5.0)
    """... and for so long afterwards brightness says nothing: it dips next."""
    over_white: float = number(1.12, 1.0, 4.0)
    """Green over *calibrated* white, which must be passed as well: a floor that is dark here is no measure."""
    grey: float = number(0.07, 0.01, 0.2)
    """Metal is grey: no share is farther from 1/3 (not asked of a saturated reading, whose shares are cut off)."""
    votes: int = whole(3, 1, 20)
    """Readings among the last `window` of one eye that make a strip when the other eye has one too."""
    alone: int = whole(6, 1, 40)
    """Readings in a row that make a strip on one eye alone: persistence instead of confirmation."""
    together: int = whole(8, 1, 40)
    """Readings in a row of both eyes that make a strip even where the body is not level ..."""
    plain: float = number(1.6, 1.05, 4.0)
    """... where all pass white by so much: a nose that dips to half its height reads half as much again, and not for so
    long (over bumps and ramps 1.36 at most, in 100 runs of five courses of the line)."""
    window: int = whole(6, 1, 40)
    """Readings a vote goes back."""
    flat_rad: float = number(0.045, 0.005, 0.5)
    """Pitch off its own mean beyond which the nose is lifted or dips: then brightness says nothing."""
    pitch_s: float = number(1.0, 0.05, 10.0)
    """Time constant of the pitch's mean."""


@settings
class ChartSettings:
    """Dead reckoning in the zone, corrected by range readings and by docking against walls."""

    range_sd_m: float = number(0.008, 0.001, 0.1)
    """Standard deviation of a range reading on a wall, its own noise and the sensor's mount together."""
    beam_rad: float = number(0.2, 0.0, 0.5)
    """A wall that is turned by less than this reads its distance along the perpendicular: the beam is wide."""
    square_rad: float = number(0.30, 0.05, 0.7)
    """A wall turned by more is not believed: echoes go elsewhere."""
    gate_m: float = number(0.045, 0.01, 0.3)
    """A reading farther off what is expected is no wall: an opening, or something in between."""
    drift_rad_m: float = number(0.12, 0.0, 1.0)
    """Standard deviation of the heading's drift on a straight way: tracks slip unequally (2 % over 140 mm)."""
    scrub: float = number(0.03, 0.0, 0.3)
    """Standard deviation of the share of a turn on the spot that is lost."""
    slip_mean: float = number(0.02, 0.0, 0.3)
    """What of the tracks' way is lost before anything is known."""
    slip: float = number(0.012, 0.0, 0.3)
    """Standard deviation of that share."""
    scrub_mean: float = number(0.04, 0.0, 0.3)
    """What is lost of a turn on the spot before anything is known."""


@settings
class SweepSettings:
    """Driving round along the walls, farther inward each time."""

    gap_m: float = number(0.045, 0.01, 0.2)
    """Room between body and wall in the first round: wider than an object, so that none is pushed along the wall and
    out of an opening; and the body can turn there."""
    pitch_m: float = number(0.095, 0.02, 0.3)
    """How much farther inward each round runs: the collector's width less what the lane may be off."""
    swing_m: float = number(0.018, 0.0, 0.1)
    """Room round the body when it turns on the spot."""
    speed_m_s: float = number(0.19, 0.02, 0.5)
    """Speed along a wall."""
    slow_m_s: float = number(0.08, 0.02, 0.5)
    """Speed towards something that was seen."""
    slow_m_s2: float = number(0.12, 0.02, 2.0)
    """Slowing down when something may lie in the collector: a ball that rolls ahead slows by 0.14 m/s2 at least."""
    fast_rad_s: float = number(2.2, 0.2, 10.0)
    """Rate of a turn on the spot."""
    gentle_rad_s: float = number(1.1, 0.2, 10.0)
    """The same where an opening is near: what the jaws kick away rolls the farther the faster they come."""
    kick_m: float = number(0.40, 0.0, 2.0)
    """An opening is near where it is no farther than this."""
    slowest_rad_s: float = number(0.6, 0.05, 5.0)
    """Rate at its end."""
    per_rad: float = number(8.0, 0.5, 50.0)
    """Rate for each radian that is left."""
    hold_per_s: float = number(4.0, 0.1, 50.0)
    """Turn for each radian off the heading wanted."""
    pull_rad_m: float = number(6.0, 0.5, 50.0)
    """Slant towards the lane for each metre off it."""
    slant_rad: float = number(0.45, 0.05, 1.0)
    """Steepest slant."""
    probe_m: float = number(0.70, 0.05, 5.0)
    """The jaws are closed for a try after so much way: what rolls along beside the front sensor's view is found."""
    dock_sd_m: float = number(0.006, 0.001, 0.1)
    """A wall is known by docking to within so much where the light told its distance before the touch ..."""
    blind_sd_m: float = number(0.035, 0.001, 0.2)
    """... and to within so much where it did not: the tracks may have slipped against something."""
    flat_m: float = number(0.030, 0.005, 0.2)
    """A touch farther from where the wall is known to be (and twice the doubt of that) is none of this wall."""
    press_m: float = number(0.012, 0.0, 0.1)
    """Drive on so far against a wall: the tracks slip and the body squares up."""
    longest_m: float = number(4.0, 0.5, 20.0)
    """No side of the zone is longer."""
    comb: bool = True
    """After the rounds, drive at the walls side by side: what lies against a wall is reached only like that."""
    comb_m: float = number(0.118, 0.03, 0.3)
    """Way along the wall from one of these to the next."""
    again: int = whole(3, 0, 20)
    """How often along a wall the places beside one at which something was met and not taken are combed once more."""
    corner_tries: int = whole(2, 1, 9)
    """How often a corner is driven into where something was met in it and not taken."""
    stand_m: float = number(0.27, 0.1, 1.0)
    """So far from the wall the robot turns to face it: nearer the jaws would sweep along it what lies there."""
    aside_m: float = number(0.018, 0.0, 0.1)
    """So much farther than a turn needs the comb keeps from the next wall: its S swings the rear out."""
    before_m: float = number(0.058, 0.02, 0.3)
    """The jaws are closed for a try with the front so far before a wall: what lies against it is between them then,
    and what lies beside them is not pinned by the body."""
    comb_m_s: float = number(0.24, 0.02, 0.5)
    """Speed there and back again: the floor was passed before."""
    twist_rad: float = number(0.12, 0.0, 1.0)
    """By so much a corner may have turned the body that was pressed into it."""
    end_m: float = number(0.24, 0.1, 1.0)
    """After the comb the middle is passed once, from and to so far from the walls."""
    fetch_m: float = number(0.13, 0.0, 0.3)
    """How far the robot drives at what it sees while it turns."""
    fetches: int = whole(2, 1, 9)
    """How often in a turn."""
    gate_m: float = number(0.15, 0.0, 0.5)
    """Before an opening the last so much of the way is driven slowly: what rolls out is lost."""
    rim_m: float = number(0.012, 0.0, 0.1)
    """Room left to either side where the robot drives into an opening for what may lie there."""
    beside_m: float = number(0.040, 0.0, 0.2)
    """The wall next to an opening is combed with the jaws so far beside its end."""
    doubt_m: float = number(0.012, 0.0, 0.1)
    """Only before a wall whose distance is less sure than this the robot goes on until it touches it."""
    end_s: float = number(480.0, 0.0, 5000.0)
    """Time of the run's end. Nothing more is swept once no more is left than it takes to leave ..."""
    leave_s: float = number(46.0, 0.0, 1000.0)
    """... which is so much ..."""
    visit_s: float = number(22.0, 0.0, 1000.0)
    """... with so much for each berth to be visited first ..."""
    drop_s: float = number(2.5, 0.0, 100.0)
    """... and for each object on board."""


@settings
class FrontSettings:
    """The forward colour sensor: something there, a wall, or in touch with it."""

    rise: float = number(0.045, 0.005, 1.0)
    """Lightness above that of the empty hall that says something is there; black gives a tenth in touch."""
    votes: int = whole(3, 1, 20)
    """Readings in a row that must say so."""
    hall_s: float = number(2.0, 0.1, 20.0)
    """Time constant of the empty hall's light."""
    wall: float = number(2.2, 0.5, 20.0)
    """Lightness (1 is white at the calibration's distance) that only a light wall gives, at 20 mm and less."""
    near: float = number(0.45, 0.1, 5.0)
    """Lightness of a white wall at some 65 mm: time to close the jaws before something is pinned against it."""
    wall_m: float = number(0.022, 0.0, 0.1)
    """Distance of a white wall that gives it."""
    peak: float = number(0.25, 0.05, 5.0)
    """Lightness that must have been reached before a fall means touch."""
    fall: float = number(0.35, 0.05, 0.9)
    """Share of the peak below which the sensor is in touch with a wall: no light comes between."""
    steady_m: float = number(0.030, 0.005, 0.2)
    """Way with no growth of the light: what is there is pushed along, or holds the robot up."""
    growth: float = number(1.12, 1.01, 3.0)
    """Growth of the light over that way which says that it still comes nearer."""
    reach_m: float = number(0.16, 0.05, 0.5)
    """The sensor sees so far; a wall that is known to be nearer explains light."""
    field_rad: float = number(0.25, 0.0, 1.0)
    """It sees so far to either side."""
    missing_m: float = number(0.035, 0.0, 0.1)
    """So near any wall gives light; where none comes there is an opening, and the body would catch on its edge."""
    sure_m: float = number(0.020, 0.001, 0.1)
    """... asked only where a wall's distance is known to within so much."""


@settings
class KindSettings:
    """One kind of object. An empty name means that there is none."""

    name: str = ""
    """What decisions call it."""
    colour: str = word("", COLOURS)
    """How the forward sensor sees it in the jaws."""
    side: str = word("", SIDES)
    """Hold that the flap sends it to."""
    berth: str = word("", COLOURS)
    """Colour of the berth where it belongs."""
    count: int = whole(0, 0, 99)
    """How many there are; 0 where nobody knows. Once all are on board the sweep may end."""
    order: int = whole(1, 1, 9)
    """Berths of lower numbers are served first."""


@settings
class ClassSettings:
    """What the forward sensor must show of an object that the jaws hold."""

    looks: int = whole(9, 1, 50)
    """Readings of one look."""
    sure: float = number(0.75, 0.5, 1.0)
    """Share of the readings that must agree; less is unsure, and unsure is looked at again."""
    dark: float = number(0.22, 0.02, 1.0)
    """Lightness below which a grey object is black."""
    bright: float = number(0.42, 0.05, 5.0)
    """Lightness above which it is silver; between the two nothing is said."""
    grey: float = number(0.075, 0.01, 0.3)
    """No share of a grey object is farther from 1/3."""
    lead: float = number(0.46, 0.34, 0.9)
    """A share from which its channel names the colour."""
    second: float = number(0.34, 0.2, 0.5)
    """Share of green that makes red light yellow."""
    earth: float = number(0.125, 0.0, 0.3)
    """Share of blue that makes it brown: a dull orange."""
    warm: float = number(0.18, 0.0, 0.34)
    """Share of green that makes it orange."""


@settings
class HandSettings:
    """Jaws and flap: which angle does what, and how long each may take."""

    grip_rad: float = number(0.82, 0.1, 3.0)
    """Angle that closes the jaws without lifting: a little beyond where they meet."""
    closed_rad: float = number(0.698, 0.05, 3.0)
    """Where empty jaws meet (40 degrees)."""
    something_rad: float = number(0.10, 0.01, 1.0)
    """Jaws that stop short of closed by more hold something."""
    jammed_rad: float = number(0.36, 0.01, 1.0)
    """Jaws that stop short by more hold too much: two things, or one askew."""
    askew_rad: float = number(0.25, 0.01, 1.0)
    """Jammed jaws that came this far hold one thing that lies askew; two stop them sooner."""
    square_m: float = number(0.045, 0.0, 0.2)
    """The robot drives on so far to square it with its front ..."""
    behind_m: float = number(0.035, 0.0, 0.2)
    """... but only so near to a wall: against that it would be held up, and the tracks would slip."""
    lift_rad: float = number(1.396, 0.1, 3.0)
    """From the floor to the flap (80 degrees)."""
    lift_to_rad: float = number(2.61, 0.1, 4.0)
    """Angle asked for when lifting."""
    top_share: float = number(0.975, 0.5, 1.0)
    """Share of the lift that is up."""
    tip_rad: float = number(0.61, 0.05, 2.0)
    """Turn of the flap that sends an object into a hold (35 degrees)."""
    tipped_rad: float = number(0.50, 0.05, 2.0)
    """Turn that must be reached for that: a jammed flap stands at 12 degrees."""
    gate_rad: float = number(1.0, 0.1, 2.0)
    """Turn that opens a hold at the rear (50 degrees and some)."""
    opened_rad: float = number(0.89, 0.1, 2.0)
    """Turn that must be reached for that."""
    close_s: float = number(1.2, 0.1, 10.0)
    """Time for closing or opening."""
    lift_s: float = number(2.0, 0.1, 10.0)
    """Time for a lift."""
    turn_s: float = number(1.0, 0.1, 10.0)
    """Time for a turn of the flap."""
    still_rad_s: float = number(0.15, 0.01, 2.0)
    """Slower than this is still."""
    aside_m: float = number(0.045, 0.0, 0.1)
    """What jams the jaws is come at again from so far beside: of two things one is taken."""
    tries: int = whole(4, 1, 20)
    """How often a grip or a jammed flap is tried again."""
    room: int = whole(4, 1, 20)
    """Objects that a hold takes."""


@settings
class DropSettings:
    """Deposit in a berth."""

    off_m: float = number(0.42, 0.2, 1.0)
    """From this far out of the corner the robot backs up to it."""
    due_rad: float = number(0.05, 0.01, 2.0)
    """Where the heading is less sure than this the robot looks round before it backs up."""
    look_m: float = number(0.205, 0.2, 1.0)
    """So near the axle comes to a corner to see whether there is a berth."""
    back_m_s: float = number(0.10, 0.02, 0.5)
    """Speed backward."""
    clear_m: float = number(0.020, 0.0, 0.1)
    """Room left between the rear edges and the corner's walls, along the diagonal: an object must fit behind."""
    step_m: float = number(0.052, 0.01, 0.2)
    """Forward between two objects: one that lies there keeps the next in."""
    deeper_m: float = number(0.030, 0.0, 0.1)
    """Before the third and every later one those that lie there are pushed so much farther back than they lay ..."""
    push_m: float = number(0.012, 0.0, 0.1)
    """... and the robot goes so much farther forward then: they do not give way all the way."""
    creep_m_s: float = number(0.05, 0.01, 0.3)
    """Speed of that."""
    until_s: float = number(432.0, 0.0, 5000.0)
    """Time of the run after which no berth is driven to any more: the way out must still be found."""
    wait_s: float = number(0.40, 0.05, 5.0)
    """An object needs so long to slide out."""
    eliminate: bool = True
    """Where the berths of all kinds but those of one colour were found, one berth of unknown colour is theirs."""
    least: int = whole(6, 1, 1000)
    """Floor readings of a berth's colour that make a berth."""


@settings
class SurveySettings:
    """Looking round with the range sensor, turning on the spot."""

    back_rad: float = number(0.5, 0.0, 1.5)
    """The turn begins so far back, for both flanks of the first wall ..."""
    rate_rad_s: float = number(1.6, 0.2, 4.0)
    """... at this rate."""
    entry_rad: float = number(3.7, 2.0, 6.0)
    """At the entry it ends here: the three walls that nobody knows yet are seen by then."""
    share: float = number(0.45, 0.1, 1.0)
    """Readings that must fit four walls; fewer mean that something held the robot, or that it is not in the zone."""
    moved_share: float = number(0.64, 0.1, 1.0)
    """... and so many where they say that the robot is elsewhere."""
    farther_m: float = number(0.25, 0.0, 1.0)
    """A wall that is not heard at the entry is looked for from so much farther in."""
    tries: int = whole(3, 1, 10)
    """How often it is done, each time from another place."""
    off_m: float = number(0.05, 0.01, 0.5)
    """A chart that is off by more was lost: it begins anew from what was seen ..."""
    off_rad: float = number(0.2, 0.02, 1.0)
    """... and so was one that is turned by more."""
    before_rad: float = number(0.20, 0.01, 2.0)
    """Standard deviation of the heading before a survey: walls heard askew through openings must not mislead ..."""
    entry_sd_rad: float = number(0.06, 0.01, 2.0)
    """... less at the entry, to which a line leads straight ..."""
    lost_rad: float = number(1.0, 0.01, 9.0)
    """... and more where the chart was lost."""
    due_rad: float = number(0.10, 0.01, 2.0)
    """A heading that is less sure than this is looked for, lost or not."""
    sd_m: float = number(0.012, 0.001, 0.1)
    """Standard deviation of a wall's distance by a survey."""
    sd_rad: float = number(0.05, 0.005, 0.5)
    """Standard deviation of the heading by a survey."""


@settings
class ExitSettings:
    """Leaving."""

    widest_m: float = number(0.38, 0.1, 1.0)
    """An opening is no wider, as the beam sees it."""
    narrowest_m: float = number(0.15, 0.05, 1.0)
    """An opening is no narrower."""
    off_m: float = number(0.165, 0.1, 0.5)
    """Distance of the axle from the wall while the opening is measured: the body can turn there."""
    clear_m: float = number(0.12, 0.0, 0.6)
    """So much farther from a corner in which something was dropped the search of a wall begins or ends."""
    speed_m_s: float = number(0.10, 0.02, 0.5)
    """Speed while it is measured, and out of it."""
    beyond_m: float = number(0.22, 0.05, 1.0)
    """The green strip comes within so much beyond the wall."""
    votes: int = whole(3, 1, 20)
    """Green readings among the last `window` of either eye that make the strip."""
    window: int = whole(5, 1, 20)
    """Readings a vote goes back."""
    over_m: float = number(0.14, 0.0, 0.5)
    """The strip is crossed within so much; line following begins behind it."""
    tries: int = whole(4, 1, 20)
    """How often the opening is looked for."""


@settings
class ResumeSettings:
    """Where to go on after a lack of progress; filled in by `robotcore run --resume`."""

    checkpoint: str = word("", CHECKPOINTS)
    """The last checkpoint: "line", "zone", "exit", or nothing."""
    left: str = ""
    """What lies in the left hold, the first in first: names with commas."""
    right: str = ""
    """What lies in the right hold."""
    dropped: int = whole(0, 0, 99)
    """Objects dropped so far."""
    stops: int = whole(0, 0, 99)
    """Lacks of progress so far."""


@settings
class ZoneSettings:
    """All that the zone needs to be told."""

    silver: SilverSettings = part(SilverSettings)
    chart: ChartSettings = part(ChartSettings)
    sweep: SweepSettings = part(SweepSettings)
    front: FrontSettings = part(FrontSettings)
    kit: KindSettings = KindSettings("kit", "blue", "left", "yellow", 0, 1)
    light: KindSettings = KindSettings("silver", "silver", "left", "yellow", 0, 1)
    dark: KindSettings = KindSettings("black", "black", "right", "blue", 0, 2)
    other: KindSettings = KindSettings()
    classes: ClassSettings = part(ClassSettings)
    hand: HandSettings = part(HandSettings)
    drop: DropSettings = part(DropSettings)
    exit: ExitSettings = part(ExitSettings)
    survey: SurveySettings = part(SurveySettings)

    @property
    def kinds(self) -> tuple[KindSettings, ...]:
        """The kinds that there are."""
        return tuple(kind for kind in (self.kit, self.light, self.dark, self.other) if kind.name)


@settings
class MissionSettings:
    """All that the missions `zone` and `full` can be told."""

    line: LineSettings = part(LineSettings)
    zone: ZoneSettings = part(ZoneSettings)
    resume: ResumeSettings = part(ResumeSettings)
